"""Inspections whose decoding and judgement a test states by hand, in the tables that `pipeline.steps.judge` fills."""

from __future__ import annotations

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.steps.judge import TOLD_COLUMNS, keep_patterns
from pipeline.warehouse.store import Warehouse, kind_columns

TOLD = [name for name, _ in TOLD_COLUMNS]


def create_inspections(warehouse: Warehouse) -> None:
    """Make core.inspections without a record: the view, and the two tables below it."""
    warehouse.create(
        "core.inspection_record",
        kind_columns(ALL_KINDS["inspections"], ("pattern_no", "INTEGER"), ("vehicle_no", "INTEGER")),
    )
    keep_patterns(warehouse, pl.DataFrame(schema=["pattern_no", *TOLD]))


def append_inspections(warehouse: Warehouse, rows: pl.DataFrame) -> None:
    """Append records of vehicles in core.vehicles with what is told of them; every record is a pattern of its own."""
    first = warehouse.query("select count(*) as n from core.inspection_pattern")["n"][0]
    vehicles = warehouse.query("select vehicle_id, rowid as vehicle_no from core.vehicles")
    numbered = rows.with_row_index("pattern_no", first).join(
        vehicles, on="vehicle_id", how="left", maintain_order="left"
    )
    told = [name for name in TOLD if name in rows.columns]
    warehouse.append("core.inspection_pattern", numbered.select("pattern_no", *told))
    warehouse.append("core.inspection_record", numbered.drop(told))
