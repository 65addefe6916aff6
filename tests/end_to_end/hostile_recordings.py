"""Recordings that no test bench makes: any commands, any pressures, any gaps, of any length.

Run: NUMBA_BOUNDSCHECK=1 NUMBA_CACHE_DIR=SOME_FOLDER python -m tests.end_to_end.hostile_recordings [SEEDS]
Compiled code then asks of every index whether it lies within its array, which it does not otherwise: what writes
beyond one ruins memory, and the run breaks off somewhere else, or later, or never.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
import polars as pl

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces

EACH = 300
LENGTHS, LENGTH_SHARES = [1, 2, 3, 5, 8, 12, 20, 40, 100, 300], [1, 1, 1, 2, 2, 3, 4, 2, 2, 2]
LEVELS_PA = [0.0, -100.0, -2500.0, -1500.0, 3500.0, 600.0, -5000.0, 300.0]
DUTIES_PCT = [0.0, 0.0, 0.0, 1.0, 2.5, 40.0, 100.0]


def hostile_recordings(seed: int, n: int = EACH) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return samples and headers of n recordings, as `measure_traces` takes them."""
    rng = np.random.default_rng(seed)
    samples = pl.concat(_samples(rng, f"t{k}") for k in range(n))
    return samples, pl.DataFrame([_header(rng, k) for k in range(n)], infer_schema_length=None)


def _samples(rng: np.random.Generator, trace_id: str) -> pl.DataFrame:
    n = int(rng.choice(LENGTHS, p=np.array(LENGTH_SHARES) / sum(LENGTH_SHARES)))
    t = _times(rng, n)
    states = int(rng.integers(1, 10))
    state = np.searchsorted(np.sort(rng.integers(0, n, states - 1)), np.arange(n), side="right")
    # The pressure of the next state may come some samples before its command, or after.
    ahead = np.clip(np.arange(n) + rng.integers(-6, 7), 0, n - 1)
    pressure = rng.choice(LEVELS_PA, states)[state[ahead]] + rng.choice([0.0, 1.0, -3.0, 20.0]) * t
    pressure += rng.choice([0.0, 1.0, 20.0]) * rng.standard_normal(n)
    pressure += np.cumsum(rng.choice([0.0, 1.0, 50.0]) * rng.standard_normal(n))
    step = rng.choice([0.0, 0.0, 10.0, 100.0])
    pressure = np.round(pressure / step) * step if step else pressure
    pressure = np.clip(pressure, *((-1900.0, 1900.0) if rng.random() < 0.2 else (-1e5, 1e5)))
    if rng.random() < 0.1:
        pressure[:] = pressure[0]
    volts = 2.5 + pressure * rng.choice([0.0, 8e-4, -8e-4]) + rng.normal(0, 0.003, n)
    return pl.DataFrame(
        {
            "trace_id": [trace_id] * n,
            "t_s": t,
            "tank_pressure_pa": pressure,
            "sensor_v": _with_holes(rng, volts),
            "purge_duty_pct": rng.choice(DUTIES_PCT, states)[state],
            "is_vent_closed": (rng.random(states) < 0.7)[state],
            "engine_rpm": _with_holes(rng, np.full(n, rng.choice([0.0, 700.0]))),
            "is_pressure_derived": np.zeros(n, bool),
            "test_flow_std_l_min": _with_holes(rng, np.full(n, rng.choice([0.0, 0.5, 5.0]))),
        }
    )


def _times(rng: np.random.Generator, n: int) -> np.ndarray:
    usual = rng.choice([0.05, 0.1, 0.2, 0.5, 1.0, 2.0]) * rng.uniform(0.8, 1.2, n)
    return np.cumsum(np.where(rng.random(n) < 0.05, rng.uniform(1, 60, n), usual))


def _with_holes(rng: np.random.Generator, column: np.ndarray) -> pl.Series:
    return pl.Series(
        np.where(rng.random(len(column)) < rng.choice([0.0, 0.3, 1.0]), np.nan, column)
    ).fill_nan(None)


def _header(rng: np.random.Generator, k: int) -> dict[str, Any]:
    return {
        "trace_id": f"t{k}",
        "job_id": f"j{k}",
        "vehicle_id": f"v{k // 2}",
        "stage": "before_repair",
        "fuel_level_pct": float(rng.uniform(0, 100)) if rng.random() < 0.8 else None,
        "ambient_c": 20.0,
        "barometric_kpa": 100.0,
        "fuel_tank_l": 60.0 if rng.random() < 0.8 else None,
        "make": "Arven",
        "model": "ab"[k % 2],
        "trouble_codes": [],
        "checks": [],
    }


def main(seeds: int) -> None:
    for seed in range(seeds):
        judged = measure_traces(*hostile_recordings(seed), Settings())
        print(seed, judged.group_by("verdict").len().sort("verdict").rows())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
