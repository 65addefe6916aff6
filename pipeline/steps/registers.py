"""Read vehicles, jobs, trace headers and inspections; judge each record by itself; stage them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.errors import DataStopsRun, FileUnreadable
from pipeline.lake.find import LakeFile
from pipeline.lake.reading import Reading
from pipeline.steps.plan import Plan
from pipeline.steps.refusals import Tally
from pipeline.steps.stage import REGISTER_KINDS, forget, put_file
from pipeline.validate.door import record_problems
from pipeline.warehouse.store import Warehouse

#: records judged at once; many small files share one call of the door
BATCH_ROWS = 500_000

REGISTER_TABLES = tuple(f"stage.{kind}" for kind in REGISTER_KINDS)


@dataclass
class _Batch:
    readings: list[Reading] = field(default_factory=list)
    n_rows: int = 0


def read_registers(plan: Plan, warehouse: Warehouse, tally: Tally) -> None:
    """Read what the plan names of the four register kinds into the stage."""
    by_kind: dict[str, list[LakeFile]] = defaultdict(list)
    for file in plan.to_read:
        by_kind[file.kind].append(file)
    for kind in REGISTER_KINDS:
        batch = _Batch()
        for file in by_kind[kind]:
            reading = _read(plan, warehouse, file)
            if reading is None:
                continue
            tally.hint(file.file, reading.hint)
            batch.readings.append(reading)
            batch.n_rows += reading.records.height
            if batch.n_rows >= BATCH_ROWS:
                _stage_batch(warehouse, kind, batch, tally)
                batch = _Batch()
        _stage_batch(warehouse, kind, batch, tally)
    _read_headers(plan, warehouse, by_kind["samples"])


def _read(plan: Plan, warehouse: Warehouse, file: LakeFile) -> Reading | None:
    from pipeline.lake.read_records import read_records

    plan.tell(f"reading {file.file}")
    try:
        reading = read_records(file, plan.stock.forms[file.source_id])
    except FileUnreadable as problem:
        note_unreadable(plan, warehouse, file, problem)
        return None
    forget(warehouse, [file.file], ("stage.problems", *REGISTER_TABLES))
    put_file(warehouse, file, "read", reading.hint or None, plan.started_at)
    return reading


def note_unreadable(plan: Plan, warehouse: Warehouse, file: LakeFile, problem: FileUnreadable) -> None:
    """Report a file that cannot be read; rows that an earlier run took from it stay."""
    plan.tell(f"cannot read {file.file}: {problem.what}")
    text = f"{problem.what.rstrip('.')}. {problem.todo}" if problem.todo else problem.what
    plan.skipped.append(f"{file.file}: {text}")
    put_file(warehouse, file, "unreadable", text, plan.started_at)


def stop_if_a_register_is_unreadable(plan: Plan, warehouse: Warehouse) -> None:
    """Stop when files of vehicles or jobs are there and not one can be read, whatever earlier runs read of them.

    Raises
    ------
    DataStopsRun : with the files and what is wrong with them.
    """
    lines = pl.concat(
        [warehouse.table("stage.files"), plan.known.filter(pl.col("file").is_in(plan.kept_names))]
    )
    unread = lines.filter(pl.col("status") == "unreadable").sort("file")
    for kind in ("vehicles", "jobs"):
        there = {file.file for file in plan.stock.files if file.kind == kind}
        mine = unread.filter(pl.col("kind") == kind)
        if there and there <= set(mine["file"]):
            lines_told = mine.select("file", "problem").head(3).iter_rows()
            told = "; ".join(f"{file}: {problem}" for file, problem in lines_told)
            raise DataStopsRun(
                f"no file of {kind} can be read (there are {len(there)}), so the run stops",
                told,
                "mend the files or the source.toml, then run again; nothing of the previous run was changed",
            )


def _stage_batch(warehouse: Warehouse, kind: str, batch: _Batch, tally: Tally) -> None:
    if not batch.n_rows:
        return
    records = pl.concat([r.records for r in batch.readings])
    misread = pl.concat([r.misread for r in batch.readings])
    raw = pl.concat([raw_of(r.text) for r in batch.readings])
    problems = record_problems(ALL_KINDS[kind], records, misread)
    tally.count(records, problems)
    stage_records(warehouse, kind, records.with_columns(raw=raw), problems)


def stage_records(warehouse: Warehouse, kind: str, records: pl.DataFrame, problems: pl.DataFrame) -> None:
    """Append records (with `raw`) and what broke them to the stage."""
    bad = problems.select("file", "row").unique().with_columns(is_sound=pl.lit(False))
    marked = records.join(bad, on=["file", "row"], how="left", maintain_order="left")
    warehouse.append(f"stage.{kind}", marked.with_columns(pl.col("is_sound").fill_null(True)))
    named = problems.join(records.select("file", "row", "raw", "source_id"), on=["file", "row"], how="left")
    warehouse.append("stage.problems", named)


def raw_of(text: pl.DataFrame) -> pl.Series:
    """Return each record as it came, as JSON."""
    if not text.width:
        return pl.Series("raw", [None] * text.height, dtype=pl.String)
    return text.select(pl.struct(pl.all()).struct.json_encode().alias("raw")).to_series()


def _read_headers(plan: Plan, warehouse: Warehouse, files: list[LakeFile]) -> None:
    """Stage the trace headers that recordings carry in their names or preambles (rows 0, -1, ... of their file)."""
    from pipeline.lake.recordings import headers_from_recordings

    by_source: dict[str, list[LakeFile]] = defaultdict(list)
    for file in files:
        by_source[file.source_id].append(file)
    for source_id, mine in by_source.items():
        reading = headers_from_recordings(mine, plan.stock.forms[source_id])
        told = [file.file for file in mine if file.file not in reading.hints]
        # Rows above 0 are samples: what was refused of them stays where their file turns out to be damaged.
        forget(warehouse, told, ("stage.traces", "stage.problems"), "row <= 0")
        if reading.records.is_empty():
            continue
        records, misread = _numbered(reading)
        problems = record_problems(ALL_KINDS["traces"], records, misread)
        stage_records(warehouse, "traces", records.with_columns(raw=raw_of(reading.text)), problems)


def _numbered(reading: Reading) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Number the headers of one file 0, -1, ...; what its name says wrongly is wrong for each of them."""
    records = reading.records.with_columns(row=-pl.int_range(pl.len(), dtype=pl.Int64).over("file"))
    told = reading.misread.drop("row").unique(maintain_order=True)
    misread = told.join(records.select("file", "row"), on="file").select(reading.misread.columns)
    return records, misread
