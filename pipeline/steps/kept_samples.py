"""The accepted samples as Parquet in our units: what is written, what goes, and the view over what is there."""

from __future__ import annotations

import hashlib
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from pipeline.contract.fields import SAMPLES
from pipeline.contract.table_form import flag
from pipeline.steps.previous import is_whole_parquet
from pipeline.steps.stage import forget
from pipeline.traces.recordings import FLOW_COLUMN
from pipeline.warehouse.store import Warehouse, kind_columns, kind_meanings, quoted

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
#: Columns of a kept sample with their DuckDB types.
KEPT_COLUMNS = kind_columns(SAMPLES, ("is_pressure_derived", "BOOLEAN"))


def keep(samples: pl.DataFrame, path: Path) -> None:
    """Write samples in one piece, as they are read: of several, every column would have to be joined anew.

    A sensor answers in steps: a table of its readings and each one's place in it is read in a third of the time that
    the readings themselves take, however well packed.
    """
    table = samples.to_arrow(compat_level=pl.CompatLevel.oldest())
    pq.write_table(table, path, compression="lz4", row_group_size=max(samples.height, 1))


def write_kept(folder: Path, accepted: pl.DataFrame) -> pl.DataFrame:
    """Write one chunk as Parquet, sorted by recording and time, under a name made from its content.

    Returns HELD_SCHEMA: how many samples of which recordings it holds, by file of the lake.
    """
    if accepted.height == 0:
        return pl.DataFrame(schema=HELD_SCHEMA)
    kept = accepted.select(name for name, _ in KEPT_COLUMNS).sort("trace_id", "t_s")
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


def drop_old_rows(folder: Path, warehouse: Warehouse, files: list[str]) -> None:
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
        warehouse.append("stage.sample_parquet", write_kept(folder, rest))
    forget(warehouse, files, (*SAMPLE_TABLES, "stage.sample_parquet"))
    forget(warehouse, files, ("stage.problems",), "row > 0")


def make_samples_view(warehouse: Warehouse, folder: Path) -> None:
    """Make core.samples a view over the Parquet files that belong to this warehouse."""
    names = warehouse.query("select distinct parquet from stage.sample_parquet order by parquet")["parquet"]
    if len(names):
        paths = ", ".join(quoted(str(folder / name)) for name in names)
        body = f"select * from read_parquet([{paths}])"
    else:
        nothing = ", ".join(f"null::{type_} as {name}" for name, type_ in KEPT_COLUMNS)
        body = f"select {nothing} where false"
    warehouse.con.execute(f"create or replace view core.samples as {body}")
    derived = flag("is_pressure_derived", "the pressure was derived from volts by the sensor's line")
    warehouse.comment("core.samples", SAMPLES.meaning, kind_meanings(SAMPLES, derived), "view")
