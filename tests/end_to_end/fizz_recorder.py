"""What sensors and loggers make of the courses of the fizzing tanks, and the headers beside the recordings."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from tests.end_to_end.fizz_course import DONE, DT, ROUTINE, STANDARD_L_MOL, STEADY, Course
from tests.end_to_end.fizz_fleet import MODELS, Fleet
from tests.end_to_end.recording_frames import CODES, Recording

MAKES = ("Osk", "Tavarne", "Veil & Rowe")


def record(fleet: Fleet, course: Course, i: int, rng: np.random.Generator) -> tuple[Recording, np.ndarray]:
    """Return recording `i` as its logger wrote it, and the flow of test gas [standard L/min]."""
    of = {name: column[i] for name, column in fleet.recorder.items()}
    fault = fleet.fault[i]
    ended = np.flatnonzero(course.phase[:, i] == DONE)
    end_s = (ended[0] if len(ended) else len(course.t_s) - 1) * DT
    t = np.arange(0, end_s, of["period_s"])
    t = t + of["jitter"] * of["period_s"] * rng.uniform(-0.5, 0.5, len(t))
    t = np.clip(t[rng.random(len(t)) >= of["dropped"]], 0, end_s)
    at = np.minimum(np.round(t / DT).astype(int), len(course.t_s) - 1)
    clean = np.interp(t, course.t_s, course.sensed_pa[:, i])
    felt = of["gain"] * clean + of["offset_pa"] + of["noise_pa"] * rng.standard_normal(len(t))
    if fault == "sensor_flat":
        felt = np.full(len(t), rng.uniform(-1800, 900))
    shown = np.maximum(np.round(felt / of["step_pa"]) * of["step_pa"], of["low_pa"])
    volts = _volts(fault, of, np.maximum(felt, of["low_pa"]), rng)
    is_on = fleet.cars.is_pump_on[i]
    rpm = np.where(is_on, rng.uniform(640, 860), 0.0) + np.where(is_on, rng.normal(0, 8, len(t)), 0)
    if fleet.plan.kind[i] == ROUTINE:
        rpm = 1600 + 700 * np.sin(t / 17 + rng.uniform(0, 6)) + rng.normal(0, 60, len(t))
    if not of["has_rpm"]:
        rpm = np.full(len(t), np.nan)
    duty = np.round(course.duty[at, i] * 255) / 255 * 100
    flow = np.full(len(t), np.nan)
    if fleet.plan.kind[i] == STEADY:
        flow = course.feed_mol_s[at, i] * 60 * STANDARD_L_MOL * rng.normal(1, 0.01)
        flow = np.maximum(flow + 0.004 * rng.standard_normal(len(t)), 0)
    clock = t.copy()
    if of["jump_s"] and len(t) > 20:
        clock[rng.integers(5, len(t) - 5) :] += of["jump_s"]
    return Recording(clock, shown, volts, duty, course.is_shut[at, i] > 0.5, rpm), flow


def _volts(fault: str, of: dict[str, Any], felt: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the sensor's volts in steps of ten bits: not those of the pressure where the two disagree."""
    if not of["has_volts"]:
        return np.full(len(felt), np.nan)
    volts = of["rest_v"] + of["v_per_pa"] * felt
    if fault == "sensor_disagrees":
        way = rng.integers(0, 3)
        if way == 0:
            gain = rng.choice([rng.uniform(0.2, 0.6), rng.uniform(1.5, 2)])
            volts = of["rest_v"] + of["v_per_pa"] * felt * gain
        elif way == 1:
            volts = np.full(len(felt), rng.uniform(0.2, 4.8))
        else:
            volts = volts + rng.choice([-1, 1]) * rng.uniform(0.4, 1.0)
    return np.clip(np.round(volts * 1023 / 5) * 5 / 1023, 0, 5)


def header_of(fleet: Fleet, i: int, name: str, rng: np.random.Generator) -> dict[str, Any]:
    """Return the header: gaps where shops leave gaps, codes and checks that mostly fit the fault."""
    fault = fleet.fault[i]
    codes: list[str] = []
    if fault in ("leak", "gross_leak") and rng.random() < 0.8:
        codes = [str(rng.choice(["P0442", "P0456"] if fault == "leak" else ["P0455", "P0457"]))]
    elif rng.random() < 0.3:
        codes = [str(rng.choice(CODES))]
    checks: list[str] = []
    if fleet.hole[i] == "vent" and rng.random() < 0.5:
        checks = ["vent_click=fail"]
    elif fault == "no_vacuum" and rng.random() < 0.4:
        checks = ["purge_click=fail"]
    model = int(fleet.model[i])
    recorded = datetime(2025, 3, 1, 8, tzinfo=UTC) + timedelta(hours=float(rng.uniform(0, 9000)))
    return {
        "trace_id": name,
        "job_id": f"J{name}",
        "vehicle_id": f"{MODELS[model]}-{rng.integers(0, 60)}",
        "stage": "after_repair" if fault == "holds" and rng.random() < 0.7 else "before_repair",
        "recorded_at": recorded,
        "fuel_level_pct": None if rng.random() < 0.04 else float(fleet.fuel_pct[i]),
        "ambient_c": None
        if rng.random() < 0.05
        else float(np.round(fleet.ambient_c[i] + rng.normal(0, 1.5))),
        "barometric_kpa": None if rng.random() < 0.1 else float(np.round(fleet.altitude_pa[i] / 1000)),
        "fuel_tank_l": None if rng.random() < 0.05 else float(fleet.tank_l[i]),
        "make": MAKES[model % 3],
        "model": MODELS[model],
        "trouble_codes": codes,
        "checks": checks,
    }
