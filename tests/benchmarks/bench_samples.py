"""The whole measurement against a bare DuckDB scan of the same columns, on both cores, and what memory it takes.

Samples of a third author's recordings (`tests/end_to_end/foreign_traces.py`) are copied into Parquet files of a
million, as a run keeps them, and measured as a run does: read, fitted, compared with their models, judged, with
sentences, written to the warehouse. Prints seconds and ratios; asserts nothing, for a timed test lies on a busy
machine.

Run: uv run python -m tests.benchmarks.bench_samples [MILLION SAMPLES]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl

from pipeline.settings import Settings
from pipeline.steps.measure import measure
from pipeline.steps.samples import make_samples_view
from pipeline.steps.stage import STAGE_COLUMNS
from pipeline.warehouse.store import Warehouse, open_warehouse
from tests.end_to_end.foreign_traces import foreign_traces

SCAN = (
    "select sum(t_s), sum(tank_pressure_pa), sum(sensor_v), sum(purge_duty_pct), sum(is_vent_closed::int),"
    " sum(engine_rpm), count(trace_id) from core.samples"
)
KNOWN = 900


def main(millions: float) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "samples"
        folder.mkdir()
        with open_warehouse(Path(place) / "bench.duckdb", read_only=False) as warehouse:
            n, n_traces = fill(warehouse, folder, int(millions * 1e6))
            print(f"{n:,} samples of {n_traces:,} recordings; before: {_peak_gib():.2f} GiB")
            scan = min(_seconds(lambda: warehouse.query(SCAN)) for _ in range(5))
            _line("bare scan", scan, scan, n, n_traces)
            for _ in range(2):
                _line(
                    "whole measurement",
                    _seconds(lambda: measure(warehouse, Settings(), folder)),
                    scan,
                    n,
                    n_traces,
                )
            print(f"peak memory {_peak_gib():.2f} GiB")


def fill(warehouse: Warehouse, folder: Path, at_least: int) -> tuple[int, int]:
    """Write so many samples as a run would have, and the registers that belong to them."""
    samples, headers, _ = foreign_traces(KNOWN)
    headers = headers.unique("vehicle_id", keep="first", maintain_order=True)
    samples = samples.filter(pl.col("trace_id").is_in(headers["trace_id"].implode()))
    samples = samples.with_columns(row=pl.int_range(pl.len()), source_id=pl.lit("a"), file=pl.lit("f")).drop(
        "is_pressure_derived", strict=False
    )
    samples = samples.with_columns(is_pressure_derived=pl.lit(False))
    copies = -(-at_least // samples.height)
    for name, columns in STAGE_COLUMNS.items():
        warehouse.create(name, columns)
    per_file = max(1, 1_000_000 // samples.height)
    for first in range(0, copies, per_file):
        parts = [_copy(samples, k) for k in range(first, min(first + per_file, copies))]
        pl.concat(parts).sort("trace_id", "t_s").write_parquet(
            folder / f"{first:06}.parquet", compression="zstd"
        )
    files = pl.DataFrame({"parquet": sorted(path.name for path in folder.iterdir())})
    warehouse.append("stage.sample_parquet", files.with_columns(file=pl.lit("f")))
    for name, table in _registers(headers, copies).items():
        warehouse.con.register("incoming", table)
        warehouse.con.execute(f"create table core.{name} as select * from incoming").fetchall()
    make_samples_view(warehouse, folder)
    return copies * samples.height, copies * headers.height


def _copy(frame: pl.DataFrame, k: int) -> pl.DataFrame:
    return frame.with_columns(trace_id=pl.format("C{}-{}", pl.lit(str(k).zfill(5)), "trace_id"))


def _registers(headers: pl.DataFrame, copies: int) -> dict[str, pl.DataFrame]:
    of_trace = ["trace_id", "job_id", "vehicle_id", "stage", "recorded_at", "fuel_level_pct", "ambient_c"]
    return {
        "traces": pl.concat([_copy(headers, k) for k in range(copies)]).select(*of_trace, "barometric_kpa"),
        "vehicles": headers.select("vehicle_id", "make", "model", "fuel_tank_l"),
        "jobs": headers.select("job_id", "trouble_codes", "checks").unique("job_id"),
    }


def _seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def _line(name: str, seconds: float, scan: float, n: int, n_traces: int) -> None:
    each = seconds / n_traces * 1e6
    rate = n / seconds / 1e6
    print(
        f"{name:20} {seconds:9.3f} s {seconds / scan:7.2f} x scan {rate:8.1f} M samples/s {each:8.1f} us a trace"
    )


def _peak_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 5)
