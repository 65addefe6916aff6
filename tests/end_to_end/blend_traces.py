"""Recordings of a fleet whose vapor is that of a blend, with headers and truth: `blend_traces(n, key)`."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.blend_fleet import NAMES, Fleet, fleet_of
from tests.end_to_end.blend_marks import truth_of
from tests.end_to_end.blend_recorder import record, sensors_of
from tests.end_to_end.blend_tank import run
from tests.end_to_end.recording_frames import CODES, HEADER, samples_of


def blend_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of `n` recordings under one key."""
    rng = np.random.default_rng([16, key])
    fleet = fleet_of(n, rng)
    course = run(fleet.cars, fleet.orders)
    sensors = sensors_of(fleet, rng)
    ids = [f"blend{key}_{i:05d}" for i in range(n)]
    samples = [samples_of(name, record(course, fleet, sensors, i, rng)) for i, name in enumerate(ids)]
    headers = [_header(fleet, i, name, rng) for i, name in enumerate(ids)]
    return pl.concat(samples), pl.DataFrame(headers, schema=HEADER), truth_of(course, fleet, sensors, ids)


def _header(fleet: Fleet, i: int, name: str, rng: np.random.Generator) -> dict[str, Any]:
    def told(value: float, share: float = 0.95) -> float | None:
        return float(value) if rng.random() < share else None

    m, cars = fleet.model[i], fleet.cars
    gauge = np.clip(100 * fleet.level[i] + rng.normal(0, 2.5), 0, 100)
    return {
        "trace_id": name,
        "job_id": f"R{name}",
        "vehicle_id": f"V{name}",
        "stage": "routine"
        if fleet.kind[i] == "routine"
        else str(rng.choice(["before_repair", "after_repair"])),
        "recorded_at": datetime(2025, 1, 6, 8, tzinfo=UTC) + timedelta(minutes=37 * i),
        "fuel_level_pct": told(np.round(gauge * 2.55) / 2.55),
        "ambient_c": told(np.round(cars.ambient_k[i] - 273.15 + rng.normal(0, 1.0))),
        "barometric_kpa": told(np.round(cars.ambient_pa[i] / 1e3)),
        "fuel_tank_l": told(fleet.models.tank_l[m], 0.96),
        "make": "Averin" if m < 5 else "Soltas",
        "model": NAMES[m],
        "trouble_codes": [str(rng.choice(CODES))] if rng.random() < 0.5 else [],
        "checks": [],
    }
