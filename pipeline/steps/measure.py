"""Measure every accepted recording: samples in, one row a trace out.

Samples are read once, a few files at a time, on every core; what is kept of a recording until all are read (about a
kilobyte) is what it must be compared with: its model's norms come from the whole lake.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.contract.tables import MODEL_NORM, TRACE_RESULT
from pipeline.settings import Settings
from pipeline.traces.measure import judge_taken, take
from pipeline.traces.model_norms import NORM_SCHEMA, model_norms
from pipeline.traces.recordings import gather, recordings_of
from pipeline.traces.rows import RESULT_SCHEMA, rows_of
from pipeline.traces.taken import Taken
from pipeline.warehouse.store import Warehouse

#: samples measured at once, by each core
BATCH_SAMPLES = 1_000_000
SAMPLE_COLUMNS = [
    "t_s",
    "tank_pressure_pa",
    "sensor_v",
    "purge_duty_pct",
    "is_vent_closed",
    "engine_rpm",
    "is_pressure_derived",
]
#: read too where a recording has any
FLOW_COLUMN = "test_flow_std_l_min"

#: a fact of the header; where it has none, what the recording's own diagnostic answers tell
HEADERS = """
with told as (
    select trace_id, min(fuel_level_pct) as fuel_level_pct, min(ambient_c) as ambient_c,
           min(barometric_kpa) as barometric_kpa
    from stage.trace_facts
    group by trace_id
)
select t.trace_id, t.job_id, t.vehicle_id, t.stage, t.recorded_at,
       coalesce(t.fuel_level_pct, told.fuel_level_pct) as fuel_level_pct,
       coalesce(t.ambient_c, told.ambient_c) as ambient_c,
       coalesce(t.barometric_kpa, told.barometric_kpa) as barometric_kpa,
       v.fuel_tank_l, v.make, v.model, j.trouble_codes, j.checks
from core.traces t
join core.vehicles v using (vehicle_id)
left join told using (trace_id)
left join core.jobs j using (job_id)
order by t.trace_id
"""

#: which recordings each file holds, how many samples of each, and how many of them with a flow of test gas; a file is
#: sorted by recording and time
HELD = """
select parse_filename(filename) as parquet, trace_id, count(*) as n, count(test_flow_std_l_min) as n_flow
from read_parquet(?, filename = true)
group by all
order by parquet, trace_id
"""

SAMPLES_OF = """
select trace_id, t_s, tank_pressure_pa, sensor_v, purge_duty_pct, is_vent_closed, engine_rpm, is_pressure_derived,
       test_flow_std_l_min
from core.samples
where trace_id in (select unnest(?::varchar[]))
order by trace_id, t_s
"""


@dataclass(frozen=True)
class _Batch:
    """Files to read together, and the headers of their recordings in the files' order, each with its `n` samples.

    `is_scattered`: a recording lies in more than one file, so that its samples must be brought together.
    """

    files: list[Path]
    headers: pl.DataFrame
    is_scattered: bool = False


def measure(warehouse: Warehouse, settings: Settings, folder: Path) -> None:
    """Fill mart.trace_result and mart.model_norm from the accepted samples in `folder`. Replaces both whole."""
    batches = list(_batches(warehouse, folder))
    with ThreadPoolExecutor(os.cpu_count()) as cores:
        taken = list(cores.map(lambda batch: _take(batch, settings), batches))
    told = [each.for_norms() for each in taken]
    norms = model_norms(pl.concat(told)) if told else pl.DataFrame(schema=NORM_SCHEMA)
    results = [rows_of(judge_taken(each, norms, settings), settings) for each in taken]
    warehouse.write(MODEL_NORM, norms)
    whole = pl.concat(results).sort("trace_id") if results else pl.DataFrame(schema=RESULT_SCHEMA)
    warehouse.write(TRACE_RESULT, whole)


def _take(batch: _Batch, settings: Settings) -> Taken:
    headers = batch.headers.drop("n", "n_flow", "parquet")
    columns = [*SAMPLE_COLUMNS, *([FLOW_COLUMN] if batch.headers["n_flow"].sum() else [])]
    if batch.is_scattered:
        recordings = gather(_read(batch.files, ["trace_id", *columns]), headers["trace_id"])
    else:
        counts = batch.headers["n"].to_numpy().astype(np.int64)
        recordings = recordings_of(_read(batch.files, columns), counts)
    return take(recordings, headers, settings).without_curves()


def _read(files: list[Path], columns: list[str]) -> pl.DataFrame:
    if not files:
        return pl.DataFrame(schema=dict.fromkeys(columns, pl.Float64)).with_columns(
            pl.col("is_vent_closed", "is_pressure_derived").cast(pl.Boolean)
        )
    return pl.concat([pl.read_parquet(file, columns=columns, glob=False) for file in files]).select(columns)


def _batches(warehouse: Warehouse, folder: Path) -> Iterator[_Batch]:
    """Yield whole files until there are BATCH_SAMPLES, those that share a recording together, and at last the
    recordings without samples."""
    headers = warehouse.query(HEADERS)
    names = warehouse.query("select distinct parquet from stage.sample_parquet order by parquet")["parquet"]
    held = _held(warehouse, [str(folder / name) for name in names])
    parts = held.group_by("trace_id").len()
    shared = held.join(parts.filter(pl.col("len") > 1), on="trace_id", how="semi")["parquet"].unique()
    alone = held.filter(~pl.col("parquet").is_in(shared.implode()))
    numbered = alone.with_columns(batch=(pl.col("n").cum_sum() - 1) // BATCH_SAMPLES)
    numbered = numbered.with_columns(batch=pl.col("batch").first().over("parquet"))
    for _, mine in numbered.group_by("batch", maintain_order=True):
        yield _Batch(
            _paths(folder, mine), mine.join(headers, on="trace_id", how="left", maintain_order="left")
        )
    together = held.filter(pl.col("parquet").is_in(shared.implode()))
    if together.height:
        mine = together.group_by("trace_id", maintain_order=True).agg(
            pl.col("n", "n_flow").sum(), pl.col("parquet").first()
        )
        known = mine.join(headers, on="trace_id", how="left", maintain_order="left")
        yield _Batch(_paths(folder, together), known, is_scattered=True)
    silent = headers.join(held, on="trace_id", how="anti", maintain_order="left")
    if silent.height:
        n = (
            *(pl.lit(0, pl.Int64).alias(name) for name in ("n", "n_flow")),
            pl.lit(None, pl.String).alias("parquet"),
        )
        yield _Batch([], silent.with_columns(*n))


def _held(warehouse: Warehouse, files: list[str]) -> pl.DataFrame:
    if not files:
        return pl.DataFrame(
            schema={"parquet": pl.String, "trace_id": pl.String, "n": pl.Int64, "n_flow": pl.Int64}
        )
    return warehouse.query(HELD, [files])


def _paths(folder: Path, held: pl.DataFrame) -> list[Path]:
    return [folder / name for name in held["parquet"].unique(maintain_order=True)]


def some_traces(warehouse: Warehouse, trace_ids: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (samples, headers) of these traces, in the order of their ids. Reads only."""
    headers = warehouse.query(HEADERS).filter(pl.col("trace_id").is_in(trace_ids))
    return warehouse.query(SAMPLES_OF, [trace_ids]), headers
