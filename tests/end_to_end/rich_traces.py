"""Recordings of a third family, richer in physics and in mishaps; written without reading the project's estimator.

`rich_traces` returns samples and headers as the measurement takes them, and the truth beside them; `rich_fills` the
same for holds under positive pressure.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.recording_frames import CODES, HEADER, samples_of
from tests.end_to_end.rich_faults import add_faults
from tests.end_to_end.rich_gas import GAS_J_MOL_K, STEP_S, Plan
from tests.end_to_end.rich_plans import log_uniform, make_plan
from tests.end_to_end.rich_procedure import HOLD, run
from tests.end_to_end.rich_recorder import add_recorder, record
from tests.end_to_end.rich_truth import truth_row

Frames = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]
INCH_PA = 249.08891


def rich_traces(n: int = 600, key: int = 31_007) -> Frames:
    """Return samples, headers and truth of `n` recordings of one fleet of eight to fifteen models.

    Parameters
    ----------
    n : recordings, 150 or more so that every verdict occurs.
    key : start of the random numbers.
    """
    rng = np.random.default_rng(key)
    plan, models = make_plan(rng, n)
    add_faults(plan, rng)
    add_recorder(plan, models, rng)
    plan.setdefault("passing_pa_s", np.zeros(n))
    return _frames(plan, models, rng, "R")


def rich_fills(n: int = 100, key: int = 31_008) -> Frames:
    """Return holds under positive pressure: filled to 14 inH2O through a port, vent and purge shut, 125 s.

    The truth has `pressure_120_pa` [Pa, gauge] and whether it is above 8 inH2O.
    """
    rng = np.random.default_rng(key)
    plan, models = make_plan(rng, n)
    plan["verdict"][:] = np.where(rng.random(n) < 0.35, "holds", "leak")
    add_faults(plan, rng)
    add_recorder(plan, models, rng)
    plan["is_fill"][:], plan["n_draws"][:], plan["cut_s"][:] = True, 1, 1e9
    plan["target_pa"][:], plan["hold_s"][:], plan["timeout_s"][:] = -14 * INCH_PA, 125.0, 90.0
    plan["clip_low_pa"], plan["clip_high_pa"] = np.full(n, -6200.0), np.full(n, 6200.0)
    plan["leak_mm"] = np.minimum(plan["leak_mm"], 2.0)
    filled = plan["volume_l"] * 1e-3 * 14 * INCH_PA / (GAS_J_MOL_K * plan["ambient_k"])
    lost = 3.5e-5 * plan["leak_mm"] ** 2 * plan["ambient_pa"] / (GAS_J_MOL_K * plan["ambient_k"])
    plan["fill_mol_s"] = filled / log_uniform(rng, 5, 30, n) + lost
    plan["passing_pa_s"] = np.zeros(n)
    return _frames(plan, models, rng, "P")


def _frames(plan: Plan, models: dict[str, np.ndarray], rng: np.random.Generator, letter: str) -> Frames:
    courses = run(plan)
    ids = [f"{letter}{i:05d}" for i in range(len(courses))]
    recordings = [record(course, plan, models, i, rng) for i, course in enumerate(courses)]
    rows = [truth_row(ids[i], plan, course, i) for i, course in enumerate(courses)]
    if plan["is_fill"].any():
        rows = [row | _after_two_minutes(course) for row, course in zip(rows, courses, strict=True)]
    headers = pl.DataFrame([_header(ids[i], plan, models, i, rng) for i in range(len(ids))], schema=HEADER)
    samples = pl.concat([samples_of(i, r) for i, r in zip(ids, recordings, strict=True)])
    return samples, headers, pl.DataFrame(rows, infer_schema_length=None)


def _after_two_minutes(course: Any) -> dict[str, Any]:
    hold = course.pressure_pa[course.phase == HOLD]
    at = round(120 / STEP_S)
    value = float(hold[at]) if len(hold) > at else None
    passes = None if value is None else value >= 8 * INCH_PA
    return {"start_pa": float(hold[0]), "pressure_120_pa": value, "is_above_8_inches": passes}


def _header(
    trace_id: str, plan: Plan, models: dict[str, np.ndarray], i: int, rng: np.random.Generator
) -> dict[str, Any]:
    """What the shop wrote down: fuel gauge off by 1.5 points, tank size by 1.5 %, some of it missing."""
    gauge = np.clip(plan["fill"][i] * 100 + rng.normal(0, 1.5), 0, 100)
    size = plan["tank_l"][i] * rng.normal(1, 0.015)
    whole = bool(plan["false_offset_pa"][i])
    return {
        "trace_id": trace_id,
        "job_id": f"J{trace_id}",
        "vehicle_id": f"V{trace_id}",
        "stage": str(rng.choice(["before_repair", "after_repair", "routine"])),
        "recorded_at": datetime(2025, 3, 1, tzinfo=UTC) + timedelta(minutes=int(rng.integers(0, 400_000))),
        "fuel_level_pct": None if rng.random() < 0.04 else float(gauge),
        "ambient_c": None if rng.random() < 0.2 else float(plan["ambient_k"][i] - 273.15),
        "barometric_kpa": None
        if rng.random() < 0.1
        else float(np.round(plan["ambient_pa"][i] / 1000, 0 if whole else 2)),
        "fuel_tank_l": None if rng.random() < 0.04 else float(size),
        "make": "Vestrel",
        "model": str(models["name"][plan["model"][i]]),
        "trouble_codes": [str(rng.choice(CODES))] if rng.random() < 0.3 else [],
        "checks": [],
    }
