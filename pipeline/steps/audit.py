"""Account for every file and every record, and for the run itself."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.contract.tables import AUDIT_FILES, AUDIT_RUNS, MARTS, QUARANTINE_RECORDS
from pipeline.errors import OurFault
from pipeline.steps.plan import Plan
from pipeline.steps.stage import REGISTER_KINDS
from pipeline.steps.versions import versions
from pipeline.warehouse.store import Warehouse


def account_for_files(plan: Plan, warehouse: Warehouse) -> None:
    """Fill quarantine.records and audit.files.

    Raises
    ------
    OurFault : a file's records are not all accounted for.
    """
    columns = ", ".join(f'"{c}"' for c in QUARANTINE_RECORDS.column_names)
    # Rows below 1 are headers made from a file's name, not a record read: its samples carry the reason.
    records = warehouse.query(
        f"select {columns} from (select {columns} from stage.problems union all select {columns} from"
        ' stage.lake_problems) where row > 0 order by file, row, rule, "column"'
    )
    warehouse.write(QUARANTINE_RECORDS, records)
    _carry_file_lines(plan, warehouse)
    counts = pl.concat([_register_counts(warehouse), _sample_counts(warehouse)])
    files = warehouse.table("stage.files").join(counts, on="file", how="left")
    files = files.with_columns(pl.col("n_read", "n_accepted", "n_quarantined", "n_duplicate").fill_null(0))
    warehouse.write(AUDIT_FILES, files.sort("file"))
    _balance(files)


def _carry_file_lines(plan: Plan, warehouse: Warehouse) -> None:
    """Carry the lines of files that were not read this time."""
    told = warehouse.table("stage.files")["file"]
    kept = plan.known.filter(pl.col("file").is_in(plan.kept_names) & ~pl.col("file").is_in(told.implode()))
    still = pl.when(pl.col("status") == "unreadable").then("status").otherwise(pl.lit("kept"))
    warehouse.append("stage.files", kept.with_columns(status=still))
    warehouse.append("stage.files", plan.vanished.with_columns(status=pl.lit("vanished")))
    for file, problem in kept.filter(pl.col("status") == "unreadable").select("file", "problem").iter_rows():
        plan.skipped.append(f"{file}: {problem}")


def _register_counts(warehouse: Warehouse) -> pl.DataFrame:
    parts = []
    for kind in REGISTER_KINDS:
        parts.append(
            warehouse.query(
                f"with bad as (select distinct file, row from quarantine.records where kind = '{kind}')"
                " select s.file, count(*) as n_read, count(bad.row) as n_quarantined, count(d.row) as n_duplicate"
                f" from stage.{kind} s left join bad using (file, row) left join stage.duplicates d using (file, row)"
                " where s.row > 0 group by s.file"
            )
        )
    counts = pl.concat(parts)
    return counts.with_columns(
        n_accepted=pl.col("n_read") - pl.col("n_quarantined") - pl.col("n_duplicate")
    ).select("file", "n_read", "n_accepted", "n_quarantined", "n_duplicate")


def _sample_counts(warehouse: Warehouse) -> pl.DataFrame:
    return warehouse.query(
        "select file, n_read, n_accepted, n_quarantined, n_duplicate from stage.sample_files"
    )


def _balance(files: pl.DataFrame) -> None:
    off = files.filter(
        (pl.col("n_read") != pl.col("n_accepted") + pl.col("n_quarantined") + pl.col("n_duplicate"))
        | (pl.col("n_accepted") < 0)
    )
    if off.height:
        raise OurFault(
            f"{off.height} files are not fully accounted for", str(off.row(0)), "report this with that line"
        )


def account_for_run(plan: Plan, warehouse: Warehouse) -> None:
    """Write (or write anew) this run's row of audit.runs."""
    run_id = plan.started_at.strftime("%Y%m%dT%H%M%S.%fZ")
    warehouse.con.execute("delete from audit.runs where run_id = ?", [run_id])
    row = {
        "run_id": run_id,
        "started_at": plan.started_at,
        "finished_at": datetime.now(UTC),
        "lake": plan.lake,
        "settings": plan.settings.as_json(),
        "versions": versions(),
        "row_counts": json.dumps(_row_counts(warehouse)),
        "durations_s": json.dumps({k: round(v, 2) for k, v in plan.durations_s.items()}),
        "skipped": json.dumps(plan.skipped),
    }
    window = warehouse.query(
        "select from_on as window_from_on, to_on as window_to_on, inspection_to_on as inspection_window_to_on"
        " from core.setting"
    )
    warehouse.append("audit.runs", pl.DataFrame([row]).hstack(window))
    warehouse.comment("audit.runs", AUDIT_RUNS.grain, AUDIT_RUNS.columns)


def _row_counts(warehouse: Warehouse) -> dict[str, int]:
    names = [f"core.{kind}" for kind in ALL_KINDS] + ["quarantine.records", "audit.files"]
    names += [table.full_name for table in MARTS]
    counts = {}
    for name in names:
        if warehouse.has(name):
            counts[name] = warehouse.query(f"select count(*) as n from {name}")["n"][0]
    return counts
