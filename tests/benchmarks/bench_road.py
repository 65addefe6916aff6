"""How long the parts of a run take, against a bare DuckDB scan of the same columns, in one process.

Run by hand: `uv run python -m tests.benchmarks.bench_road [VEHICLES]` (default 4000, every job recorded: about a
million samples). Prints seconds and ratios; asserts nothing, for a timed test lies on a busy machine.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from pipeline.settings import Settings
from pipeline.simulate.lake import LARGEST_VARIED, simulate_lake
from pipeline.steps import run
from pipeline.steps.folder import building_in
from pipeline.steps.measure import measure
from pipeline.steps.plan import make_plan
from pipeline.warehouse.store import Warehouse, open_warehouse

SCAN = (
    "select sum(t_s), sum(tank_pressure_pa), sum(sensor_v), sum(purge_duty_pct), sum(is_vent_closed::int),"
    " count(trace_id) from core.samples"
)


def _seconds(call: Callable[[], object], n_times: int = 1) -> float:
    """Return the shortest of some runs [s]."""
    best = float("inf")
    for _ in range(n_times):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def _line(name: str, seconds: float, scan: float, n: int, what: str) -> None:
    print(f"{name:34} {seconds:9.3f} s {seconds / scan:9.1f} x scan {n / seconds:14,.0f} {what}/s")


def main(n_vehicles: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        lake, out = Path(place) / "lake", Path(place) / "out"
        made = _seconds(lambda: simulate_lake(lake, n_vehicles, 5, dirty=False, trace_share=1.0))
        with building_in(out) as folder:
            plan = make_plan(lake, folder, Settings(), lambda line: None)
            run.read_and_judge(plan)  # once to load the libraries
            with open_warehouse(folder.next_warehouse, read_only=False) as warehouse:
                _report(warehouse, plan.settings, plan.out.samples)
            folder.next_warehouse.unlink()
            read = _seconds(
                lambda: run.read_and_judge(make_plan(lake, folder, Settings(), lambda line: None))
            )
            modeled = _seconds(lambda: run.measure_recordings(plan)) + _seconds(
                lambda: run.model_tables(plan)
            )
    manner = "four sources" if n_vehicles <= LARGEST_VARIED else "Parquet in our names"
    print(f"{'simulate (' + manner + ')':34} {made:9.3f} s")
    print(f"{'read, judge, stage':34} {read:9.3f} s")
    print(f"{'measure, model, check':34} {modeled:9.3f} s")


def _report(warehouse: Warehouse, settings: Settings, samples: Path) -> None:
    n = warehouse.query("select count(*) as n from core.samples")["n"][0]
    n_traces = warehouse.query("select count(*) as n from core.traces")["n"][0]
    scan = _seconds(lambda: warehouse.query(SCAN), 5)
    print(f"{n:,} samples of {n_traces:,} recordings")
    _line("bare scan", scan, scan, n, "samples")
    _line(
        "measure every recording",
        _seconds(lambda: measure(warehouse, settings, samples, samples.parent), 3),
        scan,
        n,
        "samples",
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
