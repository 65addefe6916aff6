"""Read the samples, and judge them chunk by chunk."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import FileUnreadable
from pipeline.lake.find import LakeFile
from pipeline.lake.reading import Reading
from pipeline.steps.kept_samples import drop_old_rows, make_samples_view, write_kept
from pipeline.steps.plan import Plan
from pipeline.steps.refusals import Tally
from pipeline.steps.registers import note_unreadable, raw_of
from pipeline.steps.stage import forget, put_file
from pipeline.validate.recordings import PART_SCHEMA, SamplesDoor
from pipeline.warehouse.store import Warehouse


@dataclass
class _Intake:
    """What the reading of sample files yields; staged only when it is known which files were readable."""

    plan: Plan
    door: SamplesDoor
    tally: Tally
    problems: list[pl.DataFrame] = field(default_factory=list)
    counts: list[pl.DataFrame] = field(default_factory=list)
    parquet: list[pl.DataFrame] = field(default_factory=list)
    told: list[pl.DataFrame] = field(default_factory=list)
    unreadable: dict[str, FileUnreadable] = field(default_factory=dict)


def read_sample_files(plan: Plan, warehouse: Warehouse, refused: pl.DataFrame, tally: Tally) -> None:
    """Read new samples, those whose recordings have since been accepted or refused, and those that share a recording
    with either or with a file that is gone: which of two files stands must not depend on the run in which it came.

    Parameters
    ----------
    refused : (trace_id, why__) of trace headers that were not accepted.
    """
    gone = plan.gone["file"].to_list()
    heirs = _sharing(plan, set(gone), warehouse.table("stage.sample_parts")) if gone else []
    drop_old_rows(plan.out.samples, warehouse, gone + plan.lost)
    headers = warehouse.query(
        "select t.trace_id, v.make, v.model, t.barometric_kpa from core.traces t"
        " join core.vehicles v using (vehicle_id)"
    )
    earlier = warehouse.table("stage.sample_parts").select(list(PART_SCHEMA))
    wanted = {file.file: file for file in heirs + _files_to_read(plan, warehouse)}
    files = _with_sharing(plan, list(wanted.values()), earlier)
    unreadable: dict[str, FileUnreadable] = {}
    while True:
        intake = _read_all(plan, [f for f in files if f.file not in unreadable], headers, refused, earlier)
        unreadable |= intake.unreadable
        more = _with_sharing(plan, files, pl.concat([earlier, intake.door.parts]))
        if len(more) == len(files) and not _shared(intake, earlier):
            break
        files = more
    tally.add(intake.tally)
    intake.unreadable = unreadable
    _stage(warehouse, intake, files)
    make_samples_view(warehouse, plan.out.samples)


def _with_sharing(plan: Plan, files: list[LakeFile], parts: pl.DataFrame) -> list[LakeFile]:
    """Add the kept files that hold a part of a recording of which these files hold another."""
    names = {file.file for file in files}
    while more := _sharing(plan, names, parts):
        files, names = files + more, names | {file.file for file in more}
    return sorted(files, key=lambda file: file.file)


def _sharing(plan: Plan, names: set[str], parts: pl.DataFrame) -> list[LakeFile]:
    """Return the other kept files that hold a part of a recording of which these hold one."""
    ids = parts.filter(pl.col("file").is_in(list(names)))["trace_id"].unique()
    sharing = set(parts.filter(pl.col("trace_id").is_in(ids.implode()))["file"].to_list())
    return [f for f in plan.kept if f.kind == "samples" and f.file in sharing - names]


def _shared(intake: _Intake, earlier: pl.DataFrame) -> bool:
    """Say whether a file that turned out unreadable, and so keeps its earlier rows, shares a recording with another."""
    is_bad = pl.col("file").is_in(list(intake.unreadable))
    parts = pl.concat([earlier, intake.door.parts])
    mine, others = parts.filter(is_bad)["trace_id"], intake.door.parts.filter(~is_bad)["trace_id"]
    return bool(mine.is_in(others.implode()).any())


def _read_all(
    plan: Plan, files: list[LakeFile], headers: pl.DataFrame, refused: pl.DataFrame, earlier: pl.DataFrame
) -> _Intake:
    others = earlier.filter(~pl.col("file").is_in([file.file for file in files]))
    intake = _Intake(plan, SamplesDoor(headers.select("trace_id"), refused, others), Tally())
    for source_id in sorted({file.source_id for file in files}):
        _read_source(intake, source_id, [f for f in files if f.source_id == source_id], headers)
    return intake


def _files_to_read(plan: Plan, warehouse: Warehouse) -> list[LakeFile]:
    changed = warehouse.query(
        "select distinct file from stage.sample_parts where is_known <>"
        " (trace_id in (select trace_id from core.traces))"
    )["file"].to_list()
    again = [file for file in plan.kept if file.kind == "samples" and file.file in set(changed)]
    return again + [file for file in plan.to_read if file.kind == "samples"]


def _read_source(intake: _Intake, source_id: str, files: list[LakeFile], headers: pl.DataFrame) -> None:
    from pipeline.lake.read_samples import is_one_recording, read_samples

    form = intake.plan.stock.forms[source_id]
    intake.plan.tell(f"reading {len(files)} sample files of {source_id}")

    def on_unreadable(file: LakeFile, problem: FileUnreadable) -> None:
        intake.unreadable[file.file] = problem

    pool = f"{source_id}: its recordings together"
    intake.tally.pools.update({file.file: pool for file in files if is_one_recording(file, form)})
    for reading in read_samples(files, form, headers, on_unreadable=on_unreadable):
        intake.tally.hints.update(reading.hints)
        _take_chunk(intake, reading)


def _take_chunk(intake: _Intake, reading: Reading) -> None:
    accepted, problems, duplicates = intake.door.judge(reading.records, reading.misread)
    intake.tally.count(reading.records, problems)
    intake.problems.append(_with_raw(reading, problems))
    intake.counts.append(_counts(reading.records, problems, duplicates))
    intake.told.append(reading.told)
    intake.parquet.append(write_kept(intake.plan.out.samples, accepted))


def _with_raw(reading: Reading, problems: pl.DataFrame) -> pl.DataFrame:
    at = reading.records.select("file", "row", "source_id").with_row_index("at__")
    bad = at.join(problems.select("file", "row").unique(), on=["file", "row"], how="semi")
    bad = bad.with_columns(raw=raw_of(reading.text_of(reading.came[bad["at__"]]))).drop("at__")
    return problems.join(bad, on=["file", "row"], how="left")


def _counts(records: pl.DataFrame, problems: pl.DataFrame, duplicates: pl.DataFrame) -> pl.DataFrame:
    read = records.group_by("file").agg(n_read=pl.len())
    bad = problems.group_by("file").agg(n_quarantined=pl.col("row").n_unique())
    again = duplicates.group_by("file").agg(n_duplicate=pl.len())
    counts = read.join(bad, on="file", how="left").join(again, on="file", how="left")
    numbers = pl.col("n_read", "n_quarantined", "n_duplicate").fill_null(0).cast(pl.Int64)
    return counts.with_columns(numbers).with_columns(
        n_accepted=pl.col("n_read") - pl.col("n_quarantined") - pl.col("n_duplicate")
    )


def _stage(warehouse: Warehouse, intake: _Intake, files: list[LakeFile]) -> None:
    """Replace what the stage holds of the files that could be read; report the others."""
    for file in files:
        if file.file in intake.unreadable:
            note_unreadable(intake.plan, warehouse, file, intake.unreadable[file.file])
    read = [file for file in files if file.file not in intake.unreadable]
    names = [file.file for file in read]
    drop_old_rows(intake.plan.out.samples, warehouse, names)
    forget(warehouse, names, ("stage.files",))
    for file in read:
        put_file(warehouse, file, "read", intake.tally.hints.get(file.file), intake.plan.started_at)
    mine = pl.col("file").is_in(names)
    for table, frames in (
        ("stage.problems", intake.problems),
        ("stage.sample_parquet", intake.parquet),
        ("stage.trace_facts", intake.told),
    ):
        for frame in frames:
            warehouse.append(table, frame.filter(mine))
    if intake.counts:
        counts = pl.concat(intake.counts).filter(mine).group_by("file").sum().sort("file")
        warehouse.append("stage.sample_files", counts)
    _stage_parts(warehouse, intake.door.parts.filter(mine))


def _stage_parts(warehouse: Warehouse, parts: pl.DataFrame) -> None:
    whole = parts.group_by("file", "trace_id", maintain_order=True).agg(
        pl.col("n_samples").sum(),
        pl.col("t_first_s").min(),
        pl.col("t_last_s").max(),
        pl.col("fingerprint").sum(),
        pl.col("is_known").first(),
    )
    warehouse.append("stage.sample_parts", whole)
