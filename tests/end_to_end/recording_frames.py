"""Recordings of foreign hands as frames: the columns that the measurement takes, and nothing of how they came about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

CODES = ["P0442", "P0455", "P0456", "P0440", "P0446"]


@dataclass(frozen=True)
class Recording:
    """Columns of one recording as the contract names them."""

    t_s: np.ndarray
    tank_pressure_pa: np.ndarray
    sensor_v: np.ndarray
    purge_duty_pct: np.ndarray
    is_vent_closed: np.ndarray
    engine_rpm: np.ndarray


HEADER: dict[str, Any] = {
    "trace_id": pl.String,
    "job_id": pl.String,
    "vehicle_id": pl.String,
    "stage": pl.String,
    "recorded_at": pl.Datetime("us", "UTC"),
    "fuel_level_pct": pl.Float64,
    "ambient_c": pl.Float64,
    "barometric_kpa": pl.Float64,
    "fuel_tank_l": pl.Float64,
    "make": pl.String,
    "model": pl.String,
    "trouble_codes": pl.List(pl.String),
    "checks": pl.List(pl.String),
}


def samples_of(trace_id: str, recording: Recording) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "trace_id": pl.Series([trace_id] * len(recording.t_s), dtype=pl.String),
            "t_s": recording.t_s.astype(float),
            "tank_pressure_pa": recording.tank_pressure_pa.astype(float),
            "sensor_v": pl.Series(recording.sensor_v.astype(float)).fill_nan(None),
            "purge_duty_pct": recording.purge_duty_pct.astype(float),
            "is_vent_closed": recording.is_vent_closed,
            "engine_rpm": pl.Series(recording.engine_rpm.astype(float)).fill_nan(None),
            "is_pressure_derived": np.zeros(len(recording.t_s), bool),
        }
    )
