"""Which samples files are read together, and whose recordings they hold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.warehouse.store import Warehouse

#: samples read at once by each core, or a whole file where it holds more
BATCH_SAMPLES = 500_000
#: each file is sorted by recording and time
HELD = """
select parquet, trace_id, sum(n_samples)::bigint as n, bool_or(is_fed) as is_fed
from stage.sample_parquet
group by parquet, trace_id
order by parquet, trace_id
"""


@dataclass(frozen=True)
class Batch:
    """Files to read together, and the headers of their recordings in the files' order, each with `n`, its samples, and
    `is_fed`: its file has flows of test gas. `is_scattered`: a recording lies in more than one file, so that its
    samples must be brought together.
    """

    files: list[Path]
    headers: pl.DataFrame
    is_scattered: bool = False


def batches(warehouse: Warehouse, folder: Path, headers: pl.DataFrame) -> Iterator[Batch]:
    """Yield whole files until there are BATCH_SAMPLES, those that share a recording together, and at last the
    recordings without samples.

    Parameters
    ----------
    folder : of the samples. headers : of every recording.
    """
    held = warehouse.query(HELD)
    parts = held.group_by("trace_id").len()
    shared = held.join(parts.filter(pl.col("len") > 1), on="trace_id", how="semi")["parquet"].unique()
    known = held.join(headers, on="trace_id", how="left", maintain_order="left")
    alone = known.filter(~pl.col("parquet").is_in(shared.implode()))
    numbered = alone.with_columns(batch=(pl.col("n").cum_sum() - pl.col("n")) // BATCH_SAMPLES)
    numbered = numbered.with_columns(batch=pl.col("batch").first().over("parquet"))
    for mine in numbered.partition_by("batch", maintain_order=True, include_key=False):
        yield Batch(_paths(folder, mine), mine.drop("parquet"))
    together = known.filter(pl.col("parquet").is_in(shared.implode()))
    if together.height:
        mine = together.group_by("trace_id", maintain_order=True).agg(
            pl.col("n").sum(), pl.col("is_fed").any(), pl.exclude("n", "is_fed", "parquet").first()
        )
        yield Batch(_paths(folder, together), mine, is_scattered=True)
    silent = headers.join(held, on="trace_id", how="anti", maintain_order="left")
    if silent.height:
        yield Batch([], silent.with_columns(n=pl.lit(0, pl.Int64), is_fed=pl.lit(False)))


def _paths(folder: Path, held: pl.DataFrame) -> list[Path]:
    return [folder / name for name in held["parquet"].unique(maintain_order=True)]
