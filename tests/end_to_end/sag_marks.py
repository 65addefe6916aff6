"""What counts as right of each recording, and which no record could tell.

A leak is clear where the hold loses visibly more vacuum than the same tank without it would (a tenth of the vacuum,
half of what vapour and heat take, four of the noise, two steps, three heads of fuel in the sensor's hose, 40 Pa), from
at least 600 Pa, over at least 4 s.
It is gross (contract: "vacuum cannot build and is gone at once") below 300 Pa and gone within 1.5 s; what lies between
is ambiguous. A tight tank is clear where vapour and heat take no more than 0.3 of 1 kPa or more in 30 s or more.
No vacuum is clear where the sealed tank is seen to creep; without creep it may as well be a gross leak. A flat sensor
is clear where it stands 100 Pa and more from rest; nearer, an open vent would show no more. A purge valve that passes
is clear where vacuum builds with it shut, a blocked vent where vacuum stays 3 s after it opened, an offset from 600 Pa.
A steady flow is ambiguous always: no column tells that gas is fed. So is a draw that fell between two samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.sag_fleet import Fleet
from tests.end_to_end.sag_recorder import Written
from tests.end_to_end.sag_tank import (
    AIR_KG_MOL,
    CLOSED,
    FUEL_KG_MOL,
    GAS,
    HOLD,
    HOLD_AGAIN,
    RELEASE,
    Course,
    flow,
    same_sharp_hole_m,
)


@dataclass
class Mark:
    verdict: str
    also_fair: str | None
    is_ambiguous: bool
    diameter_mm: float


@dataclass
class Seen:
    """The true course of the last hold: start, end [Pa gauge], its length and the time to lose 0.8 of it [s]."""

    start: float
    end: float
    lasts_s: float
    gone_s: float


def seen(course: Course, i: int) -> Seen:
    phase = course.phase[:, i]
    hold = np.flatnonzero(phase == (HOLD_AGAIN if (phase == HOLD_AGAIN).any() else HOLD))
    if len(hold) == 0:
        return Seen(0.0, 0.0, 0.0, 0.0)
    held = course.gauge_pa[hold, i]
    gone = np.flatnonzero(np.abs(held) < 0.2 * abs(held[0]))
    return Seen(float(held[0]), float(held[-1]), 0.1 * len(hold), 0.1 * float(gone[0]) if len(gone) else 1e9)


def diameters_mm(fleet: Fleet, course: Course) -> np.ndarray:
    """Return the sharp-edged hole with the same flow at the hold's mean pressure, in the gas that then flows [mm]."""
    t = fleet.tanks
    held = (course.phase == HOLD) | (course.phase == HOLD_AGAIN)
    top = np.max(np.abs(course.gauge_pa) * held, axis=0)
    used = held & (np.abs(course.gauge_pa) > 0.1 * top)
    count = np.maximum(used.sum(axis=0), 1)
    mean = np.where(top > 1, (course.gauge_pa * used).sum(axis=0) / count, -2000.0)
    share = (course.vapour_share * used).sum(axis=0) / count
    pressure = t.ambient_pa + mean
    gas = pressure / (GAS * t.wall_k) * (AIR_KG_MOL + share * (FUEL_KG_MOL - AIR_KG_MOL))
    density = np.where(mean > 0, gas, t.ambient_pa * AIR_KG_MOL / (GAS * t.ambient_k))
    dp = np.maximum(np.abs(mean), 1.0)
    size = np.maximum(1 - t.leak_gives * mean / 2500, 0.2)
    return 1000 * same_sharp_hole_m(size * flow(t.leak_a, t.leak_b, density, dp), density, dp)


def mark(fleet: Fleet, course: Course, twin: Course, i: int, written: Written, diameter_mm: float) -> Mark:
    """Say what is right of recording i; `twin` is the same vehicle without its leak."""
    said = _told(fleet, course, twin, i, written, diameter_mm)
    is_purge_unseen = fleet.kind[i] == "draw" and not (written.recording.purge_duty_pct > 0).any()
    said.is_ambiguous |= is_purge_unseen
    return said


def _told(fleet: Fleet, course: Course, twin: Course, i: int, written: Written, diameter_mm: float) -> Mark:
    kind, fault = fleet.kind[i], fleet.fault[i]
    show = max(4 * written.noise_pa, 2 * written.step_pa, 3 * float(fleet.sag_pa[i]), 40.0)
    if kind == "routine":
        return Mark("not_judged", None, False, 0.0)
    if kind == "steady":
        return Mark("not_judged", "leak", True, diameter_mm)
    if fault in ("leak", "gross", "vent_stuck_open"):
        return _leak(seen(course, i), seen(twin, i), show, diameter_mm, kind == "fill")
    verdict, fair, is_clear = _others(fleet, course, i, show, written)
    is_ambiguous = not is_clear or (written.share_clipped > 0.02 and fault == "sensor_offset")
    return Mark(verdict, fair if is_ambiguous else None, is_ambiguous, 0.0)


def _leak(own: Seen, tight: Seen, show: float, diameter_mm: float, is_fill: bool) -> Mark:
    natural = abs(tight.start - tight.end)
    excess = abs(own.start - own.end) - natural
    if abs(own.start) < 300 or own.gone_s < 1.5:
        is_clear = abs(own.start) < 300 and own.gone_s < 1.5 and abs(own.start) > show and not is_fill
        fair = None if is_clear else ("leak" if abs(own.start) > show else "no_vacuum")
        return Mark("gross_leak", fair, not is_clear, diameter_mm)
    if abs(own.start) < 600 or own.gone_s < 4:
        return Mark("leak", "gross_leak", True, diameter_mm)
    is_shown = excess >= max(0.1 * abs(own.start), 0.5 * natural, show) and own.lasts_s >= 10
    return Mark("leak", None if is_shown else "holds", not is_shown, diameter_mm)


def _others(
    fleet: Fleet, course: Course, i: int, show: float, written: Written
) -> tuple[str, str | None, bool]:
    """Return verdict, what is fair beside it, and whether the record shows it."""
    own, fault = seen(course, i), fleet.fault[i]
    gauge, phase = course.gauge_pa[:, i], course.phase[:, i]
    if fault == "tight":
        is_kept = abs(own.start - own.end) <= 0.3 * abs(own.start)
        return "holds", "leak", is_kept and abs(own.start) >= 1000 and own.lasts_s >= 30
    if fault == "no_vacuum":
        shut = gauge[(phase >= CLOSED) & (phase < RELEASE)]
        return "no_vacuum", "gross_leak", float(np.ptp(shut)) >= max(show, 60.0)
    if fault == "purge_passes":
        closed = gauge[phase == CLOSED]
        builds = len(closed) > 30 and closed[0] - closed[-1] >= max(show, 100.0)
        deepens = own.start > -3000 and own.start - own.end >= max(show, 150.0)
        return "purge_passes_closed", "holds", builds or deepens
    if fault == "vent_restricted":
        after = gauge[phase == RELEASE]
        stays = len(after) > 40 and after[30] < min(0.3 * own.end, -300.0) and own.end < -800
        return "vent_restricted", "holds", stays
    if fault == "sensor_flat":
        stands = float(np.median(written.recording.tank_pressure_pa))
        return "sensor_flat", "gross_leak", float(np.ptp(gauge)) > 500 and abs(stands) > 100
    if fault == "sensor_offset":
        return "sensor_offset", "holds", abs(fleet.tanks.seen_offset_pa[i]) >= 600
    return "sensor_disagrees", None, abs(own.start) > 1000
