"""How long the whole inspection part takes, table by table, and how much memory it needs.

Run by hand, one size a process: `uv run python -m tests.benchmarks.bench_inspections [N] [FOLDER]` (default 1,000,000
inspections of a fifth as many vehicles; FOLDER holds the warehouse, 50 million take about 10 GB, and keeps the
records for the next run). The core tables are made inside the database, without files. Prints seconds, processor
seconds and the largest memory of the process (resident), with the machine's load; asserts nothing, for a timed test
lies on a busy machine. Growth: run two sizes and divide.
"""

from __future__ import annotations

import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.contract.fields import ALL_KINDS
from pipeline.contract.tables import (
    AUDIT_FILES,
    MARTS,
    MODEL_NORM,
    QUARANTINE_RECORDS,
    SOURCE_TABLES,
    TRACE_RESULT,
    Table,
)
from pipeline.estimates.inspection_part import Frames, estimate_inspections
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.steps import model
from pipeline.steps.judge import judge_inspections
from pipeline.warehouse.models import Model, in_reading_order, load_models, run_checks, run_models
from pipeline.warehouse.store import Warehouse, kind_columns, open_warehouse

PER_VEHICLE = 5
WANTED = (
    "tally.inspection_count",
    "mart.cycle_outcome",
    "mart.vehicles_tested",
    "tally.readiness_count",
    "tally.station_year_count",
    "tally.station_habit_count",
    "tally.station_repeat_count",
    "tally.after_clear_count",
    "tally.due_state",
    "mart.inspection_disagreement",
)

#: a whole number that looks random and is the same in every run
DICE = "create or replace temp macro dice(a, b, c) as (hash(a, b, c) >> 1)::bigint"

VEHICLES = """
insert into core.vehicles by name
select
    'V' || lpad(v::varchar, 9, '0') as vehicle_id,
    'Make' || (v % 7) as make,
    'Model' || (v % 40) as model,
    1994 + dice(v, 0, 1) % 28 as model_year,
    date '2015-01-01' as in_service_on,
    case when dice(v, 0, 2) % 10 = 0 then date '2023-06-30' end as out_of_service_on,
    ['car', 'light truck', 'van'][1 + dice(v, 0, 3) % 3] as vehicle_type,
    date '2024-01-01' + (dice(v, 0, 4) % 365)::integer as inspection_due_on
from range(?) t(v)
"""

JOBS = """
insert into core.jobs by name
select
    'J' || j as job_id,
    'shop' || (j % 20) as shop_id,
    'V' || lpad((dice(j, 0, 5) % ?)::varchar, 9, '0') as vehicle_id,
    timestamptz '2022-01-01 08:00:00+00' + to_minutes((dice(j, 0, 6) % 1000000)::bigint) as opened_at,
    case when j % 20 > 0 then opened_at + interval 5 hour end as closed_at,
    'purge_valve' as component,
    'replaced' as action
from range(?) t(j)
"""

#: five visits of each vehicle, a year apart, or some days after the visit before: a retest. Monitors are complete at a
#: distance since the clear that differs from vehicle to vehicle; one visit in twelve comes within 300 km of a clear.
INSPECTIONS = """
insert into core.inspections by name
with placed as (
    select
        v,
        k,
        dice(v, k, 7) as h,
        (dice(v, k, 9) % 5 = 0 and k > 0)::integer as is_retest,
        date '2019-01-01'
            + (dice(v, 0, 8) % 365 + 365 * (k - is_retest) + is_retest * (1 + dice(v, k, 10) % 30))::integer as on_day,
        case when dice(v, k, 11) % 12 = 0 then dice(v, k, 12) % 300 else 300 + dice(v, k, 12) % 20000 end as km
    from range(?) t(v), range(?) s(k)
),
told as (
    select
        *,
        (case when h % 25 = 0 then 129 + h % 3 else 0 end)::integer as a,
        (case when v % 40 < 4 then 15 else 7 end)::integer as b,
        [101, 229, 109, 37, 97][1 + v % 5]::integer as c,
        (case when km < 40 + dice(v, 0, 13) % 120 then 4 else 0 end
            + case when km < 20 + dice(v, 0, 14) % 80 then 1 else 0 end
            + case when km < 30 + dice(v, 0, 15) % 90 then 32 else 0 end)::integer as d
    from placed
)
select
    'I' || lpad((v * ? + k)::varchar, 9, '0') as inspection_id,
    'V' || lpad(v::varchar, 9, '0') as vehicle_id,
    'S' || lpad((case when h % 5 > 0 then dice(v, 0, 16) else dice(v, k, 17) end % ?)::varchar, 5, '0') as station_id,
    on_day::timestamptz + to_seconds((28800 + dice(v, k, 18) % 36000)::bigint) as inspected_at,
    50.0 * (on_day - date '2015-01-01') + v % 1000 as odometer_km,
    printf('%02X %02X %02X %02X', a, b, c, d & c) as monitor_status_hex,
    case when a > 0 then ['P0442', 'P0456', 'P0300'][1:(a - 128)] end as trouble_codes,
    case when h % 200 = 0 then 'dark' else 'ok' end as bulb_check,
    'ok' as connector,
    least(255, km // 12)::bigint as warmups_since_clear,
    km::double as distance_since_clear_km,
    case
        when h % 10 = 0 then null
        when h % 200 = 0 or a > 0 then 'fail'
        when bit_count(d & c) > 1 then 'return'
        else 'pass'
    end as test_result,
    case when h % 3 = 0 then case when h % 60 = 0 then 'fail' else 'pass' end end as cap_test_result
from told
order by inspected_at
"""


def _peak_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


class Clock:
    """Time steps one after another and print each."""

    def __init__(self) -> None:
        self.total_s = self.worked_s = 0.0

    def __call__(self, name: str, call: Callable[[], Any]) -> Any:
        start, worked = time.perf_counter(), time.process_time()
        result = call()
        seconds, worked = time.perf_counter() - start, time.process_time() - worked
        self.total_s += seconds
        self.worked_s += worked
        print(
            f"{name:32} {seconds:8.2f} s {worked:8.2f} core s   peak {_peak_gib():5.2f} GiB"
            f"   load {os.getloadavg()[0]:.1f}",
            flush=True,
        )
        return result


def _made(n: int, folder: Path) -> Path:
    """Make the records, or take those of an earlier run; return a copy to work on."""
    kept, copy = folder / f"inspections_{n}.duckdb", folder / "bench.duckdb"
    if not kept.exists():
        start = time.perf_counter()
        with open_warehouse(copy, read_only=False) as warehouse:
            _fill(warehouse, n)
        copy.rename(kept)
        print(f"{n:,} inspections made in {time.perf_counter() - start:.1f} s, peak {_peak_gib():.2f} GiB")
    return Path(shutil.copyfile(kept, copy))


def _fill(warehouse: Warehouse, n: int) -> None:
    n_vehicles, n_stations = n // PER_VEHICLE, max(20, n // 10_000)
    for name in ("vehicles", "jobs", "traces", "inspections"):
        warehouse.create(f"core.{name}", kind_columns(ALL_KINDS[name]))
    for table in (AUDIT_FILES, QUARANTINE_RECORDS, TRACE_RESULT, MODEL_NORM, *SOURCE_TABLES):
        warehouse.create(table.full_name, [(c.name, c.type) for c in table.columns])
    warehouse.con.execute(DICE)
    warehouse.con.execute(VEHICLES, [n_vehicles])
    warehouse.con.execute(JOBS, [n_vehicles, n // 200])
    warehouse.con.execute(INSPECTIONS, [n_vehicles, PER_VEHICLE, PER_VEHICLE, n_stations])


def _needed(models: list[Model]) -> list[Model]:
    """Return the models that the inspection part rests on, in reading order."""
    by_name = {m.full_name: m for m in models}
    wanted, found = list(WANTED), set()
    while wanted:
        name = wanted.pop()
        if name in by_name and name not in found:
            found.add(name)
            wanted += by_name[name].reads
    return [m for m in in_reading_order(models) if m.full_name in found]


def _write(warehouse: Warehouse, made: Frames, table: Table) -> None:
    frame = made.pop(table.full_name, None)
    frame = warehouse.table(table.full_name) if frame is None else frame
    warehouse.write(table, frame, model.ORDERS.get(table.full_name))


def main(n: int, folder: Path) -> None:
    settings, clock = Settings(), Clock()
    with open_warehouse(_made(n, folder), read_only=False) as warehouse:
        clock("judge", lambda: judge_inspections(warehouse, settings.rule))
        model.prepare(warehouse, settings)
        for one in _needed(load_models(carried("sql"))):
            clock(one.full_name, lambda one=one: run_models(warehouse.con, [one]))
        made = clock("estimates", lambda: estimate_inspections(warehouse.table, settings, warehouse.parts))
        made_names = set(made)
        for table in MARTS:
            if table.full_name in made or table.full_name in WANTED:
                clock(f"write {table.full_name}", lambda t=table: _write(warehouse, made, t))
            elif not warehouse.has(table.full_name):
                warehouse.create(table.full_name, [(c.name, c.type) for c in table.columns])
        for check in load_models(carried("sql") / "check"):
            if not {"core.visit", "core.cycle", *WANTED, *made_names}.isdisjoint(check.reads):
                (result,) = clock(
                    f"check {check.name}", lambda check=check: run_checks(warehouse.con, [check])
                )
                if result.outcome != "holds":
                    print("  ", result.sentence())
    print(
        f"{'the inspection part':32} {clock.total_s:8.1f} s {clock.worked_s:8.1f} core s   peak {_peak_gib():5.2f} GiB"
    )


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as place:
        main(size, Path(sys.argv[2] if len(sys.argv) > 2 else place))
