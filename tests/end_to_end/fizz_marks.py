"""What counts as right for each recording of the fizzing tanks, written before any was judged.

The marks are read off the true course (no noise, no offset), by what the contract says of each verdict, and a
recording is ambiguous where no technician could tell it from the record:

- `leak` and `gross_leak` (contract: vacuum cannot build and is gone at once when the purge shuts). A leak is clear
  where pressure of at least 300 Pa was built and four fifths of it took at least 3 s, and five samples, to go. A gross
  leak is clear where less than 150 Pa was built, or four fifths went within 1 s. Between them: ambiguous.
- A leak is too small to show where what came in by it during the last hold is below 60 Pa, 4 % of the peak, five
  times the noise or three steps of the sensor, or below half of all that the hold rose by: most of it was vapor and
  air out of the fuel then. `holds` is as right as anything there: ambiguous.
- `holds`: at least 500 Pa built, the last hold at least 15 s long, and what was lost not above 30 % of the peak.
- `no_vacuum`: shut long enough to have crept by 25 Pa, five times the noise and three steps (contract: a grossly
  leaking system does not creep). Without creep it may as well leak grossly: ambiguous.
- `purge_passes_closed`: shut, before the draw, it pulled 60 Pa or more, five times the noise, three steps.
- `vent_restricted`: at least 300 Pa built, and after 5 s with the vent open at least 30 % of it left.
- `sensor_flat`: stands 100 Pa or more from zero, since at zero it may be no vacuum as well.
- `sensor_offset`: 200 Pa or more; below it a shop's own zero may be meant. `sensor_disagrees`: volts tell of a
  pressure 300 Pa off at some time.
- Anything with a hold below 15 s, or fewer than 8 samples in the hold, is ambiguous.
- A fill is asked as a draw is; one that does not reach half of 14 inches of water is a gross leak, one that reaches
  it in part is ambiguous, and so is one that never reaches an inch of water (250 Pa): the record holds no command
  that tells of gas being fed, and looks like a shut vent without a test.
- A steady flow leaks where it takes more than a hole of 0.25 mm would; from 0.12 to 0.25 mm it is ambiguous.
- A recording cut off before there was a hold, and a routine one: `not_judged`.

The diameter is the contract's: that of the sharp-edged orifice of the same flow, at half of the pressure built,
or at that of a steady flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.end_to_end.fizz_course import CLOSED, DRAW, DT, FILL, HOLD, PULL, RELEASE, STEADY, Course
from tests.end_to_end.fizz_fleet import Fleet
from tests.end_to_end.fizz_fuel import R
from tests.end_to_end.fizz_holes import effective_mm, flow_m3_s
from tests.end_to_end.recording_frames import Recording

FULL_PA = 3487.2


@dataclass(frozen=True)
class Told:
    """What the true course shows of one recording [Pa, s]; `sign` makes what was built positive."""

    built: float
    lost: float
    by_leak: float
    fall_s: float
    hold_s: float
    closed_change: float
    crept: float
    left: float
    shown_least: float
    samples_in_hold: int


def read(fleet: Fleet, course: Course, i: int) -> Told:
    """Return what the true course shows of recording `i`."""
    phase = course.phase[:, i]
    gauge = course.tank_pa[:, i].astype(float)
    sign = 1.0 if fleet.plan.kind[i] in (FILL, STEADY) else -1.0
    hold = np.flatnonzero(phase == HOLD)
    pull = np.flatnonzero(phase == PULL)
    if len(hold):  # the last hold only
        hold = hold[np.flatnonzero(np.diff(hold, prepend=hold[0] - 2) > 1)[-1] :]
    start = hold[0] if len(hold) else (pull[-1] if len(pull) else 0)
    built = sign * gauge[start]
    lost = built - sign * gauge[hold[-1]] if len(hold) else 0.0
    gone = np.flatnonzero(sign * gauge[hold] < 0.2 * built) if len(hold) else []
    room = (fleet.cars.tank_m3 + fleet.cars.neck_m3 + fleet.cars.canister_m3)[i]
    room += fleet.cars.give_m3_pa[i] * fleet.cars.ambient_pa[i]
    moles = course.leaked_mol[hold[-1], i] - course.leaked_mol[hold[0], i] if len(hold) else 0.0
    closed = np.flatnonzero(phase == CLOSED)
    freed = np.flatnonzero(phase == RELEASE)
    late = freed[min(int(5 / DT), len(freed) - 1)] if len(freed) else start
    return Told(
        built=float(built),
        lost=float(lost),
        by_leak=float(-sign * moles * R * fleet.cars.ambient_k[i] / room),
        fall_s=float(gone[0] * DT) if len(gone) else np.inf,
        hold_s=len(hold) * DT,
        closed_change=float(gauge[closed[-1]] - gauge[closed[0]]) if len(closed) else 0.0,
        crept=float(gauge[hold[-1]] - gauge[closed[0]]) if len(hold) and len(closed) else 0.0,
        left=float(sign * gauge[late] / built) if built > 1 else 0.0,
        shown_least=max(5 * fleet.recorder["noise_pa"][i], 3 * fleet.recorder["step_pa"][i]),
        samples_in_hold=int(len(hold) * DT / fleet.recorder["period_s"][i]),
    )


def mark(fleet: Fleet, course: Course, i: int, recording: Recording) -> dict[str, Any]:
    """Return the row of truth but for the trace's id."""
    told = read(fleet, course, i)
    fault, kind = str(fleet.fault[i]), int(fleet.plan.kind[i])
    # A leak too large for a decay is a gross one by the contract's words.
    if fault == "leak" and kind == DRAW and (told.built < 150 or told.fall_s < 1):
        fault = "gross_leak"
    drop = np.array(max(abs(told.built) * (1.0 if kind == STEADY else 0.5), 50.0))
    diameter = float(effective_mm(flow_m3_s(drop, *(column[i] for column in fleet.cars.leak)), drop))
    if fleet.hole[i] == "vent" or fault not in ("leak", "gross_leak", "holds"):
        diameter = float("nan")
    is_ambiguous = _is_ambiguous(fleet, i, fault, kind, told, recording, diameter)
    verdict = "not_judged" if fault in ("routine", "cut") else fault
    return {
        "verdict": verdict,
        "is_ambiguous": bool(is_ambiguous),
        "diameter_mm": diameter,
        "kind": ("draw", "fill", "steady", "routine")[kind],
        "hole": str(fleet.hole[i]),
        "fault": fault,
        "built_pa": told.built,
        "lost_pa": told.lost,
        "by_leak_pa": told.by_leak,
        "hold_s": told.hold_s,
        "gas_l": float(1e3 * (fleet.cars.tank_m3 + fleet.cars.neck_m3 + fleet.cars.canister_m3)[i]),
        "give_ml_kpa": float(1e9 * fleet.cars.give_m3_pa[i]),
        "jet_1_s": float(fleet.cars.jet_1_s[i]),
        "fuel_l": float(1e3 * fleet.cars.fuel_m3[i]),
    }


def _is_ambiguous(
    fleet: Fleet, i: int, fault: str, kind: int, told: Told, recording: Recording, diameter: float
) -> bool:
    if fault in ("routine", "cut"):
        return False
    if kind == STEADY:
        return 0.12 < diameter < 0.25
    if told.hold_s < 15 or told.samples_in_hold < 8:
        return True
    if kind == FILL and told.built < 0.95 * FULL_PA:
        return fault != "gross_leak" or not 250 < told.built < 0.5 * FULL_PA
    period = float(fleet.recorder["period_s"][i])
    if fault == "leak":
        is_slow = told.built >= 300 and told.fall_s >= max(3.0, 5 * period)
        is_shown = told.by_leak >= max(60.0, 0.04 * told.built, told.shown_least, 0.5 * abs(told.lost))
        return not (is_slow and is_shown)
    if fault == "gross_leak":
        return not (told.built < 150 or told.fall_s < 1)
    if fault == "holds":
        return not (told.built >= 500 and abs(told.lost) < 0.3 * told.built)
    return _is_other_ambiguous(fleet, i, fault, told, recording)


def _is_other_ambiguous(fleet: Fleet, i: int, fault: str, told: Told, recording: Recording) -> bool:
    least = max(60.0, told.shown_least)
    volts = recording.sensor_v
    if fault == "no_vacuum":
        return abs(told.crept) < max(25.0, told.shown_least)
    if fault == "purge_passes_closed":
        return -told.closed_change < least
    if fault == "vent_restricted":
        return told.built < 300 or told.left < 0.3
    if fault == "sensor_flat":
        return abs(float(recording.tank_pressure_pa[0])) < 100
    if fault == "sensor_offset":
        return abs(float(fleet.recorder["offset_pa"][i])) < 200
    meant = (volts - fleet.recorder["rest_v"][i]) / fleet.recorder["v_per_pa"][i]
    return float(np.nanmax(np.abs(meant - recording.tank_pressure_pa), initial=0.0)) < 300
