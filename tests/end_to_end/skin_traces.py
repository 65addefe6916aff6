"""Recordings of the skin fleet as the frames that `judge` takes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from tests.end_to_end.recording_frames import HEADER
from tests.end_to_end.skin_fleet import vehicles
from tests.end_to_end.skin_gas import run_tank
from tests.end_to_end.skin_plan import Plan, plan_recording
from tests.end_to_end.skin_recorder import header, routine_states, take
from tests.end_to_end.skin_truth import verdicts

#: A model is known from a hundred recordings or more where there are so many, so few recordings are of few models.
RECORDINGS_PER_VEHICLE, RECORDINGS_PER_MODEL = 3, 100


def states(plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """Run the plan's tank, or let the vehicle idle where no test is run."""
    return routine_states(plan, rng) if plan.kind == "routine" else run_tank(plan.tank)[0]


def skin_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of `n` recordings; the same key gives the same recordings."""
    rng = np.random.default_rng([key, 0x5C1])
    cars = vehicles(max(1, n // RECORDINGS_PER_VEHICLE), min(12, max(1, n // RECORDINGS_PER_MODEL)), rng)
    frames, headers, facts = [], [], []
    for i in range(n):
        car = cars[i % len(cars)]
        plan = plan_recording(car, rng)
        taken = take(plan, states(plan, rng), rng)
        trace_id = f"t{i:05d}"
        size = len(taken.columns["t_s"])
        names = pl.Series("trace_id", [trace_id], dtype=pl.String).new_from_index(0, size)
        frames.append(pl.DataFrame({"trace_id": names, **taken.columns}))
        when = datetime(2025, 3, 1, 8, tzinfo=UTC) + timedelta(hours=5 * i)
        job = None if plan.kind == "routine" else f"j{i:05d}"
        head = header(plan, rng)
        headers.append({"trace_id": trace_id, "job_id": job, "recorded_at": when, **head})
        facts.append({"trace_id": trace_id, "shop": car.shop.name, "model": car.model.model, **taken.facts})
    samples = pl.concat(frames).with_columns(
        pl.col("sensor_v", "engine_rpm", "test_flow_std_l_min").fill_nan(None),
        is_pressure_derived=pl.lit(False),
    )
    return samples, pl.DataFrame(headers, schema=HEADER), verdicts(pl.DataFrame(facts))
