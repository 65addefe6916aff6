"""How long all statistics of a large fleet take, table by table, and how much memory they need.

Run by hand: `uv run python -m tests.benchmarks.bench_fleet_statistics [VEHICLES]` (default 200,000: a million jobs).
The core tables are built here, not read from files; then the SQL models, every estimate and every check run as in
a run. Prints wall and processor seconds per model and per estimate as they end, their sum, and the largest memory of
the process (the fleet is made in another); asserts nothing. The wall clock lies on a busy machine; processor
seconds count all cores.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

import pipeline.estimates as estimates
from pipeline.contract.tables import MODEL_NORM, SOURCE_TABLES, TRACE_RESULT
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.steps import model as model_step
from pipeline.warehouse import models as models_room
from pipeline.warehouse.models import load_models
from pipeline.warehouse.store import Warehouse, open_warehouse
from tests.known_fleet import FROM_ON, Fleet, Part, World, fill_core, make_fleet

PARTS = (
    Part("fuel_cap", 1.0, 7.4),
    Part("filler_neck", 1.8, 12.4, 0.4),
    Part("vapor_line", 2.2, 11.2, 0.5),
    Part("purge_valve", 1.5, 6.2, 0.9),
    Part("vent_valve", 2.0, 5.6, 0.9),
    Part("canister", 2.5, 9.9, 0.9),
    Part("tank_pressure_sensor", 1.0, 8.7, 0.8),
    Part("tank_seal", 2.5, 11.2, 0.6),
    Part("fuel_tank", 3.0, 18.6, 0.5),
    Part("wiring", 1.0, 15.5, 0.1),
    Part("control_module", 0.9, 24.8, 0.9),
)
CODES = ["P0442", "P0455", "P0456", "P0441", "P0446", "P0496", "P0300"]
STATUS = ["00 07 E5 00", "00 07 E5 04", "81 07 E5 00", "00 07 E5 20", "02 07 E5 04"]


@contextmanager
def _timed(name: str) -> Iterator[None]:
    start, own = time.perf_counter(), time.process_time()
    yield
    spent = time.process_time() - own
    print(f"{name:44} {time.perf_counter() - start:8.2f} s {spent:8.2f} s", flush=True)


def _spy(room: Any, name: str, label: Callable[..., str]) -> None:
    """Time every call of a function in the room that calls it."""
    plain = getattr(room, name)

    def timed(*args: Any, **more: Any) -> Any:
        with _timed(label(*args)):
            return plain(*args, **more)

    setattr(room, name, timed)


def _with_codes(rng: np.random.Generator, fleet: Fleet) -> Fleet:
    """Give jobs trouble codes, labor and cost, and an odometer."""
    n = fleet.jobs.height
    code = pl.Series(CODES).gather(rng.integers(0, len(CODES), n))
    age = (fleet.jobs["opened_at"].dt.date() - FROM_ON).dt.total_days().cast(pl.Float64)
    jobs = fleet.jobs.with_columns(
        trouble_codes=pl.Series(code).reshape((n, 1)).cast(pl.List(pl.String)),
        labor_h=pl.Series(rng.uniform(0.3, 4, n)),
        parts_cost=pl.Series(rng.uniform(5, 400, n)),
        currency=pl.lit("USD"),
        odometer_km=200_000 + 40 * age,
    )
    return Fleet(fleet.vehicles, jobs)


def _recordings(rng: np.random.Generator, jobs: pl.DataFrame) -> pl.DataFrame:
    """Judged traces: half the jobs have one before the repair, a third one after it."""
    before = jobs.sample(fraction=0.5, seed=1).with_columns(stage=pl.lit("before_repair"))
    after = jobs.sample(fraction=0.34, seed=2).with_columns(stage=pl.lit("after_repair"))
    both = pl.concat([before, after]).select("job_id", "vehicle_id", "stage", "opened_at", "closed_at")
    n = both.height
    hole = np.where(both["stage"] == "after_repair", 0.1, 1.0) * rng.lognormal(-0.4, 0.7, n)
    low, high = hole * rng.uniform(0.8, 1, n), hole * rng.uniform(1.0, 1.25, n)
    censoring = np.select([hole < 0.25, hole > 2.2], ["left", "right"], "none")
    verdict = np.select([hole < 0.25, hole > 2.2], ["holds", "gross_leak"], "leak")
    return both.with_columns(
        trace_id=pl.int_range(n).cast(pl.String).str.zfill(8),
        recorded_at=pl.when(pl.col("stage") == "after_repair").then("closed_at").otherwise("opened_at"),
        verdict=pl.Series(verdict),
        leak_censoring=pl.Series(censoring),
        leak_diameter_low_mm=pl.Series(np.where(hole > 2.2, 2.2, low)),
        leak_diameter_high_mm=pl.Series(np.where(hole < 0.25, 0.25, high)),
        leak_diameter_mm=pl.Series(np.where((hole < 0.25) | (hole > 2.2), np.nan, hole)).fill_nan(None),
    )


def _inspections(rng: np.random.Generator, vehicles: pl.DataFrame) -> pl.DataFrame:
    """Two yearly inspections of every vehicle at one of 150 stations, with status bytes."""
    n = 2 * vehicles.height
    day = rng.integers(0, 365, n) + np.repeat([365, 730], vehicles.height)
    return pl.DataFrame(
        {
            "inspection_id": pl.int_range(n, eager=True).cast(pl.String).str.zfill(8),
            "vehicle_id": pl.concat([vehicles["vehicle_id"]] * 2),
            "station_id": "ST" + pl.Series(rng.integers(0, 150, n)).cast(pl.String),
            "day": day,
            "monitor_status_hex": pl.Series(STATUS).gather(rng.choice(5, n, p=[0.8, 0.1, 0.04, 0.03, 0.03])),
            "warmups_since_clear": rng.integers(0, 256, n),
            "distance_since_clear_km": rng.exponential(3000, n).clip(0, 65_535).round(0),
            "test_result": np.where(rng.random(n) < 0.9, "pass", "fail"),
        }
    ).select(
        pl.exclude("day"),
        inspected_at=pl.lit(FROM_ON).cast(pl.Datetime("us", "UTC")) + pl.duration(days="day"),
    )


def _fill(path: Path, n_vehicles: int) -> None:
    with open_warehouse(path, read_only=False) as warehouse:
        _fill_warehouse(warehouse, n_vehicles)


def _fill_warehouse(warehouse: Warehouse, n_vehicles: int) -> None:
    rng = np.random.default_rng(11)
    world = World(PARTS, 80, tuple(rng.uniform(0.85, 0.97, 200)), 3, "vent_valve", 2.0)
    fleet = _with_codes(rng, make_fleet(rng, world, n_vehicles))
    recordings, seen = _recordings(rng, fleet.jobs), _inspections(rng, fleet.vehicles)
    fill_core(warehouse, fleet, Settings(from_on=FROM_ON), seen)
    warehouse.append(
        "core.traces", recordings.select("trace_id", "job_id", "vehicle_id", "stage", "recorded_at")
    )
    told = recordings.select(c for c in TRACE_RESULT.column_names if c in recordings.columns)
    warehouse.append(TRACE_RESULT.full_name, told)
    for table in (MODEL_NORM, *SOURCE_TABLES):
        warehouse.create(table.full_name, [(c.name, c.type) for c in table.columns])
    for name in ("vehicles", "jobs", "traces", "inspections"):
        print(f"core.{name:20} {warehouse.query(f'select count(*) as n from core.{name}')['n'][0]:>10,} rows")


def _peak_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def _is_about_files(reads: tuple[str, ...]) -> bool:
    """Say whether a check reads what only files leave behind."""
    return any(name.startswith(("audit.", "quarantine.", "stage.")) for name in reads)


def _listen() -> None:
    _spy(models_room, "_make_table", lambda con, model: f"sql      {model.full_name}")
    for name in estimates.__all__:
        if name != "estimate_all":
            _spy(estimates, name, lambda *args, name=name: f"estimate {name}")


def main(n_vehicles: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "warehouse.duckdb"
        maker = get_context("spawn").Process(target=_fill, args=(path, n_vehicles))
        maker.start()
        maker.join()
        _listen()
        print(f"{'':44} {'wall':>8}   {'processor':>8}")
        with open_warehouse(path, read_only=False) as warehouse:
            with _timed("models, estimates and tables"):
                model_step.model(warehouse, Settings(from_on=FROM_ON))
            print(f"largest memory of the process so far {_peak_gib():6.2f} GiB", flush=True)
            with _timed("checks"):
                checks = [c for c in load_models(carried("sql") / "check") if not _is_about_files(c.reads)]
                results = models_room.run_checks(warehouse.con, checks)
        for result in results:
            if result.outcome == "broken":
                print("broken:", result.sentence())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
