"""What was read is kept, file by file, in the schema `stage`: records as typed, what broke them, and the
state of each file. A later run takes unchanged files from here and reads only the rest."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.lake.find import LakeFile
from pipeline.warehouse.store import Warehouse, kind_columns

#: raise when a staged table changes its form or its meaning: everything is then read again
STAGE_FORM = 9

REGISTER_KINDS = ("vehicles", "jobs", "traces", "inspections")

STAGE_COLUMNS: dict[str, list[tuple[str, str]]] = {
    **{
        f"stage.{name}": kind_columns(ALL_KINDS[name], ("raw", "VARCHAR"), ("is_sound", "BOOLEAN"))
        for name in REGISTER_KINDS
    },
    "stage.problems": [
        ("file", "VARCHAR"),
        ("row", "BIGINT"),
        ("kind", "VARCHAR"),
        ("rule", "VARCHAR"),
        ("column", "VARCHAR"),
        ("value", "VARCHAR"),
        ("reason", "VARCHAR"),
        ("raw", "VARCHAR"),
        ("source_id", "VARCHAR"),
    ],
    "stage.sample_parts": [
        ("file", "VARCHAR"),
        ("trace_id", "VARCHAR"),
        ("n_samples", "BIGINT"),
        ("t_first_s", "DOUBLE"),
        ("t_last_s", "DOUBLE"),
        ("fingerprint", "UBIGINT"),
        ("is_known", "BOOLEAN"),
    ],
    "stage.sample_files": [
        ("file", "VARCHAR"),
        ("n_read", "BIGINT"),
        ("n_accepted", "BIGINT"),
        ("n_quarantined", "BIGINT"),
        ("n_duplicate", "BIGINT"),
    ],
    "stage.trace_facts": [
        ("file", "VARCHAR"),
        ("trace_id", "VARCHAR"),
        ("fuel_level_pct", "DOUBLE"),
        ("ambient_c", "DOUBLE"),
        ("barometric_kpa", "DOUBLE"),
        ("barometer_step_kpa", "DOUBLE"),
    ],
    "stage.sample_parquet": [
        ("file", "VARCHAR"),
        ("parquet", "VARCHAR"),
        ("trace_id", "VARCHAR"),
        ("n_samples", "BIGINT"),
        ("is_fed", "BOOLEAN"),
    ],
    "stage.files": [
        ("file", "VARCHAR"),
        ("source_id", "VARCHAR"),
        ("kind", "VARCHAR"),
        ("sha256", "VARCHAR"),
        ("form_sha256", "VARCHAR"),
        ("ingested_at", "TIMESTAMP WITH TIME ZONE"),
        ("status", "VARCHAR"),
        ("problem", "VARCHAR"),
    ],
}


def create_stage(warehouse: Warehouse) -> None:
    """Create the empty stage."""
    for name, columns in STAGE_COLUMNS.items():
        warehouse.create(name, columns)


def carry_over(warehouse: Warehouse, previous: Path, files: list[str]) -> None:
    """Copy what the previous warehouse staged of these files, all but their line in `stage.files`."""
    warehouse.con.register("carried", pl.DataFrame({"file": files}, schema={"file": pl.String}))
    try:
        with warehouse.attached(previous) as before:
            for name in STAGE_COLUMNS:
                if name != "stage.files":
                    warehouse.con.execute(
                        f"insert into {name} by name select * from {before}.{name}"
                        " where file in (select file from carried) order by file, rowid"
                    )
            warehouse.con.execute(f"insert into audit.runs by name select * from {before}.audit.runs")
    finally:
        warehouse.con.unregister("carried")


def forget(warehouse: Warehouse, files: list[str], tables: tuple[str, ...], rows: str = "true") -> None:
    """Delete what is staged of these files in these tables: all, or the rows that meet an SQL condition."""
    for name in tables:
        sql = f"delete from {name} where {rows} and file in (select unnest(?::varchar[]))"
        warehouse.con.execute(sql, [files])


def put_file(warehouse: Warehouse, file: LakeFile, status: str, problem: str | None, at: datetime) -> None:
    """Write one file's line of `stage.files`."""
    row = {name: getattr(file, name) for name in ("file", "source_id", "kind", "sha256", "form_sha256")}
    row |= {"status": status, "problem": problem, "ingested_at": at}
    warehouse.append("stage.files", pl.DataFrame([row], schema_overrides={"problem": pl.String}))
