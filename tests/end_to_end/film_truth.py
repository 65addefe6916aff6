"""What is true of a recording of the film tank, and the marks set before any recording existed.

The tank (`film_tank.py`) has a fuel surface film with its own temperature and carbon that gives gas back slowly.

Effective leak diameter (contract, "Leak size"): the sharp-edged hole with the same flow, coefficient 0.61 at high
Reynolds number. A real hole is compared at half the vacuum that the hold began with. Cracks, whose flow does not go
with the root of the vacuum, have no diameter that holds over a hold: they count by verdict only (`is_sized`).
A system counts as tight when its seams together pass less than a sharp hole of TIGHT_MM.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

CD = 0.61
TIGHT_MM = 0.12
AIR_VISCOSITY_PA_S, AIR_KG_M3 = 1.81e-5, 1.2

RIGHT_SHARE, SURE_WRONG_SHARE, NOT_JUDGED_SHARE, SURE = 0.97, 0.01, 0.05, 0.9
MEDIAN_ERROR = {(0.25, 0.5): 0.20, (0.5, 1.0): 0.06, (1.0, 10.0): 0.03}
COVER_LEAST, COVER_MOST, TIGHT_BELOW_LIMIT = 0.90, 0.99, 0.95

VERDICT_OF = {
    "tight": "holds",
    "hole": "leak",
    "crack": "leak",
    "cap_off": "gross_leak",
    "vent_stuck_open": "gross_leak",
    "purge_stuck_shut": "no_vacuum",
    "purge_passes": "purge_passes_closed",
    "vent_clogged": "vent_restricted",
    "sensor_stuck": "sensor_flat",
    "sensor_shifted": "sensor_offset",
    "volts_part": "sensor_disagrees",
    "no_test": "not_judged",
    "cut_short": "not_judged",
}


def hole_flow_m3_s(diameter_m: float, drop_pa: float, thickness: float, coefficient: float) -> float:
    """Flow of a hole as thick as `thickness` diameters.

    Discharge after Lichtarowicz, Duggins and Markland 1965 (from memory): 1/C = 1/Cu + 20 (1 + 2.25 l/d) / Re,
    Re of the ideal speed.
    """
    speed = math.sqrt(2.0 * drop_pa / AIR_KG_M3)
    reynolds = AIR_KG_M3 * speed * diameter_m / AIR_VISCOSITY_PA_S
    discharge = 1.0 / (1.0 / coefficient + 20.0 * (1.0 + 2.25 * thickness) / max(reynolds, 1e-9))
    return discharge * math.pi / 4.0 * diameter_m**2 * speed


def effective_mm(flow_m3_s: float, drop_pa: float) -> float:
    """Diameter of the sharp-edged hole that passes `flow_m3_s` at `drop_pa`."""
    low, high = 1e-6, 0.1
    for _ in range(60):
        middle = 0.5 * (low + high)
        if hole_flow_m3_s(middle, drop_pa, 0.0, CD) < flow_m3_s:
            low = middle
        else:
            high = middle
    return 1e3 * low


@dataclass(frozen=True)
class Seen:
    """What the true pressures of a recording and of its tight twin say; vacuums are positive."""

    cause: str
    peak_pa: float
    """Vacuum when the purge shut."""
    twin_peak_pa: float
    half_life_s: float
    """Time after the purge shut in which half of it was gone; the hold's length if it was never."""
    interval_s: float
    """Mean time between samples."""
    grain_pa: float
    """The larger of the noise's standard deviation and the quantization step."""
    hold_s: float
    leak_gain_pa: float
    """Pressure at the hold's end above the twin's, each counted from its own value at the hold's start."""
    own_gain_pa: float
    """What the tight twin gained in the hold by vapor and warmth."""
    own_hole_mm: float
    """Sharp hole that would bring what the recording's tight twin gained in the second half of the hold."""
    hold_fall_pa: float
    """Fall of the true pressure from 5 s after the start of the hold to its end."""
    creep_pa: float
    """Largest move of the true pressure while the vent was shut."""
    release_s: float
    kept_share: float
    """Share of the vacuum at the release that was there 6 s after it (or at the recording's end)."""
    release_pa: float
    rest_s: float
    has_volts: bool


def is_ambiguous(seen: Seen) -> bool:
    """Say whether a careful engineer could not tell this verdict from its neighbor by what was recorded."""
    cause, grain = seen.cause, seen.grain_pa
    if cause in ("hole", "crack"):
        is_quick = seen.half_life_s < 4.0 or seen.half_life_s < 5.0 * seen.interval_s
        never_built = seen.peak_pa < 0.3 * seen.twin_peak_pa
        is_small = seen.leak_gain_pa < max(6.0 * grain, 0.6 * seen.own_gain_pa, 60.0)
        return is_quick or never_built or is_small
    if cause in ("cap_off", "vent_stuck_open"):
        is_unseen = seen.peak_pa < 3.0 * grain
        has_built = seen.peak_pa > 0.2 * seen.twin_peak_pa
        return is_unseen or has_built or seen.half_life_s > 1.5
    if cause == "tight":
        return seen.own_hole_mm > 0.3
    if cause == "purge_stuck_shut":
        return seen.creep_pa < 4.0 * grain
    if cause == "purge_passes":
        return seen.hold_fall_pa < max(8.0 * grain, 80.0)
    if cause == "vent_clogged":
        return seen.release_s < 6.0 or seen.kept_share < 0.4 or seen.release_pa < max(300.0, 10.0 * grain)
    if cause == "sensor_stuck":
        return seen.creep_pa < 400.0
    if cause == "sensor_shifted":
        return seen.rest_s < 3.0 and seen.release_s < 5.0
    if cause == "volts_part":
        return not seen.has_volts or seen.creep_pa < 400.0
    return False


def is_sized(seen: Seen, has_level: bool, is_clipped: bool) -> bool:
    """Say whether the diameter counts: a plain hole, a known level, no vacuum beyond the sensor's end."""
    return seen.cause == "hole" and has_level and not is_clipped
