"""Small hand-made core tables in an in-memory DuckDB, on which the real SQL models run."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.contract.fields import ALL_KINDS
from pipeline.contract.tables import AUDIT_FILES, TRACE_RESULT
from pipeline.settings import Settings
from pipeline.standards.inspection_rule import again_clause
from pipeline.standards.obd import parse_bytes
from pipeline.warehouse.models import CheckResult, load_models, run_checks, run_models
from pipeline.warehouse.store import Warehouse, kind_columns
from tests.judged_records import append_inspections, create_inspections

SQL = Path(__file__).parents[3] / "sql"
DEFAULTS = {
    "vehicles": {"make": "Arvo", "model": "Finch", "model_year": 2012, "in_service_on": date(2015, 1, 1)},
    "jobs": {"shop_id": "north", "component": "purge_valve", "action": "replaced"},
    "traces": {"stage": "before_repair", "recorded_at": datetime(2023, 1, 1, tzinfo=UTC)},
    "inspections": {"station_id": "S1"},
}


def at(text: str) -> datetime:
    """Read an ISO time as UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


class GivenRows:
    """A database with empty core tables, to be filled by a test and then modeled."""

    def __init__(self) -> None:
        self.con = duckdb.connect()
        self.warehouse = Warehouse(self.con)
        for schema in ("core", "mart", "audit"):
            self.con.execute(f"create schema {schema}")
        for kind in ("vehicles", "jobs", "traces"):
            self.warehouse.create(f"core.{kind}", kind_columns(ALL_KINDS[kind]))
        create_inspections(self.warehouse)
        self.warehouse.create("core.evap_code", [("trouble_code", "VARCHAR")])
        self.con.execute("insert into core.evap_code values ('P0442'), ('P0455'), ('P0496')")
        for table in (TRACE_RESULT, AUDIT_FILES):
            self.warehouse.create(table.full_name, [(c.name, c.type) for c in table.columns])
        self.setting()

    def setting(
        self,
        from_on: date | None = date(2022, 1, 1),
        to_on: date | None = date(2023, 12, 31),
        inspection_to_on: date | None = date(2023, 12, 31),
    ) -> None:
        self.con.execute(
            "create or replace table core.setting as select ?::date as from_on, ?::date as to_on,"
            " ?::date as inspection_to_on, 0.95 as level, 90 as follow_up_days, 180 as cycle_gap_days,"
            " 'fail' as return_again, ? as return_again_clause",
            [from_on, to_on, inspection_to_on, again_clause(Settings().rule)],
        )

    def add(self, kind: str, *rows: dict[str, object]) -> None:
        """Append records; fields not given take DEFAULTS, or null; bytes are decoded as far as their spelling."""
        filled = [DEFAULTS.get(kind, {}) | row for row in rows]
        for row in filled:
            if text := row.get("monitor_status_hex"):
                row["status_bytes"] = parse_bytes(str(text), service=1, pid=1, length=4).hex().upper()
        if kind == "inspections":
            append_inspections(self.warehouse, pl.DataFrame(filled, infer_schema_length=None))
        else:
            self.insert(f"core.{kind}", *filled)

    def insert(self, table: str, *rows: dict[str, object]) -> None:
        self.warehouse.append(table, pl.DataFrame(list(rows), infer_schema_length=None))

    def run(self) -> None:
        run_models(self.con, load_models(SQL))

    def check(self) -> dict[str, CheckResult]:
        return {result.name: result for result in run_checks(self.con, load_models(SQL / "check"))}

    def rows(self, sql: str) -> list[tuple[object, ...]]:
        return self.con.execute(sql).fetchall()


@pytest.fixture
def given() -> GivenRows:
    """Empty core tables; window 2022-01-01 to 2023-12-31."""
    return GivenRows()
