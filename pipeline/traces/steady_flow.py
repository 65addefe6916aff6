"""What does gas fed into the shut system say of its leak? At rest as much flows out as in, whatever the volume."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from pipeline.physics.certification import NITROGEN_GRAVITY, effective_diameter_in
from pipeline.physics.orifice import (
    STANDARD_PRESSURE_PA,
    STANDARD_TEMPERATURE_C,
    ZERO_CELSIUS_K,
    air_density,
    air_viscosity,
    discharge_at,
)
from pipeline.physics.steady_flow import hole_of_steady_flow_mm
from pipeline.physics.vapor import VAPOR_SHARE_SD, gravity_with_vapor, vapor_share
from pipeline.traces.air import Air
from pipeline.traces.beliefs import GIVEN_BACK_S
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.readings import Shown
from pipeline.traces.recordings import METER_L_MIN, Recordings
from pipeline.traces.sizes import MOST_VAPOR, VaporSpace

#: A hole from this size on [mm] is called a leak: a flow tells smaller ones than a vacuum does.
LEAK_MM = 0.2
_MM_PER_INCH = 25.4
_M3_S_PER_L_MIN = 1 / 60_000
_STANDARD_K = STANDARD_TEMPERATURE_C + ZERO_CELSIUS_K
#: Stretches at the end of the feed that are tried [s], longest first.
_STRETCHES_S = (60.0, 45.0, 30.0, 20.0, 10.0)
_FEWEST_SAMPLES = 8
#: Pressure and flow have come to rest when the flow moves by less than this share over the stretch, and less than that
#: one still fills the tank; how much does is taken off.
_STILL_FLOW = 0.06
_MOST_FILLING = 0.25
#: Common practice, no source: what a flow meter of a shop is off by, of the reading.
_METER_SHARE = 0.03
#: The gas may be air where nitrogen is taken: its flow is 1.7 % less.
_GAS_SHARE = 0.017
#: What fills the tank is known to so much beside its volume: the gas is compressed, and not all at one temperature.
_FILLING_SHARE = 0.2
#: So much overpressure [Pa] is surely read as one.
_LEAST_PRESSURE_PA = 25.0
#: A regulator keeps the pressure that it has reached: this share of it may be missing after the last flow, or
#: _LEAST_PRESSURE_PA. What falls further was shut off.
_KEEPS = 0.02


class SteadyFlow(NamedTuple):
    """What each recording with a fed gas shows, nan without one.

    `flow` out of the system (fed, less what still fills the tank) [l/min at 20 °C and 101.325 kPa] and `gauge` [Pa
    above the vented zero] are means over `seconds` at the end of the feed; where the pressure never rose (`is_open`)
    the hole is larger than `low`. Diameters in mm; `certified` by 40 CFR 1066.985; `discharge` is the coefficient at
    that flow. `chance_of_leak` is that of a hole from LEAK_MM on. `is_filling`: gas was fed and nothing came to rest.
    """

    flow: Floats
    gauge: Floats
    seconds: Floats
    diameter: Floats
    low: Floats
    high: Floats
    certified: Floats
    certified_low: Floats
    certified_high: Floats
    discharge: Floats
    chance_of_leak: Floats
    is_open: Flags
    is_filling: Flags

    @property
    def is_told(self) -> Flags:
        """The recordings that say something of a leak."""
        return np.isfinite(self.flow)


class _Feed(NamedTuple):
    """Flow fed and flow that fills the tank, below 0 where it empties [l/min], overpressure [Pa], over so many seconds,
    of which half had passed so long after the feed began [s]."""

    flow: float
    filling: float
    gauge: float
    seconds: float
    fed_s: float
    is_filling: bool


_NO_FEED = _Feed(np.nan, np.nan, np.nan, np.nan, np.nan, False)


def read_steady_flows(
    recordings: Recordings,
    shown: Shown,
    air: Air,
    volume: VaporSpace,
    discharge: float,
    level: float,
) -> SteadyFlow | None:
    """Read every recording's feed; None where no recording of the batch has any.

    Parameters
    ----------
    shown : its zero, and how well that is known; what the shut tank did before gas was fed: its fuel may go on to give
        off as much, which then feeds the hole too. Where no closed phase tells it, none is reckoned with.
    volume : for what still fills it.
    """
    if recordings.flow is None:
        return None
    zero_sd = shown.vented.zero_sd
    # What flow [l/min] a tank takes in whose pressure rises by 1 Pa/s.
    per_pa_s = (
        60 * volume.working_l / STANDARD_PRESSURE_PA * _STANDARD_K / (air.temperature_c + ZERO_CELSIUS_K)
    )
    feeds = [_feed_of(recordings, k, shown.vented.zero[k], per_pa_s[k]) for k in range(len(recordings))]
    fed_in, filling, gauge, seconds, fed_s, is_filling = np.array(feeds, float).reshape(-1, 6).T
    fed = np.maximum(fed_in - filling, 0.0)
    floor = np.maximum(_LEAST_PRESSURE_PA, 3 * zero_sd)
    is_open = np.isfinite(fed) & (gauge < floor)
    drop = np.where(is_open, floor, gauge)
    meter_sd = np.hypot(METER_L_MIN, np.hypot(_METER_SHARE, _GAS_SHARE) * fed_in)
    flow_sd = np.hypot(meter_sd, np.hypot(volume.log_sd, _FILLING_SHARE) * np.abs(filling))
    z = ndtri((1 + level) / 2)
    own = np.maximum(np.nan_to_num(shown.closed.rate), 0) * per_pa_s
    least = np.maximum(fed - z * flow_sd, 0.0)
    most = np.maximum(fed, fed_in - filling + own) + z * flow_sd
    deeper, shallower = drop + z * zero_sd, np.maximum(drop - z * zero_sd, 0.2 * drop)
    vapor = vapor_share(air.temperature_c, air.pressure_pa)
    # Gas that is fed drives out the tank's own, with its fuel vapor, and takes up what fuel restores meanwhile. The
    # bounds: a hole behind the canister's carbon, which keeps that vapor, and all that a volatile fuel gives up.
    much = np.minimum((1 + VAPOR_SHARE_SD) * vapor, MOST_VAPOR)
    left, restored = _flushed(fed / per_pa_s / (air.pressure_pa + drop) / 60, fed_s)
    none = np.zeros(len(vapor))
    low = _hole(least * (1 - left * np.minimum(vapor, MOST_VAPOR)), deeper, air, discharge, none, none)
    middle = _hole(fed, drop, air, discharge, left * vapor, restored * vapor)
    high = _hole(most, shallower, air, discharge, much, much)
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = ndtr((middle - LEAK_MM) / (high - low) * 2 * z)

    def closed(values: Floats) -> Floats:
        return np.where(is_open, np.nan, values)

    return SteadyFlow(
        flow=fed,
        gauge=gauge,
        seconds=seconds,
        diameter=closed(middle),
        low=low,
        high=closed(high),
        certified=closed(_certified(fed, drop, air)),
        certified_low=_certified(least, deeper, air),
        certified_high=closed(_certified(fed + z * flow_sd, shallower, air)),
        discharge=_discharge(middle, drop, air, discharge),
        chance_of_leak=np.where(is_open, 1.0, chance),
        is_open=is_open,
        is_filling=is_filling > 0,
    )


def _flushed(per_s: Floats, fed_s: Floats) -> tuple[Floats, Floats]:
    """Return the vapor in a tank's gas, over what it was before gas was fed at so many of the tank's volumes a second
    (`per_s`) for `fed_s` [s], and that which the fuel restores meanwhile in what flows out, over the same.

    The gas is taken as mixed, and vapor that is missing as restored with GIVEN_BACK_S.
    """
    both = per_s + 1 / GIVEN_BACK_S
    gone = per_s / both * -np.expm1(-both * fed_s)
    return 1 - gone, gone / (per_s * GIVEN_BACK_S + 1e-12)


def _hole(fed: Floats, drop: Floats, air: Air, discharge: float, vapor: Floats, restored: Floats) -> Floats:
    """Return the hole [mm] that lets out what is fed, a share of it `vapor`, of which a share `restored` of the whole
    evaporates meanwhile."""
    gravity = gravity_with_vapor(vapor, NITROGEN_GRAVITY)
    out = fed / (1 - restored)
    return hole_of_steady_flow_mm(out, drop, air.pressure_pa, air.temperature_c, discharge, gravity)


def _certified(flow: Floats, drop: Floats, air: Air) -> Floats:
    """Return the diameter [mm] by the rule's equation, which knows of no vapor."""
    kpa = air.pressure_pa / 1e3
    kelvin = air.temperature_c + ZERO_CELSIUS_K
    inches = effective_diameter_in(flow * _M3_S_PER_L_MIN, kpa + drop / 1e3, kpa, kelvin, NITROGEN_GRAVITY)
    return inches * _MM_PER_INCH


def _discharge(hole: Floats, drop: Floats, air: Air, discharge: float) -> Floats:
    """Return the discharge coefficient [1] of such a hole [mm], nan without one."""
    density = air_density(air.pressure_pa + drop, air.temperature_c) * NITROGEN_GRAVITY
    coefficient = discharge_at(hole, drop, density, air_viscosity(air.temperature_c), discharge)
    return np.where(hole > 0, coefficient, np.nan)


def _feed_of(recordings: Recordings, k: int, zero: float, per_pa_s: float) -> _Feed:
    """Find the last stretch in which gas was fed into the shut system, and where it came to rest at its end."""
    rows = recordings.rows(k)
    assert recordings.flow is not None
    t, above, flow = recordings.t[rows], recordings.pressure[rows] - zero, recordings.flow[rows]
    is_read = recordings.is_vent_closed[rows] & (recordings.duty[rows] <= 0) & np.isfinite(flow)
    is_fed = recordings.is_fed[rows]
    if not is_fed.any():
        return _NO_FEED
    last = np.flatnonzero(is_fed)[-1]
    # Between two flows, and after the last one, a regulator may hold a tight system with no flow at all.
    is_fed = is_fed | is_read & (above > 4 * _LEAST_PRESSURE_PA) & np.logical_or.accumulate(is_fed)
    gap = np.flatnonzero(~is_fed[: last + 1])
    begin = gap[-1] + 1 if len(gap) else 0
    end = _regulated_until(t, above, is_fed, last)
    if end - begin < _FEWEST_SAMPLES:
        return _NO_FEED
    t, above, flow = t[begin:end], above[begin:end], flow[begin:end]
    for seconds in _STRETCHES_S:
        late = t >= t[-1] - seconds
        if t[-1] - t[0] < seconds or late.sum() < _FEWEST_SAMPLES:
            continue
        fed = float(flow[late].mean())
        rises, changes = np.polyfit(t[late], np.stack([above[late], flow[late]], axis=1), 1)[0].tolist()
        filling, changed = rises * per_pa_s, abs(changes) * seconds
        is_still = abs(filling) <= _MOST_FILLING * fed + METER_L_MIN
        if is_still and changed <= _STILL_FLOW * fed + METER_L_MIN:
            return _Feed(
                *(fed, filling, float(above[late].mean())),
                *(seconds, float(t[-1] - t[0] - seconds / 2), False),
            )
    return _NO_FEED._replace(is_filling=True)


def _regulated_until(t: Floats, above: Floats, is_fed: Flags, last: int) -> int:
    """Return the row behind the feed's end: a supply that flows no more after row `last` still holds the pressure, if
    that stays where it was for the shortest stretch; else it was shut off there, and what follows is a decay."""
    ends = np.flatnonzero(~is_fed[last:])
    end = last + int(ends[0]) if len(ends) else len(t)
    late = above[last + 1 : end][t[last + 1 : end] >= t[end - 1] - _STRETCHES_S[-1]]
    may_fall = max(_LEAST_PRESSURE_PA, _KEEPS * above[last])
    is_kept = t[end - 1] - t[last] >= _STRETCHES_S[-1] and above[last] - late.mean() <= may_fall
    return end if is_kept else last + 1
