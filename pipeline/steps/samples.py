"""Read the samples, judge them chunk by chunk, and keep the accepted as Parquet in our units."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from pipeline.contract.fields import SAMPLES
from pipeline.contract.table_form import flag
from pipeline.errors import FileUnreadable
from pipeline.lake.find import LakeFile
from pipeline.lake.reading import Reading
from pipeline.steps.plan import Plan
from pipeline.steps.previous import is_whole_parquet
from pipeline.steps.refusals import Tally
from pipeline.steps.registers import line_of, note_unreadable, raw_of
from pipeline.steps.stage import forget, put_file
from pipeline.traces.recordings import FLOW_COLUMN
from pipeline.validate.recordings import PART_SCHEMA, SamplesDoor
from pipeline.warehouse.store import Warehouse, kind_meanings, quoted

SAMPLE_TABLES = ("stage.sample_parts", "stage.sample_files", "stage.trace_facts")
#: what a Parquet file holds: `is_fed` says that any of its samples has a flow of test gas
HELD_SCHEMA = pl.Schema(
    {
        "file": pl.String,
        "parquet": pl.String,
        "trace_id": pl.String,
        "n_samples": pl.Int64,
        "is_fed": pl.Boolean,
    }
)
KEPT_COLUMNS = (*SAMPLES.names, "is_pressure_derived", "source_id", "file", "row")


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
    _drop_old_rows(plan.out.samples, warehouse, gone + plan.lost)
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
    intake.parquet.append(_write_parquet(intake.plan.out.samples, accepted))


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


def keep(samples: pl.DataFrame, path: Path) -> None:
    """Write samples in one piece, as they are read: of several, every column would have to be joined anew.

    A sensor answers in steps: a table of its readings and each one's place in it is read in a third of the time that
    the readings themselves take, however well packed.
    """
    table = samples.to_arrow(compat_level=pl.CompatLevel.oldest())
    pq.write_table(table, path, compression="lz4", row_group_size=max(samples.height, 1))


def _write_parquet(folder: Path, accepted: pl.DataFrame) -> pl.DataFrame:
    """Write one chunk as Parquet, sorted by recording and time, under a name made from its content.

    Returns HELD_SCHEMA: how many samples of which recordings it holds, by file of the lake.
    """
    if accepted.height == 0:
        return pl.DataFrame(schema=HELD_SCHEMA)
    kept = accepted.select(KEPT_COLUMNS).sort("trace_id", "t_s")
    name = f"{hashlib.sha256(kept.hash_rows(seed=11).to_numpy().tobytes()).hexdigest()[:24]}.parquet"
    if not is_whole_parquet(folder / name):
        keep(kept, folder / f"{name}.part")
        (folder / f"{name}.part").rename(folder / name)
    return held_by(kept, name)


def held_by(kept: pl.DataFrame, parquet: str) -> pl.DataFrame:
    """Return HELD_SCHEMA of one Parquet file, whose samples are sorted by recording."""
    runs = kept.select(run=pl.struct("file", "trace_id").rle()).unnest("run").unnest("value")
    held = runs.group_by("file", "trace_id").agg(n_samples=pl.col("len").sum()).sort("file", "trace_id")
    is_fed = kept[FLOW_COLUMN].null_count() < kept.height
    return (
        held.with_columns(parquet=pl.lit(parquet), is_fed=pl.lit(is_fed))
        .cast(HELD_SCHEMA)
        .select(*HELD_SCHEMA)
    )


def _stage(warehouse: Warehouse, intake: _Intake, files: list[LakeFile]) -> None:
    """Replace what the stage holds of the files that could be read; report the others."""
    for file in files:
        if file.file in intake.unreadable:
            note_unreadable(intake.plan, warehouse, file, intake.unreadable[file.file])
    read = [file for file in files if file.file not in intake.unreadable]
    names = [file.file for file in read]
    _drop_old_rows(intake.plan.out.samples, warehouse, names)
    forget(warehouse, names, ("stage.files",))
    for file in read:
        put_file(warehouse, line_of(file), "read", intake.tally.hints.get(file.file), intake.plan.started_at)
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


def _drop_old_rows(folder: Path, warehouse: Warehouse, files: list[str]) -> None:
    """Take the rows that these files held so far out of the stage and of the Parquet they share."""
    touched = warehouse.query(
        "select distinct parquet from stage.sample_parquet where file in (select unnest(?::varchar[]))"
        " order by parquet",
        [files],
    )["parquet"].to_list()
    for name in touched:
        if not is_whole_parquet(folder / name):
            # Every file that it held is read again, or is gone from the lake as well.
            continue
        rest = pl.read_parquet(folder / name, glob=False).filter(~pl.col("file").is_in(files))
        warehouse.con.execute("delete from stage.sample_parquet where parquet = ?", [name])
        warehouse.append("stage.sample_parquet", _write_parquet(folder, rest))
    forget(warehouse, files, (*SAMPLE_TABLES, "stage.sample_parquet"))
    forget(warehouse, files, ("stage.problems",), "row > 0")


def make_samples_view(warehouse: Warehouse, folder: Path) -> None:
    """Make core.samples a view over the Parquet files that belong to this warehouse."""
    names = warehouse.query("select distinct parquet from stage.sample_parquet order by parquet")["parquet"]
    if len(names):
        paths = ", ".join(quoted(str(folder / name)) for name in names)
        body = f"select * from read_parquet([{paths}])"
    else:
        empty = (
            "null::varchar as trace_id, null::double as t_s, null::double as tank_pressure_pa,"
            " null::double as sensor_v, null::double as purge_duty_pct, null::boolean as is_vent_closed,"
            " null::double as engine_rpm, null::double as test_flow_std_l_min, null::boolean as is_pressure_derived,"
            " null::varchar as source_id, null::varchar as file, null::bigint as row"
        )
        body = f"select {empty} where false"
    warehouse.con.execute(f"create or replace view core.samples as {body}")
    derived = flag("is_pressure_derived", "the pressure was derived from volts by the sensor's line")
    warehouse.comment("core.samples", SAMPLES.meaning, kind_meanings(SAMPLES, derived), "view")
