"""The fleet office: a source in our own names, times in UTC or with their offset, samples as Parquet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl

from pipeline.simulate import world
from pipeline.simulate.dirt import DUPLICATE, Flaw, Spoiled, log_of, spoil
from pipeline.simulate.file_writing import write_csv, write_parquet
from pipeline.simulate.fleet import synthetic_vin
from pipeline.simulate.records import Records

SOURCE = "fleet_office"


def _wrong_vin(row: dict[str, Any]) -> str:
    vin = synthetic_vin(row["make"], int(row["model_year"]), 900_001)
    return vin[:8] + ("7" if vin[8] != "7" else "3") + vin[9:]


VEHICLE_FLAWS = (
    Flaw("vin_check_digit", {"vin": _wrong_vin}),
    Flaw("vin_check_digit", {"vin": lambda row: _wrong_vin(row)[:16]}),
    Flaw("required", {"make": None}),
    Flaw("range", {"model_year": "3024"}),
    Flaw("type", {"fuel_tank_l": "about 60"}),
    Flaw("type", {"in_service_on": "2021-02-31"}),
    Flaw("time_order", {"out_of_service_on": "1997-01-05"}),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw("unique", {"fuel_tank_l": "12.5"}, fresh_key=False),
)
JOB_FLAWS = (
    Flaw("reference", {"vehicle_id": "V99998"}),
    Flaw("reference", {"vehicle_id": "van behind the shed"}),
    Flaw("time_order", {"closed_at": "2022-11-02T10:00:00Z"}),
    Flaw("time_order", {"closed_at": "2022-12-31T23:59:00Z"}),
    Flaw("vocabulary", {"component": "evap thing"}),
    Flaw("vocabulary", {"action": "looked at it"}),
    Flaw("vocabulary", {"checks": "kicked_tire=pass"}),
    Flaw("type", {"opened_at": "2024-03-05 09:15:00"}),
    Flaw("type", {"opened_at": "last Tuesday"}),
    Flaw("trouble_code_form", {"trouble_codes": "P04X5"}),
    Flaw("range", {"labor_h": "-2"}),
    Flaw("required", {"shop_id": None}),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw("unique", {"parts_cost": "9999"}, fresh_key=False),
)
TRACE_FLAWS = (
    Flaw("reference", {"job_id": "FO-NONE-1"}),
    Flaw("reference", {"job_id": "FO-NONE-2"}),
    Flaw(
        "vehicle_agrees", {"vehicle_id": lambda row: "V00002" if row["vehicle_id"] == "V00001" else "V00001"}
    ),
    Flaw("range", {"ambient_c": "400"}),
    Flaw("vocabulary", {"stage": "some time later"}),
    Flaw("type", {"recorded_at": "2024-06-11 14:02:10"}),
    Flaw(DUPLICATE, fresh_key=False),
)
SAMPLE_FLAWS = (
    Flaw("range", {"tank_pressure_pa": -99_999.0, "t_s": lambda row: row["t_s"] + 0.003}, fresh_key=False),
    Flaw("range", {"purge_duty_pct": 240.0, "t_s": lambda row: row["t_s"] + 0.003}, fresh_key=False),
    Flaw("required", {"is_vent_closed": None, "t_s": lambda row: row["t_s"] + 0.003}, fresh_key=False),
    Flaw("time_order", {"t_s": lambda row: row["t_s"] - 3.003}, fresh_key=False),
    Flaw("time_order", {"t_s": lambda row: row["t_s"] - 7.003}, fresh_key=False),
    Flaw("reference", {"trace_id": "T-LOST"}, fresh_key=False),
    Flaw("unique", {"tank_pressure_pa": lambda row: row["tank_pressure_pa"] + 111.0}, fresh_key=False),
    Flaw(DUPLICATE, fresh_key=False),
)


def write_own(lake: Path, records: Records, dirty: bool) -> list[pl.DataFrame]:
    """Write the register, and this source's jobs, traces and samples; returns the log of dirty records."""
    here = lake / SOURCE
    mine = records.of_source(SOURCE)
    lines = [
        "V77777;this line came from another spreadsheet",
        "V77778,,Norvane,Osk,2011,41,2011-05-02,,,,,,,,extra",
    ]
    vehicles = _spoil(as_text(mine.vehicles), "vehicles", "vehicle_id", VEHICLE_FLAWS, dirty)
    jobs = _spoil(_with_offsets(as_text(mine.jobs)), "jobs", "job_id", JOB_FLAWS, dirty)
    traces = _spoil(
        as_text(mine.traces), "traces", "trace_id", TRACE_FLAWS, dirty, pl.col("job_id").is_not_null()
    )
    samples = _spoil(mine.samples, "samples", "trace_id", SAMPLE_FLAWS, dirty, pl.col("t_s") > 20)
    write_csv(here / "vehicles.csv", vehicles.frame, odd_lines=lines[:2] if dirty else ())
    write_csv(here / "jobs.csv", jobs.frame)
    write_csv(here / "traces.csv", traces.frame)
    write_parquet(here / "samples.parquet", samples.frame)
    shape = [log_of(SOURCE, "vehicles", line[:6], "shape", "", line) for line in lines] if dirty else []
    return [vehicles.log, jobs.log, traces.log, samples.log, *shape]


def _spoil(
    frame: pl.DataFrame,
    kind: str,
    key: str,
    flaws: tuple[Flaw, ...],
    dirty: bool,
    base: pl.Expr | None = None,
) -> Spoiled:
    return spoil(frame, SOURCE, kind, key, flaws if dirty else (), base)


def as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Write every value as text: whole numbers without a point, times as ISO 8601 with Z."""
    return frame.with_columns(_text(name, kind) for name, kind in frame.schema.items())


def _text(name: str, kind: pl.DataType) -> pl.Expr:
    column = pl.col(name)
    if isinstance(kind, pl.Datetime):
        return column.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    if kind == pl.Float64:
        return column.cast(pl.String).str.replace(r"\.0$", "")
    return column.cast(pl.String)


def _with_offsets(jobs: pl.DataFrame) -> pl.DataFrame:
    """Two shops export local times with their offset instead of UTC."""
    local = (
        pl.col("opened_at", "closed_at")
        .str.to_datetime("%Y-%m-%dT%H:%M:%SZ", time_zone="UTC")
        .dt.convert_time_zone(world.TIME_ZONE)
        .dt.strftime("%Y-%m-%dT%H:%M:%S%:z")
    )
    return jobs.with_columns(
        pl.when(pl.col("shop_id").is_in(["water_depot", "bus_barn"]))
        .then(local)
        .otherwise(pl.col("opened_at", "closed_at"))
    )
