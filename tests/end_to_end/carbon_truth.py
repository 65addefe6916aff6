"""What is true of a recording of the ninth author, written before any recording existed.

His peculiarity is the canister: a bed of activated carbon that joins the tank by a line, holds fuel vapor at a
partial pressure of its own, takes it up and gives it back, stands in the path of the vent, and may have the leak
on its far side. Truth follows the fault that was built in, and what the gas did; never what a recording looks like.

Verdicts, in physical terms
---------------------------
- `holds`: what passes to the outside passes less than a hole of 0.25 mm. From 0.15 mm `leak` is fair as well;
  so it is where fuel alone gave back more than 35 % of the vacuum (a technician would call that a leak).
- `leak`: a hole of 0.25 mm or more that leaves a decay: it alone takes at least 3 s to halve what the hold began
  with. Between 1 and 3 s `gross_leak` is fair as well. `holds` is fair where the hole did not show: it moved the
  pressure by less than half of what all else did, or by less than six times the recording's floor.
- `gross_leak`: the half is gone within 1 s, or less than 150 Pa (or six floors) was ever built against it, or the
  vent path stays open. `no_vacuum` is fair as well where less than four floors were ever built.
- `no_vacuum`: the purge passes at most a hundredth of its flow. Where the closed tank crept by less than 30 Pa or
  six floors, nothing tells it from a gross leak, and both are fair.
- `purge_passes_closed`: the shut purge valve passes to the manifold. `holds` is fair where with both valves shut
  the pressure never fell by 30 Pa and six floors, within the sensor's range: fumes made up for it.
- `vent_restricted`: the vent path is all but blocked. `holds` is fair where the recording did not get to see it:
  less than 30 % of the vacuum, or less than six floors, was left when the recording ended or 3 s had passed, or it
  ended within 1 s of the vent's opening.
- `sensor_flat`: one reading, whatever the tank does. Stuck within four floors of nothing, `gross_leak` is fair; so is
  `sensor_offset` for one stuck 300 Pa or more off over a tank that never moved by 200 Pa or six floors itself.
- `sensor_offset`: 300 Pa and more off at the vented rest; a leak beneath it is fair as well.
- `sensor_disagrees`: volts that tell another pressure, by 30 % of it or by 300 Pa.
- `not_judged`: no test was run, or it was cut off before 4 s of a hold; under 10 s it is fair beside what is true.
A recording for which two verdicts are fair is ambiguous: clear verdicts are counted over the others.

The floor of a recording is the larger of its step and twice its noise [Pa].

Diameter: the sharp-edged orifice of discharge coefficient 0.61 at high Reynolds number (viscous loss as of
`reference_flow`) that passes as much of the same gas, at the tank's pressures through the hold. Sized: a leak,
alone of its kind, of known tank and fuel level, with 400 Pa at the start and 20 s of a hold (or a steady flow).

Marks: those of the issue, as constants below.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray
CLEAR_RIGHT, SURE_AND_WRONG, NOT_JUDGED = 0.97, 0.01, 0.05
SURE = 0.9
BANDS_MM = ((0.25, 0.5), (0.5, 1.0), (1.0, 99.0))
MEDIAN_ERROR = (0.20, 0.06, 0.03)
COVERAGE = (0.90, 0.99)
BOUND_ABOVE_HOLE = 0.95
VISCOUS = 25.0
"""Sharp-edged orifice: Cd = 0.61 / sqrt(1 + 25 / Re). At creeping flow 0.12 sqrt(Re), near what is measured there
(from memory: 0.13 to 0.16); at Re 1,000 1.2 % below 0.61."""
CD = 0.61


def reference_loss(diameter_m: Array, density: Array, viscosity: Array) -> tuple[Array, Array]:
    """Return a [Pa s/m3] and b [Pa s2/m6] of the reference orifice: its pressure loss is a Q + b Q^2."""
    area = np.pi / 4 * diameter_m**2
    per_area = 1 / (2 * CD**2 * area)
    return VISCOUS * viscosity * per_area / diameter_m, density * per_area / area


def reference_flow(diameter_m: Array, drop_pa: Array, density: Array, viscosity: Array) -> Array:
    """Volume flow [m3/s, at the density upstream] through the reference orifice, without expansion."""
    a, b = reference_loss(diameter_m, density, viscosity)
    return 2 * drop_pa / (a + np.sqrt(a * a + 4 * b * drop_pa))


def equivalent_mm(flow: Array, drop_pa: Array, density: Array, viscosity: Array) -> Array:
    """Diameter [mm] of the reference orifice that passes `flow` [m3/s] at `drop_pa`; NaN where nothing flows."""
    low, high = np.full_like(flow, 1e-6), np.full_like(flow, 0.2)
    for _ in range(50):
        middle = np.sqrt(low * high)
        is_small = reference_flow(middle, drop_pa, density, viscosity) < flow
        low, high = np.where(is_small, middle, low), np.where(is_small, high, middle)
    return np.where((flow > 0) & (drop_pa > 0), 1e3 * low, np.nan)


@dataclass(frozen=True)
class Fact:
    """What was built into one recording, and what its gas did. Pressures [Pa] without sign."""

    fault: str
    course: str
    hole_mm: float
    start_pa: float
    hold_s: float
    half_life_s: float
    hole_pa: float
    other_pa: float
    gave_back: float
    floor_pa: float
    crept_pa: float
    fell_pa: float
    left_pa: float
    left_share: float
    stuck_pa: float
    tank_moved_pa: float
    offset_pa: float
    is_leaking_too: bool
    is_volume_known: bool


Told = tuple[str, str | None]


def _hole(fact: Fact) -> Told:
    floor = 6 * fact.floor_pa
    if fact.fault == "vent_open" or fact.start_pa < max(150.0, floor):
        faint = "no_vacuum" if fact.start_pa < 4 * fact.floor_pa else None
        return "gross_leak", faint or (None if fact.fault == "vent_open" or fact.hole_mm > 8 else "leak")
    if fact.course != "steady" and fact.half_life_s < 3:
        if fact.half_life_s < 1:
            return "gross_leak", None
        return ("gross_leak", "leak") if fact.half_life_s < 1.7 else ("leak", "gross_leak")
    if fact.hole_mm < 0.25:
        return "holds", "leak"
    is_seen = fact.course == "steady" or fact.hole_pa > max(0.5 * fact.other_pa, floor)
    return "leak", None if is_seen else "holds"


def _holds(fact: Fact) -> Told:
    is_near = fact.hole_mm >= 0.15 or fact.gave_back > 0.35
    return "holds", "leak" if is_near else None


def _told(fact: Fact) -> Told:
    floor = max(30.0, 6 * fact.floor_pa)
    match fact.fault:
        case "none":
            return _holds(fact)
        case "no_vacuum":
            return "no_vacuum", None if fact.crept_pa > floor else "gross_leak"
        case "purge_passes":
            is_plain = fact.fell_pa > floor
            return "purge_passes_closed", "leak" if fact.is_leaking_too else None if is_plain else "holds"
        case "vent_blocked":
            is_plain = fact.left_share > 0.3 and fact.left_pa > 6 * fact.floor_pa
            return "vent_restricted", None if is_plain else "holds"
        case "sensor_flat":
            is_idle = fact.tank_moved_pa < max(200.0, 6 * fact.floor_pa) and abs(fact.stuck_pa) >= 300
            is_off = abs(fact.stuck_pa) > 4 * fact.floor_pa
            return "sensor_flat", "sensor_offset" if is_idle else None if is_off else "gross_leak"
        case "sensor_offset":
            is_plain = abs(fact.offset_pa) >= 300
            return "sensor_offset", "leak" if fact.is_leaking_too else None if is_plain else "holds"
        case "sensor_disagrees":
            return "sensor_disagrees", None
        case "routine" | "cut":
            return "not_judged", None
        case _:
            return _hole(fact)


def told(fact: Fact) -> Told:
    """Return the true verdict, and another that is as fair or None."""
    verdict, also = _told(fact)
    is_short = fact.course != "steady" and fact.hold_s < 10 and verdict in ("holds", "leak")
    return verdict, "not_judged" if is_short else also


def is_sized(fact: Fact, verdict: str) -> bool:
    """Whether the leak's diameter is judged: see the top of this file."""
    is_long = fact.course == "steady" or fact.hold_s >= 20
    is_alone = fact.fault in ("drilled", "crack", "seal", "vent_seat")
    return verdict == "leak" and is_alone and is_long and fact.start_pa >= 400 and fact.is_volume_known
