"""The models and estimates alone against the independent computation, on many small awkward lakes.

The records go straight into the core tables, so that a lake takes a second; `test_oracle.py` takes the whole road.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

from pipeline.contract.fields import ALL_KINDS, Field
from pipeline.contract.tables import (
    AUDIT_FILES,
    MODEL_NORM,
    QUARANTINE_RECORDS,
    SOURCE_TABLES,
    TRACE_RESULT,
)
from pipeline.estimates import estimate_all
from pipeline.settings import Settings
from pipeline.steps.judge import judge_inspections
from pipeline.steps.model import model, prepare
from pipeline.warehouse import store
from pipeline.warehouse.store import Warehouse, kind_columns, open_warehouse
from tests.end_to_end import oracle, oracle_inspections, oracle_split, oracle_stations
from tests.end_to_end.compared import differences
from tests.end_to_end.random_lake import write_lake
from tests.end_to_end.raw_lake import Records, read_lake

TYPES = {"text": pl.String, "integer": pl.Int64, "number": pl.Float64, "boolean": pl.Boolean, "date": pl.Date,
         "time": pl.Datetime("us", "UTC")}  # fmt: skip
STATIONS = (
    "inspection_station",
    "vehicles_tested",
    "inspection_disagreement",
    "readiness_after_clear",
    "vehicle_due",
)
WINDOW = (date(2022, 5, 1), date(2023, 6, 30))


def _column(field: Field, records: list[dict[str, Any]]) -> pl.Series:
    values = [None if not isinstance(v := r.get(field.name), list) and pd.isna(v) else v for r in records]
    if field.type == "date":
        values = [v.date() if isinstance(v, pd.Timestamp) else v for v in values]
    if field.type == "integer":
        values = [None if v is None else int(v) for v in values]
    return pl.Series(field.name, values, dtype=TYPES.get(field.type, pl.List(pl.String)))


def _frame(kind: str, records: list[dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame([_column(field, records) for field in ALL_KINDS[kind].fields])


def _fill(warehouse: Warehouse, records: Records, settings: Settings) -> None:
    for kind in ("vehicles", "jobs", "traces", "inspections"):
        warehouse.create(f"core.{kind}", kind_columns(ALL_KINDS[kind]))
    for table in (AUDIT_FILES, QUARANTINE_RECORDS, TRACE_RESULT, MODEL_NORM, *SOURCE_TABLES):
        warehouse.create(table.full_name, [(c.name, c.type) for c in table.columns])
    for kind in ("vehicles", "jobs", "inspections"):
        warehouse.append(f"core.{kind}", _frame(kind, getattr(records, kind)))
    judge_inspections(warehouse, settings.rule)
    prepare(warehouse, settings)
    model(warehouse, settings)


def _tables(records: Records, settings: Settings, path: Path) -> dict[str, pd.DataFrame]:
    names = (
        "failure_rate",
        "failure_split",
        "first_time_fix",
        "inspection_report",
        "readiness",
        "repair_check",
        *STATIONS,
    )
    with open_warehouse(path, read_only=False) as warehouse:
        _fill(warehouse, records, settings)
        return {name: warehouse.table(f"mart.{name}").to_pandas() for name in names}


def _anything_may_be_missing(records: Records, seed: int) -> None:
    """Take values away and add what is odd but allowed: empty lists, waivers anywhere, leaving while in repair."""
    rng = np.random.default_rng(seed)
    for record in records.inspections:
        record["waived"] = record["waived"] or bool(rng.random() < 0.1)
        if not record["monitor_status_hex"]:
            field = str(rng.choice(["trouble_code_count", "monitors_not_ready", "mil_on", "trouble_codes"]))
            record[field] = [] if field == "trouble_codes" else None
    for vehicle in records.vehicles:
        if rng.random() < 0.3:
            vehicle["out_of_service_on"] = vehicle["in_service_on"] + pd.Timedelta(
                days=int(rng.integers(0, 1500))
            )


def _of_stations(records: Records, window: oracle.Window) -> dict[str, pd.DataFrame]:
    return {
        "inspection_station": oracle_stations.inspection_station(records),
        "vehicles_tested": oracle_stations.vehicles_tested(records),
        "inspection_disagreement": oracle_stations.inspection_disagreement(records),
        "readiness_after_clear": oracle_stations.after_clear(records),
        "vehicle_due": oracle_stations.vehicle_due(records, window),
    }


@pytest.mark.parametrize("seed", range(100, 108))
def test_counts_and_estimates_of_a_small_lake_equal_the_independent_ones(seed, tmp_path):
    write_lake(tmp_path / "lake", seed, n_vehicles=12)
    records = read_lake(tmp_path / "lake")
    if seed % 4 > 1:
        _anything_may_be_missing(records, seed)
    first, last = WINDOW if seed % 2 else (None, None)
    window = oracle.window_of(records, first, last)
    theirs = _tables(records, Settings(from_on=first, to_on=last), tmp_path / "warehouse.duckdb")
    ours = {
        "failure_rate": oracle.failure_rate(records, window),
        "failure_split": oracle_split.failure_split(records, window),
        "first_time_fix": oracle.first_time_fix(records, window, theirs["repair_check"]),
        "inspection_report": oracle_inspections.inspection_report(records),
        "readiness": oracle_inspections.readiness(records),
        **_of_stations(records, window),
    }
    assert min(len(table) for table in ours.values()) > 0
    assert {name: found for name in ours if (found := differences(name, ours[name], theirs[name]))} == {}


@pytest.mark.parametrize("seed", [201, 202, 203])
def test_every_inspection_is_judged_as_the_independent_rule_does(seed, tmp_path):
    write_lake(tmp_path / "lake", seed, n_vehicles=30)
    records = read_lake(tmp_path / "lake")
    with open_warehouse(tmp_path / "warehouse.duckdb", read_only=False) as warehouse:
        _fill(warehouse, records, Settings())
        theirs = dict(warehouse.query("select inspection_id, judged_result from core.visit").iter_rows())
    cycles = oracle_inspections.cycles_of(records)
    ours = {v.record["inspection_id"]: v.judged for _, visits in cycles for v in visits}
    assert set(ours.values()) == {"pass", "fail", "return", None}
    assert theirs == ours


def test_vehicles_due_in_parts_are_those_of_one_whole(tmp_path, monkeypatch):
    """The same rows, ranked over all parts, though each part is estimated by itself."""
    monkeypatch.setattr(store, "PART_ROWS", 4)
    write_lake(tmp_path / "lake", 204, n_vehicles=30)
    with open_warehouse(tmp_path / "warehouse.duckdb", read_only=False) as warehouse:
        _fill(warehouse, read_lake(tmp_path / "lake"), Settings())
        whole = estimate_all(warehouse.table, Settings())["mart.vehicle_due"]
        assert whole.height > 12
        written = warehouse.table("mart.vehicle_due")
        assert written["rank"].to_list() == list(range(1, whole.height + 1))
        assert written.drop("rank").sort("vehicle_id").equals(whole.drop("rank").sort("vehicle_id"))
