"""What counts as right for each recording, from the true course alone, settled before anything was judged.

Clear is what the contract's words settle. Ambiguous, with the reason in `why`, are leaks too small to show (below
0.25 mm, or raising the pressure by less than 1.5 Pa/s at three fifths of the target), leaks at the border of a gross
one (less than 500 Pa reached, or half gone within 1.5 s or four looks of the logger), faults that left no trace above
the noise, fills that the sensor cannot follow or that never build, and steady flows, whose flow no column tells.
A leak is sized where its diameter by the contract depends by less than 8 % on the pressure it is asked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.end_to_end.blend_fleet import Fleet
from tests.end_to_end.blend_holes import flow_m3_s
from tests.end_to_end.blend_recorder import TICK_S, Sensors, n_ticks
from tests.end_to_end.blend_tank import Course

WORDS = {
    "tight": "holds",
    "leak": "leak",
    "gross": "gross_leak",
    "no_vacuum": "no_vacuum",
    "passes": "purge_passes_closed",
    "restricted": "vent_restricted",
    "flat": "sensor_flat",
    "offset": "sensor_offset",
    "disagrees": "sensor_disagrees",
}


@dataclass
class Seen:
    """What the true course of one recording came to: pressures in Pa (vacuum positive), times in s."""

    peak: float
    hold_s: float
    half_s: float
    fall_in_hold: float
    left_after_4_s: float
    creep: float
    end_of_hold: float = 0.0


def seen(course: Course, fleet: Fleet, i: int) -> Seen:
    """Measure the true course of recording `i`; the hold is the last closed, undrawn segment."""
    end = n_ticks(course, fleet, i)
    pressure, segment = course.gauge_pa[:end, i].astype(float), course.segment[:end, i]
    is_shut, duty = fleet.orders.is_vent_closed[i], fleet.orders.duty[i]
    shut = is_shut[segment]
    peak = max(-pressure[shut].min(), 0.0) if shut.any() else 0.0
    creep = pressure[shut].max() - pressure[shut][0] if shut.any() else 0.0
    holds = [j for j in range(1, len(duty)) if is_shut[j] and duty[j] == 0 and fleet.orders.seconds[i, j] > 0]
    holds = [j for j in holds if fleet.kind[i] == "fill" or duty[j - 1] > 0]
    if not holds:
        return Seen(peak, 0, 0, 0, 0, creep)
    inside = pressure[segment == holds[-1]]
    if not len(inside):
        return Seen(peak, 0, 0, 0, 0, creep)
    gone = np.flatnonzero(np.abs(inside) < abs(inside[0]) / 2)
    after = pressure[segment > holds[-1]]
    left = abs(after[min(int(4 / TICK_S), len(after) - 1)] / inside[-1]) if len(after) and inside[-1] else 0.0
    half = gone[0] * TICK_S if len(gone) else np.inf
    return Seen(peak, len(inside) * TICK_S, half, inside[0] - inside[-1], left, creep, -inside[-1])


def _why(fleet: Fleet, sensors: Sensors, i: int, it: Seen) -> str:
    """Say why recording `i` is not clear; empty if it is."""
    kind, fault = fleet.kind[i], fleet.fault[i]
    shops, s = fleet.shops, fleet.shop[i]
    blur = sensors.noise_pa[i] + shops.step_pa[s] / 2
    if kind in ("routine", "aborted"):
        return ""
    if kind == "steady":
        return "no column tells the flow"
    if kind == "fill" and fleet.models.sensor_high_pa[fleet.model[i]] < 3700:
        return "the sensor ends below the fill"
    if kind == "fill" and fault == "gross":
        return "the fill never builds"
    if fault == "leak":
        return _why_leak(fleet, i, it)
    if kind == "fill":
        return ""
    unclear = {
        "tight": (
            it.peak < 600 or it.hold_s < 15 or it.fall_in_hold < -0.5 * it.peak,
            "vapor undid the draw",
        ),
        "gross": (not 8 + 2 * blur < it.peak < 300, "too little or too much vacuum for a gross leak"),
        "no_vacuum": (it.creep < 40 + 6 * blur, "no creep tells it from an open path"),
        "passes": (it.fall_in_hold < 60 + 5 * blur, "the purge passes too little"),
        "restricted": (it.end_of_hold < 400 or it.left_after_4_s < 0.4, "the vent lets enough through"),
        "flat": (it.peak < 500, "nothing moved"),
        "offset": (it.peak < 500, "nothing moved"),
        "disagrees": (it.peak < 600 or not sensors.has_volts[i], "no volts to compare"),
    }
    is_unclear, reason = unclear[str(fault)]
    return reason if is_unclear else ""


def _why_leak(fleet: Fleet, i: int, it: Seen) -> str:
    cars = fleet.cars
    at_vent = fleet.place[i] == "vent"
    a, b = (cars.vent_shut_a, cars.vent_shut_b) if at_vent else (cars.leak_a, cars.leak_b)
    reach = 0.6 * (3487 if fleet.kind[i] == "fill" else -fleet.shops.target_pa[fleet.shop[i]])
    rate = cars.ambient_pa[i] * flow_m3_s(np.array(reach), a[i], b[i]) / cars.ullage_m3[i]
    if fleet.diameter_m[i] < 0.25e-3 or rate < 1.5:
        return "too small to show"
    if fleet.kind[i] == "draw" and it.peak < 500:
        return "at the border of a gross leak"
    if it.half_s < max(1.5, 4 / fleet.shops.rate_hz[fleet.shop[i]]):
        return "gone within a few looks"
    return "" if it.hold_s >= 15 else "hold too short"


def truth_of(course: Course, fleet: Fleet, sensors: Sensors, ids: list[str]) -> pl.DataFrame:
    """Return what is true of each recording."""
    rows = []
    for i, name in enumerate(ids):
        it = seen(course, fleet, i)
        is_test = fleet.kind[i] in ("draw", "fill")
        why = _why(fleet, sensors, i, it)
        d, low = fleet.diameter_m[i], fleet.steady_diameter_m[i]
        rows.append(
            {
                "trace_id": name,
                "verdict": WORDS[fleet.fault[i]] if is_test else "not_judged",
                "is_ambiguous": why != "",
                "why": why,
                "diameter_mm": 1e3 * d,
                "is_sized": bool(d > 0 and is_test and abs(low / d - 1) < 0.08),
                "kind": str(fleet.kind[i]),
                "shape": str(fleet.shape[i]),
                "place": str(fleet.place[i]),
                "ullage_l": 1e3 * fleet.cars.ullage_m3[i],
                "canister_void_l": 1e3 * fleet.cars.canister_m3[i],
                "carbon_air_l": 1e3 * fleet.cars.carbon_mol_pa[i] * 8.314 * fleet.cars.ambient_k[i],
                "flex_l": 1e3 * fleet.cars.flex_m3_pa[i] * fleet.cars.ambient_pa[i],
                "noise_pa": sensors.noise_pa[i],
                "step_pa": fleet.shops.step_pa[fleet.shop[i]],
                "rate_hz": fleet.shops.rate_hz[fleet.shop[i]],
                "true_peak_pa": it.peak,
                "true_hold_s": it.hold_s,
                "true_rise_pa": -it.fall_in_hold,
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)
