"""Fleets with next to nothing to tell: every estimate gives nulls and a reason, never an exception or a NaN."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.estimates import estimate_all
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.warehouse.models import load_models, run_models
from pipeline.warehouse.store import open_warehouse
from tests.known_fleet import Fleet, fill_core

FIRST, LAST = date(2022, 1, 1), date(2023, 12, 31)
SETTINGS = Settings(from_on=FIRST, to_on=LAST)
#: estimate whose absence wants a reason, by table
REASONED = {
    "mart.component_life": ("weibull_shape", "failures_next_365_days"),
    "mart.proof_worth": ("hazard_ratio",),
}


def vehicle(number: int, since: date = date(2015, 1, 1)) -> dict[str, Any]:
    return {
        "vehicle_id": f"V{number}",
        "make": "Arvo",
        "model": "Pell",
        "model_year": since.year,
        "in_service_on": since,
    }


def job(number: int, of: int, day: date, component: str = "purge_valve", **more: Any) -> dict[str, Any]:
    opened = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
    return {
        "job_id": f"J{number}",
        "shop_id": "S1",
        "technician_id": "T1",
        "vehicle_id": f"V{of}",
        "opened_at": opened,
        "closed_at": opened + timedelta(hours=4),
        "component": component,
        "action": "none" if component == "none_found" else "replaced",
    } | more


MIDDLE = date(2022, 6, 1)
FLEETS: dict[str, tuple[list[dict[str, Any]], list[dict[str, Any]]]] = {
    "no failure": ([vehicle(i) for i in range(5)], [job(1, 1, MIDDLE, "none_found")]),
    "one vehicle, one failure": ([vehicle(1)], [job(1, 1, MIDDLE)]),
    "every vehicle in service since the last day": (
        [vehicle(i, LAST) for i in range(4)],
        [job(i, i, LAST) for i in range(4)],
    ),
    "everything tied": ([vehicle(i) for i in range(8)], [job(i, i, MIDDLE) for i in range(8)]),
    "every failure on the last day": ([vehicle(i) for i in range(8)], [job(i, i, LAST) for i in range(8)]),
    "every repair comes back": (
        [vehicle(i) for i in range(6)],
        [job(10 * i + k, i, MIDDLE + timedelta(days=10 * k)) for i in range(6) for k in range(4)],
    ),
    "no repair is ever closed": (
        [vehicle(i) for i in range(6)],
        [job(i, i, MIDDLE + timedelta(days=i), closed_at=None) for i in range(6)],
    ),
}


@pytest.mark.parametrize("name", FLEETS)
def test_too_little_to_tell_gives_nulls_and_reasons(tmp_path: Path, name: str) -> None:
    vehicles, jobs = (pl.DataFrame(rows, infer_schema_length=None) for rows in FLEETS[name])
    with open_warehouse(tmp_path / "warehouse.duckdb", read_only=False) as warehouse:
        fill_core(warehouse, Fleet(vehicles, jobs), SETTINGS)
        run_models(warehouse.con, load_models(carried("sql")))
        tables = estimate_all(warehouse.table, SETTINGS)
    for table, frame in tables.items():
        floats = frame.select(pl.col(pl.Float64))
        wrong = floats.select(pl.all().is_nan().any() | pl.all().is_infinite().any())
        assert not wrong.height or not any(wrong.row(0)), (table, frame)
    for table, estimates in REASONED.items():
        for estimate in estimates:
            silent = tables[table].filter(pl.col(estimate).is_null() & pl.col("reason").is_null())
            assert silent.is_empty(), (table, estimate, silent)
