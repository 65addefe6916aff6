"""What the recording would have looked like had another story been true.

Only what known numbers draw: a tank without a leak, where that may be so as nearly as vapor and gas that warms come
to the hold; a hole of a stated size in this tank's gas volume, the vapor that was fitted or seen, the creep of the shut
tank, and the limits from which a valve or a vent path is condemned. All but a tank that may be sealed leave out gas
that warms after the draw, so that they start where the fitted hold does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.physics.blow_down import leak_coefficient, pressure_after
from pipeline.physics.orifice import air_density, air_viscosity, discharge_at
from pipeline.physics.vapor import gravity_with_vapor, vapor_share
from pipeline.settings import Settings
from pipeline.traces.chance_of_leak import WIDEST_MM
from pipeline.traces.compiled import Floats
from pipeline.traces.measured import Measured
from pipeline.traces.signs import FAINT_PA, FALLS_PA_S, NARROW_VENT_MM
from pipeline.traces.stories import HOLDS, NAMES

#: Holes whose decay is drawn [mm]: about 0.020 in and 0.040 in, the two sizes that monitors are made to find.
HOLES_MM = (0.5, 1.0)
#: So long after a supply was shut off is drawn what would have been held [s].
_AFTER_SUPPLY_S = 60.0
#: A sealed tank that is as likely as this is drawn as it would have to be.
_MAY_BE = 0.02
#: Points of one curve.
_POINTS = 60


@dataclass(frozen=True)
class StoryCurve:
    """One story that was not chosen, as the sensor would have shown it: time on the recording's clock [s], pressure
    [Pa], what it is in words, and the probability of its story; None where the verdict is a leak and
    the curve one of another size, drawn to compare."""

    story: str
    label: str
    probability: float | None
    t_s: list[float]
    pa: list[float]


@dataclass(frozen=True)
class _Trace:
    """What the curves of recording k rest on; `vapor` [Pa/s] and `level` [Pa] as the hold starts, above `zero`; `creep`
    [Pa/s] of the shut tank; from `start_s` to `end_s` [s] curves of holds are drawn."""

    m: Measured
    k: int
    settings: Settings
    zero: float
    start_s: float
    end_s: float
    level: float
    vapor: float
    creep: float

    def hole(self, diameter_mm: float, from_pa: float, time_s: Floats, vapor_pa_s: float) -> Floats:
        """Return the pressure [Pa] above ambient behind a hole; its discharge is that at half of `from_pa`."""
        air, volume = self.m.taken.air, self.m.sizes.volume.working_l[self.k]
        pressure, celsius = air.pressure_pa[self.k], air.temperature_c[self.k]
        density = air_density(pressure, celsius)
        if from_pa > 0:
            # What flows out is the tank's own gas.
            density = density * gravity_with_vapor(vapor_share(celsius, pressure))
        discharge = discharge_at(
            diameter_mm,
            abs(from_pa) / 2,
            density,
            air_viscosity(celsius),
            self.settings.discharge_coefficient,
        )
        k = leak_coefficient(diameter_mm, volume, density, pressure, float(discharge))
        return pressure_after(from_pa, time_s, k, vapor_pa_s)


def other_stories(m: Measured, k: int, settings: Settings) -> list[StoryCurve]:
    """Return what the stories that were not chosen would have drawn in recording k, likeliest first.

    A recording that was not judged has no chosen story: then all are drawn.
    """
    if not m.judgement.is_weighed[k]:
        return []
    told = dict(zip(NAMES, m.judgement.told.probability[k].tolist(), strict=True))
    chosen = m.judgement.verdict[k]
    trace = _trace_of(m, k, settings)
    drawn = [
        StoryCurve(
            story, label, None if story == chosen else told[story], t.tolist(), (trace.zero + pa).tolist()
        )
        for story, label, t, pa in (*_of_hold(trace), *_of_draw(trace), *_of_release(trace))
        if (story != chosen or story == "leak") and len(t) and np.isfinite(pa).all()
    ]
    return sorted(drawn, key=lambda curve: -(curve.probability or 0.0))


def _trace_of(m: Measured, k: int, settings: Settings) -> _Trace:
    fit, bins, marks, shown = m.taken.fit, m.taken.bins, m.taken.marks, m.taken.shown
    filled = np.flatnonzero(bins.n[k] > 0)
    start_s, end_s, level = marks.hold_start[k], marks.hold_end[k], shown.hold.start_above[k]
    if m.is_outrun[k]:
        # What was held begins where the supply was shut off.
        start_s, level = end_s, shown.hold.end_above[k]
        end_s = min(start_s + _AFTER_SUPPLY_S, marks.last[k])
    elif np.isfinite(fit.leak[k]) and len(filled):
        start_s, level = bins.start_s[k] + bins.t[k][filled[0]], fit.curve[k][filled[0]]
    seen = (fit.vapor[k], shown.closed.rate[k], shown.draw.creep[k])
    zero = float(np.nan_to_num(shown.vented.zero[k]))
    vapor, creep = (_own(m, k, rates) for rates in (seen[:2], seen[1:]))
    return _Trace(m, k, settings, zero, float(start_s), float(end_s), float(level), vapor, creep)


def _own(m: Measured, k: int, rates: tuple[float, ...]) -> float:
    """Return the first rate [Pa/s] that was seen: of a tank that falls faster than cooling fuel does, which no other
    story but a valve that passes explains, what is usual."""
    rate = next((float(r) for r in rates if np.isfinite(r)), np.nan)
    return float(m.taken.beliefs.usual[k]) if rate < -FALLS_PA_S else rate


_Drawn = Iterator[tuple[str, str, Floats, Floats]]


def _of_hold(trace: _Trace) -> _Drawn:
    """Draw the hold of a sealed tank, of holes, of an opening beyond size, and of a valve that just passes."""
    if not (np.isfinite(trace.level) and trace.end_s > trace.start_s):
        return
    since = np.linspace(0, trace.end_s - trace.start_s, _POINTS)
    t = trace.start_s + since
    # Where hardly any vacuum arrived nobody knows what a tight tank would have held.
    if np.isfinite(trace.vapor) and abs(trace.level) > FAINT_PA:
        yield from _of_sealed(trace, t)
        if trace.m.sizes.volume.is_tank_known[trace.k]:
            for size in HOLES_MM:
                yield "leak", f"hole of {size:.1f} mm", t, trace.hole(size, trace.level, since, trace.vapor)
            gross = trace.hole(WIDEST_MM, trace.level, since, trace.vapor)
            yield "gross_leak", f"gross leak, from {WIDEST_MM:.0f} mm on", t, gross
    if not trace.m.taken.marks.is_pressure_test[trace.k]:
        label = f"purge that passes {FALLS_PA_S:.0f} Pa/s"
        yield "purge_passes_closed", label, t, trace.level - FALLS_PA_S * since


def _of_sealed(trace: _Trace, t: Floats) -> _Drawn:
    """Draw the hold of a tank without a leak: where that may be so with the vapor that it takes to come near what was
    measured, and elsewhere with the vapor that there is."""
    m, k, vapor = trace.m, trace.k, trace.vapor
    pa = trace.level + vapor * (t - trace.start_s)
    may_be = m.judgement.told.probability[k, HOLDS] >= _MAY_BE
    if may_be and m.sealed is not None and np.isfinite(m.sealed.leak_mean[k]):
        filled, vapor = m.taken.bins.n[k] > 0, m.sealed.vapor[k]
        t, pa = m.taken.bins.start_s[k] + m.taken.bins.t[k][filled], m.sealed.curve[k][filled]
    yield "holds", f"sealed, vapor {vapor:.1f} Pa/s", t, pa


def _of_draw(trace: _Trace) -> _Drawn:
    """Draw a draw in which nothing arrives, and one that the sensor does not see."""
    marks, shown, k = trace.m.taken.marks, trace.m.taken.shown, trace.k
    start, ends = marks.draw_start[k], (marks.hold_end[k], marks.draw_end[k])
    end = next((e for e in ends if np.isfinite(e)), np.nan)
    if not (np.isfinite(start) and end > start):
        return
    t = np.linspace(start, end, _POINTS)
    before = shown.draw.before[k] - trace.zero
    yield "no_vacuum", "nothing arrives, tank shut", t, before + trace.creep * (t - start)
    yield "sensor_flat", "sensor that stands still", t, np.full(_POINTS, before)


def _of_release(trace: _Trace) -> _Drawn:
    """Draw the release through the widest vent path that is condemned."""
    marks, shown, k = trace.m.taken.marks, trace.m.taken.shown, trace.k
    start, end, level = marks.release_start[k], marks.release_end[k], shown.release.from_above[k]
    if not (trace.m.sizes.volume.is_tank_known[k] and end > start and level < 0):
        return
    t = np.linspace(start, end, _POINTS)
    yield (
        "vent_restricted",
        f"vent path of {NARROW_VENT_MM:.1f} mm",
        t,
        trace.hole(NARROW_VENT_MM, level, t - start, 0.0),
    )
