"""What is true of a recording, and whether it can be seen in it: the marks, written before any recording was made.

All marks are taken from the noise-free course of pressure at the sensor and from its twin: the same tank, fuel, weather
and procedure without the fault. No word of any estimator enters. "Noise" below is the standard deviation of one sample:
sensor noise, quantization and rounding together, and wind.

Size. The diameter of a round sharp-edged hole of which the coefficient at high Reynolds number is `STATED` (0.61, the
tool's own setting), which resists creeping flow as Sampson (1891) has it and otherwise by inertia, through which at the
same pressures the same mass flows of the same gas: of outside air under vacuum, of the tank's own gas under pressure.
What even the sound system lets through (below 0.08 mm) is part of it: both flows together. For a hole whose coefficient
or area changes with pressure: at the time mean of the pressure difference over the last hold, as long as a tenth of the
hold's first difference is left (what comes after shows nothing). Sizes count (`is_sized`) for leaks that are clear or
of which nothing but the verdict's border is in doubt, and of which the last hold keeps 300 Pa or more for 3 s and six
samples.

True verdict. The one fault that was put in; `holds` for a tank with residual leaks below 0.08 mm in all; `not_judged`
for a drive without test. Two faults at once are always ambiguous.

Clear, else `is_ambiguous` and not counted. A fair technician with good equipment sees it in this recording:
  always: no two faults; every phase that decides has 80 % of its samples; the last hold of a test lasts 20 s or more.
  holds: the draw passed 800 Pa, and from 3 s after the hold's start to its end the pressure rises less than through a
    0.25 mm hole in this tank over the same time; from half of that on, `not_judged` is fair too.
  leak: at the hold's start 400 Pa or more and 20 noises; half of that is lost no sooner than 3 s and six samples; at
    the hold's end or at half loss, whichever is first, the course differs from its twin by 8 noises and 60 Pa, and by
    more than the twin itself has risen since the hold's start. Under 1.5 times the twin's rise `not_judged` is fair.
  gross_leak: the twin passes 1200 Pa, the fault keeps the vacuum below a quarter of the twin's, and half of what there
    was is lost within 1.5 s of the purge's shutting. Where the draw shows less than 6 noises or 30 Pa, `no_vacuum` is
    fair too. A hole between this and a clear leak is ambiguous.
  no_vacuum: the twin passes 800 Pa, the fault stays within 60 Pa and 5 % of the twin. Where the shut tank creeps by
    less than 6 noises or 40 Pa, `gross_leak` is fair too.
  purge_passes_closed: with the vent shut and the purge shut the course falls, before the draw or in the last hold, by
    10 noises and 100 Pa more than the twin, and by 60 Pa and 6 noises in itself.
  vent_restricted: 4 s after the vent opened again there stand 40 % and 400 Pa or more of what stood before, where the
    twin has less than 10 %; or with the vent open at rest the tank stands 400 Pa or more below the outside.
  sensor_flat: the twin's pressure spans 800 Pa or more, the reading less than 30 Pa.
  sensor_offset: 250 Pa or more and 8 noises away from the outside at vented rest, and no reading at the sensor's end.
  sensor_disagrees: volts and pressure are both recorded and differ, as a pressure, by 200 Pa or more at some time
    other than by a constant, in a draw of 800 Pa or more.
  not_judged: the vent is never shut.
  Under pressure from outside: as `holds` and `leak` with pressure for vacuum; `not_judged` is always fair too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.end_to_end.saddle_course import (
    CLOSED,
    DRAW,
    FILLING,
    GAUGE_PA,
    HOLD,
    PAUSE,
    PHASE,
    RELEASE,
    REST,
    T_S,
)
from tests.end_to_end.saddle_holes import VISCOSITY_PA_S, hole_flow, sharp_width
from tests.end_to_end.saddle_plan import FILL
from tests.end_to_end.saddle_plans import Case


@dataclass(frozen=True)
class Seen:
    """What the marks are taken from: course and twin, times of the samples, rate [Hz], noise [Pa], volts recorded."""

    course: np.ndarray
    twin: np.ndarray
    at_s: np.ndarray
    hz: float
    noise: float
    has_volts: bool
    reach: tuple[float, float]


@dataclass(frozen=True)
class Mark:
    """Whether a recording is clear, a second fair verdict, and why it is not clear."""

    is_clear: bool
    also_fair: str | None = None
    why: str = ""
    is_sized: bool = False


def size_mm(flow: float, facts: np.ndarray) -> float:
    """Return the diameter [mm] of the sharp-edged hole with a flow [m3/s] at the FACTS of the last hold."""
    return 1000 * sharp_width(flow, facts[2], facts[2] - facts[1], facts[3], facts[4])


def mark(case: Case, seen: Seen) -> Mark:
    """Return the mark of a recording, by the rules at the head of this file."""
    if case.kind == "two":
        return Mark(False, why="two faults")
    if case.verdict == "not_judged":
        return Mark(True)
    hold = _phase(seen.course, HOLD)
    if len(hold) == 0 or hold[-1, T_S] - hold[0, T_S] < 20:
        return Mark(False, why="short hold")
    decisive = [HOLD, FILLING] if case.plan["mode"] == FILL else [HOLD, DRAW]
    if case.verdict == "vent_restricted":
        decisive.append(RELEASE)
    if any(_share_missing(seen, phase) > 0.2 for phase in decisive):
        return Mark(False, why="gap")
    found = _RULES[case.verdict](case, seen)
    if case.plan["mode"] == FILL:
        return Mark(found.is_clear, "not_judged", found.why, found.is_sized)
    return found


def _phase(course: np.ndarray, phase: int) -> np.ndarray:
    return np.asarray(course[course[:, PHASE] == phase])


def _share_missing(seen: Seen, phase: int) -> float:
    rows = _phase(seen.course, phase)
    if len(rows) == 0:
        return 1.0
    start, end = rows[0, T_S], rows[-1, T_S]
    at = seen.at_s[(seen.at_s >= start) & (seen.at_s <= end)]
    steps = np.diff(np.concatenate([[start], at, [end]]))
    return float(np.maximum(steps - 2.5 / seen.hz, 0).sum() / max(end - start, 1.0))


def _hold(case: Case, course: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return time since the hold's start [s] and what is left of the vacuum or pressure [Pa]."""
    rows = _phase(course, HOLD)
    sign = 1 if case.plan["mode"] == FILL else -1
    return rows[:, T_S] - rows[0, T_S], sign * rows[:, GAUGE_PA]


def _half_s(t: np.ndarray, left: np.ndarray) -> float:
    """Return when half of the first is lost, or infinity."""
    below = left < left[0] / 2
    return float(t[np.argmax(below)]) if below.any() else np.inf


def _most(course: np.ndarray) -> float:
    """Return the deepest vacuum of the draws [Pa]."""
    rows = course[np.isin(course[:, PHASE], (DRAW, PAUSE, HOLD))]
    return float(-rows[:, GAUGE_PA].min())


def _holds(case: Case, seen: Seen) -> Mark:
    t, left = _hold(case, seen.course)
    if left.max() < 800:
        return Mark(False, why="shallow draw")
    late = t >= 3
    lost = left[late][0] - left[-1]
    outside = case.plan["ambient_pa"]
    rho = outside * 0.028965 / (8.314462618 * case.plan["ambient_k"])
    flows = [
        hole_flow(0, 0.25e-3, 0.0, 0.0, 0.61, outside, outside - p, rho, VISCOSITY_PA_S[0])
        for p in left[late][::20]
    ]
    volume = case.plan["tank_m3"] + case.plan["saddle_m3"] + case.plan["canister_m3"]
    volume += outside * 1.3 * case.plan["gives_m3_pa"]
    allowed = float(np.mean(flows)) * outside / volume * (t[-1] - 3)
    share = lost / allowed
    return Mark(share < 1, "not_judged" if share > 0.5 else None, "rises as a leak" if share >= 1 else "")


def _leak(case: Case, seen: Seen) -> Mark:
    t, left = _hold(case, seen.course)
    t_twin, left_twin = _hold(case, seen.twin)
    half = _half_s(t, left)
    end = min(half, t[-1], t_twin[-1])
    own = left_twin[0] - float(np.interp(end, t_twin, left_twin))
    lost = left[0] - float(np.interp(end, t, left))
    is_seen = lost - own >= max(8 * seen.noise, 60)
    keeps = float(np.interp(max(3, 6 / seen.hz), t, left)) >= 300
    if not is_seen:
        return Mark(False, why="leak not seen")
    if left[0] < max(400, 20 * seen.noise) or half < max(3, 6 / seen.hz):
        return Mark(False, why="leak nearly gross", is_sized=keeps)
    if lost - own < own:
        return Mark(False, why="rise hides leak", is_sized=keeps)
    return Mark(True, "not_judged" if lost - own < 1.5 * own else None, is_sized=keeps)


def _gross(case: Case, seen: Seen) -> Mark:
    most, most_twin = _most(seen.course), _most(seen.twin)
    t, left = _hold(case, seen.course)
    if most_twin < 1200 or most > most_twin / 4 or (left[0] > 30 and _half_s(t, left) > 1.5):
        return Mark(False, why="gross nearly leak")
    return Mark(True, "no_vacuum" if most < max(6 * seen.noise, 30) else None)


def _no_vacuum(case: Case, seen: Seen) -> Mark:
    most, most_twin = _most(seen.course), _most(seen.twin)
    if most_twin < 800 or most > min(60, 0.05 * most_twin):
        return Mark(False, why="some vacuum")
    shut = seen.course[np.isin(seen.course[:, PHASE], (CLOSED, DRAW, PAUSE, HOLD)), GAUGE_PA]
    crept = float(np.abs(shut - shut[0]).max())
    return Mark(True, "gross_leak" if crept < max(6 * seen.noise, 40) else None)


def _passes(case: Case, seen: Seen) -> Mark:
    enough, itself = max(10 * seen.noise, 100), max(6 * seen.noise, 60)
    for phase in (CLOSED, HOLD):
        rows, twin = _phase(seen.course, phase), _phase(seen.twin, phase)
        if len(rows) < 2 or len(twin) < 2:
            continue
        fall = rows[0, GAUGE_PA] - rows[-1, GAUGE_PA]
        if fall >= itself and fall - (twin[0, GAUGE_PA] - twin[-1, GAUGE_PA]) >= enough:
            return Mark(True)
    return Mark(False, why="passes little")


def _restricted(case: Case, seen: Seen) -> Mark:
    rest = _phase(seen.course, REST)
    if (rest[:, GAUGE_PA] <= -400).mean() > 0.8:
        return Mark(True)
    left, left_twin = _after_release(seen.course), _after_release(seen.twin)
    if left[1] >= max(400, 0.4 * left[0]) and left_twin[1] < 0.1 * left_twin[0]:
        return Mark(True)
    return Mark(False, why="releases")


def _after_release(course: np.ndarray) -> tuple[float, float]:
    """Return the vacuum [Pa] before the vent opened and 4 s after."""
    rows = _phase(course, RELEASE)
    if len(rows) == 0 or rows[-1, T_S] - rows[0, T_S] < 4:
        return 0.0, 0.0
    later = float(np.interp(rows[0, T_S] + 4, rows[:, T_S], rows[:, GAUGE_PA]))
    return -float(rows[0, GAUGE_PA]), -later


def _flat(case: Case, seen: Seen) -> Mark:
    return Mark(np.ptp(seen.twin[:, GAUGE_PA]) >= 800, why="little to show")


def _offset(case: Case, seen: Seen) -> Mark:
    off = case.plan["sense_offset_pa"]
    told = case.plan["sense_gain"] * seen.course[:, GAUGE_PA] + off
    is_clipped = told.min() <= seen.reach[0] or told.max() >= seen.reach[1]
    return Mark(abs(off) >= max(250, 8 * seen.noise) and not is_clipped, why="small or clipped")


def _disagrees(case: Case, seen: Seen) -> Mark:
    deep = _most(seen.course)
    apart = 1.0 if case.wrong.volts_stuck else abs(case.wrong.told_gain - 1)
    return Mark(seen.has_volts and deep >= 800 and apart * deep >= 200, why="no volts or little apart")


_RULES: dict[str, Callable[[Case, Seen], Mark]] = {
    "holds": _holds,
    "leak": _leak,
    "gross_leak": _gross,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _passes,
    "vent_restricted": _restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": _disagrees,
}
