"""The whole measurement against bare DuckDB scans of the same columns, on both cores, and what memory it takes.

Samples of another author's recordings (`tests/end_to_end/foreign_traces.py`) are copied into Parquet files of a
million, as a run keeps them, by a process of its own, so that the peak memory told is the measurement's. They are
measured as a run does: read, fitted, compared with their models, judged, with sentences, written to the warehouse.
Two scans stand beside it: of those files, and of the same samples as a lake's exporter would have written them, with
polars' own settings (zstd), for how we keep samples moves the scan as well as the measurement.
Prints seconds and ratios; asserts nothing, for a timed test lies on a busy machine.

Run: uv run python -m tests.benchmarks.bench_samples [MILLION SAMPLES] [SAMPLES A SECOND, or 0: 1 to 10 as they come]
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.settings import Settings
from pipeline.steps.kept_samples import held_by, keep, make_samples_view
from pipeline.steps.measure import measure
from pipeline.steps.stage import STAGE_COLUMNS
from pipeline.warehouse.store import Warehouse, open_warehouse

SCAN = (
    "select sum(t_s), sum(tank_pressure_pa), sum(sensor_v), sum(purge_duty_pct), sum(is_vent_closed::int),"
    " sum(engine_rpm), count(trace_id) from "
)
KNOWN = 900
#: From here on one measurement is long enough to be timed.
LARGE = 50_000_000


def main(millions: float, rate_hz: float) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder, database = Path(place) / "samples", Path(place) / "bench.duckdb"
        folder.mkdir()
        apart(make_lake, database, folder, int(millions * 1e6), rate_hz)
        apart(run, database, folder)


def apart(work: Callable[..., Any], *arguments: object) -> Any:
    """Return what `work` returns in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        return process.submit(work, *arguments).result()


def run(database: Path, folder: Path) -> None:
    with open_warehouse(database, read_only=False) as warehouse:
        _compare(warehouse, folder)


def _compare(warehouse: Warehouse, folder: Path) -> None:
    n = int(warehouse.query("select count(*) as n from core.samples")["n"][0])
    n_traces = int(warehouse.query("select count(*) as n from core.traces")["n"][0])
    print(f"{n:,} samples of {n_traces:,} recordings; peak memory before: {_peak_gib():.2f} GiB")
    kept = _scan(warehouse, "core.samples")
    exported = _scan(warehouse, f"read_parquet('{_exported(folder)}/*.parquet')")
    _line("scan of the kept", kept, kept, exported, n, n_traces)
    _line("scan of the exported", exported, kept, exported, n, n_traces)
    for _ in range(1 if n > LARGE else 3):
        _line(
            "whole measurement",
            _seconds(lambda: measure(warehouse, Settings(), folder, folder.parent)),
            kept,
            exported,
            n,
            n_traces,
        )
        print(f"peak memory {_peak_gib():.2f} GiB")


def _exported(folder: Path) -> Path:
    return folder.parent / "exported"


def _scan(warehouse: Warehouse, table: str) -> tuple[float, float]:
    """Return the least wall-clock and processor seconds of five scans."""
    scans = [_seconds(lambda: warehouse.query(SCAN + table)) for _ in range(5)]
    wall, cpu = (min(each) for each in zip(*scans, strict=True))
    return wall, cpu


def make_lake(database: Path, folder: Path, at_least: int, rate_hz: float) -> None:
    """Write the lake, and compile the kernels where they are not: a process of its own does both."""
    from pipeline.traces.measure import measure_traces
    from tests.end_to_end.foreign_traces import foreign_traces

    samples, headers, _ = foreign_traces(150)
    measure_traces(samples, headers, Settings())
    with open_warehouse(database, read_only=False) as warehouse:
        fill(warehouse, folder, at_least, rate_hz)


def fill(warehouse: Warehouse, folder: Path, at_least: int, rate_hz: float = 0) -> None:
    """Write so many samples as a run would have, and the registers that belong to them."""
    from tests.end_to_end.foreign_traces import foreign_traces

    samples, headers, _ = foreign_traces(KNOWN, rate_hz=rate_hz or None)
    headers = headers.unique("vehicle_id", keep="first", maintain_order=True)
    samples = samples.filter(pl.col("trace_id").is_in(headers["trace_id"].implode()))
    samples = samples.with_columns(row=pl.int_range(pl.len()), source_id=pl.lit("a"), file=pl.lit("f"))
    if "test_flow_std_l_min" not in samples.columns:
        samples = samples.with_columns(test_flow_std_l_min=pl.lit(None, pl.Float64))
    copies = -(-at_least // samples.height)
    for name, columns in STAGE_COLUMNS.items():
        warehouse.create(name, columns)
    per_file = max(1, 1_000_000 // samples.height)
    _exported(folder).mkdir()
    for first in range(0, copies, per_file):
        parts = [_copy(samples, k) for k in range(first, min(first + per_file, copies))]
        kept, name = pl.concat(parts).sort("trace_id", "t_s"), f"{first:06}.parquet"
        keep(kept, folder / name)
        kept.write_parquet(_exported(folder) / name)
        warehouse.append("stage.sample_parquet", held_by(kept, name))
    for name, table in _registers(headers, copies).items():
        warehouse.con.register("incoming", table)
        warehouse.con.execute(f"create table core.{name} as select * from incoming").fetchall()
    make_samples_view(warehouse, folder)


def _copy(frame: pl.DataFrame, k: int) -> pl.DataFrame:
    return frame.with_columns(trace_id=pl.format("C{}-{}", pl.lit(str(k).zfill(5)), "trace_id"))


def _registers(headers: pl.DataFrame, copies: int) -> dict[str, pl.DataFrame]:
    of_trace = ["trace_id", "job_id", "vehicle_id", "stage", "recorded_at", "fuel_level_pct", "ambient_c"]
    return {
        "traces": pl.concat([_copy(headers, k) for k in range(copies)]).select(
            *of_trace, "barometric_kpa", source_id=pl.lit("a")
        ),
        "vehicles": headers.select("vehicle_id", "make", "model", "fuel_tank_l", model_year=pl.lit(2015)),
        "jobs": headers.select("job_id", pl.lit("s").alias("shop_id"), "trouble_codes", "checks").unique(
            "job_id"
        ),
    }


def _seconds(call: Callable[[], object]) -> tuple[float, float]:
    """Return wall-clock and processor seconds."""
    start, used = time.perf_counter(), time.process_time()
    call()
    return time.perf_counter() - start, time.process_time() - used


def _line(
    name: str,
    seconds: tuple[float, float],
    kept: tuple[float, float],
    exported: tuple[float, float],
    n: int,
    n_traces: int,
) -> None:
    wall, cpu = seconds
    print(
        f"{name:20} {wall:8.3f} s, {wall / kept[0]:5.2f} x scan of the kept, {wall / exported[0]:5.2f} of the exported;"
        f" processor {cpu:8.3f} s, {cpu / kept[1]:5.2f} and {cpu / exported[1]:5.2f}; {n / wall / 1e6:6.1f} M"
        f" samples/s, {wall / n_traces * 1e6:7.1f} us and {cpu / n_traces * 1e6:7.1f} core us a recording"
    )


def _peak_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


if __name__ == "__main__":
    given = [float(word) for word in sys.argv[1:]]
    main(given[0] if given else 5, given[1] if len(given) > 1 else 0)
