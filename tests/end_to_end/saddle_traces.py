"""Recordings of an eighth author who had not read the estimator: saddle tanks, joined gas spaces, holes of four shapes.

`saddle_traces` returns samples and headers as the measurement takes them, and the truth beside them. 3,000
under the key 88,008 are those of the first contact; there the half with even numbers was looked at, the other only
counted.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.recording_frames import HEADER, samples_of
from tests.end_to_end.saddle_course import course_of, leak_facts
from tests.end_to_end.saddle_fleet import SHOPS, Shop, Vehicle, make_vehicles
from tests.end_to_end.saddle_holes import SHAPES
from tests.end_to_end.saddle_plan import plan_of
from tests.end_to_end.saddle_plans import Case, draw_kinds, make_case
from tests.end_to_end.saddle_recorder import noise_pa, reach_pa, record
from tests.end_to_end.saddle_truth import Seen, mark, size_mm

Frames = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]

#: Codes that bring a vehicle in, by kind (SAE J2012).
CODES = {
    "leak": ["P0442", "P0456"],
    "gross_leak": ["P0455", "P0457"],
    "no_vacuum": ["P0441", "P0497"],
    "purge_passes_closed": ["P0496"],
    "vent_restricted": ["P0446", "P0449"],
    "sensor_flat": ["P0452", "P0453"],
    "sensor_offset": ["P0451"],
    "sensor_disagrees": ["P0450", "P0454"],
    "two": ["P0440"],
}


def saddle_traces(n: int = 600, key: int = 8_101) -> Frames:
    """Return samples, headers and truth of `n` recordings, 250 or more, drawn under a key."""
    rng = np.random.default_rng(key)
    vehicles = make_vehicles(max(20, n // 3), rng)
    filled = [v for v in vehicles if reach_pa(v.model)[1] > 4000]
    samples, headers, truth = [], [], []
    for number, kind in enumerate(draw_kinds(n, rng)):
        own = np.random.default_rng([key, number])
        choice = filled if kind == "fill" else vehicles
        vehicle = choice[int(own.integers(len(choice)))]
        shop = SHOPS[int(own.integers(len(SHOPS)))]
        trace_id = f"saddle-{number:05d}"
        case = make_case(kind, vehicle, shop, own)
        frame, row = _recorded(trace_id, number, case, vehicle, shop, own)
        samples.append(frame)
        truth.append(row)
        headers.append(_header(trace_id, number, case, vehicle, shop, own))
    return (
        pl.concat(samples),
        pl.DataFrame(headers, schema=HEADER),
        pl.DataFrame(truth, infer_schema_length=None),
    )


def _recorded(
    trace_id: str, number: int, case: Case, vehicle: Vehicle, shop: Shop, rng: np.random.Generator
) -> tuple[pl.DataFrame, dict[str, Any]]:
    """Return one recording's samples and its row of truth."""
    plan = plan_of(**case.plan)
    course, facts = course_of(plan, number)
    twin = course if case.plan == case.sound else course_of(plan_of(**case.sound), number)[0]
    recording, at_s = record(course, case, vehicle, shop, rng)
    noise = noise_pa(vehicle.model, shop, case.plan["wind_pa"])
    seen = Seen(course, twin, at_s, shop.hz, noise, shop.has_volts, reach_pa(vehicle.model))
    told = mark(case, seen)
    flow, creep = leak_facts(plan, facts) if case.plan.get("leak_m", 0) > 0 else (0.0, 0.0)
    return samples_of(trace_id, recording), {
        "trace_id": trace_id,
        "kind": case.kind,
        "verdict": case.verdict,
        "also_fair": told.also_fair,
        "is_ambiguous": not told.is_clear,
        "is_sized": told.is_sized,
        "why": "" if told.is_clear else told.why,
        "diameter_mm": size_mm(flow, facts) if flow > 0 else None,
        "residual_mm": 1000 * vehicle.residual_m,
        "shape": SHAPES[int(plan["leak_shape"])] if flow > 0 else None,
        "creep_share": creep,
        "leak_at": int(plan["leak_at"]),
        "difference_pa": facts[1],
        "volume_l": 1000 * float(plan["tank_m3"] + plan["canister_m3"] + plan["saddle_m3"]),
        "model": vehicle.model.name,
        "shop": shop.name,
        "noise_pa": noise,
        "hold_s": float(plan["hold_s"]),
        "mode": int(plan["mode"]),
        "astray_mol": facts[0],
    }


def _header(
    trace_id: str, number: int, case: Case, vehicle: Vehicle, shop: Shop, rng: np.random.Generator
) -> dict[str, Any]:
    is_faulty = case.verdict not in ("holds", "not_judged")
    stage = "routine"
    if rng.random() < 0.7:
        stage = "before_repair" if is_faulty else "after_repair"
    level = round((100 * case.level + rng.normal(0, shop.level_pp)) / 0.392157) * 0.392157
    codes = CODES.get(case.kind, ["P0442"])
    return {
        "trace_id": trace_id,
        "job_id": f"{shop.name}-{number:05d}" if stage != "routine" else None,
        "vehicle_id": vehicle.vehicle_id,
        "stage": stage,
        "recorded_at": datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(minutes=137 * number),
        "fuel_level_pct": float(np.clip(level, 0, 100)),
        "ambient_c": round(case.plan["ambient_k"] - 273.15 + rng.normal(0, 1)) if shop.has_weather else None,
        "barometric_kpa": round(case.plan["ambient_pa"] / 1000) if shop.has_weather else None,
        "fuel_tank_l": vehicle.model.tank_l if vehicle.has_size else None,
        "make": vehicle.model.make,
        "model": vehicle.model.name,
        "trouble_codes": [str(rng.choice(codes))] if stage == "before_repair" else [],
        "checks": [],
    }
