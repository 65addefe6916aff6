"""Brightwell shops: a workshop system with its own words, local times, inches of water, one file a recording."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.simulate import world
from pipeline.simulate.dirt import DUPLICATE, Flaw, log_of, spoil
from pipeline.simulate.file_writing import csv_text, write_bytes, write_csv
from pipeline.simulate.records import Records

SOURCE = "brightwell_shops"
ENCODING = "cp1252"
_PA_PER_INH2O = 249.0889  # NIST SP 811 App. B.8, conventional
_KM_PER_MILE = 1.609344
ORDER_COLUMNS = {
    "job_id": "Order",
    "shop_id": "Branch",
    "technician_id": "Tech",
    "vehicle_id": "Unit No",
    "opened_at": "In",
    "closed_at": "Out",
    "odometer_km": "Miles",
    "trouble_codes": "DTCs",
    "component": "Part",
    "action": "Work",
    "checks": "Checks",
    "labor_h": "Hours",
    "parts_cost": "Parts",
    "note": "Remarks",
}
COMPONENT_WORDS = {
    "fuel_cap": "CAP",
    "filler_neck": "FILLER",
    "vapor_line": "VAP LINE",
    "purge_valve": "PRG VLV",
    "vent_valve": "VNT VLV",
    "canister": "CANISTER",
    "tank_pressure_sensor": "FTP SENS",
    "tank_seal": "TANK SEAL",
    "fuel_tank": "TANK",
    "wiring": "HARNESS",
    "control_module": "MODULE",
    "none_found": "NPF",
    "other": "MISC",
}
ACTION_WORDS = {"replaced": "R+R", "repaired": "REPAIR", "cleaned": "CLEAN", "none": "-"}
STAGE_WORDS = {"before_repair": "before", "after_repair": "after"}
RECORDING_HEADER = ("Time", "FTP (inH2O)", "Sensor (V)", "Purge (%)", "Vent", "RPM")
_FILE_NAME = (
    r"(?P<trace_id>T\d+)_(?P<job_id>J\d+)_(?P<stage>before|after)_(?P<recorded_at>\d{8}T\d{6})"
    r"_F(?P<fuel_level_pct>\d+)_A(?P<ambient_c>-?\d+)"
)
ORDER_FLAWS = (
    Flaw("vocabulary", {"component": "WIDGET"}),
    Flaw("vocabulary", {"action": "SWAPPED"}),
    Flaw("reference", {"vehicle_id": "V99997"}),
    Flaw("type", {"opened_at": "10.03.2024 02:30"}),  # does not exist: clocks went from 02:00 to 03:00
    Flaw("type", {"parts_cost": "12,5o"}),
    Flaw("time_order", {"closed_at": "01.12.2022 08:00"}),
    Flaw("trouble_code_form", {"trouble_codes": "EVAP"}),
    Flaw("required", {"vehicle_id": None}),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw("unique", {"labor_h": "44,4"}, fresh_key=False),
)


def write_workshop(lake: Path, records: Records, dirty: bool) -> list[pl.DataFrame]:
    """Write orders by year, recordings one by one and the source.toml; returns the log of dirty records."""
    here, mine = lake / SOURCE, records.of_source(SOURCE)
    write_bytes(here / "source.toml", _form().encode())
    orders = spoil(_orders(mine.jobs), SOURCE, "jobs", "job_id", ORDER_FLAWS if dirty else ())
    for (year,), part in orders.frame.partition_by("_year", as_dict=True, maintain_order=True).items():
        write_csv(here / f"orders_{year}.csv", part, ORDER_COLUMNS, ";", encoding=ENCODING)
    headers = mine.traces.sort("trace_id")
    samples = mine.samples.partition_by("trace_id", as_dict=True, maintain_order=True)
    texts = {
        _file_name(header): _recording(header, samples[(header["trace_id"],)])
        for header in headers.iter_rows(named=True)
        if (header["trace_id"],) in samples
    }
    log = _spoil_recordings(texts) if dirty else []
    for number, (name, text) in enumerate(texts.items()):
        ending = ".csv" if number % 12 == 0 else ".csv.gz"
        write_bytes(here / "recordings" / f"{name}{ending}", text.encode(ENCODING))
    return [orders.log, *log]


def _orders(jobs: pl.DataFrame) -> pl.DataFrame:
    local = (
        pl.col("opened_at", "closed_at").dt.convert_time_zone(world.TIME_ZONE).dt.strftime("%d.%m.%Y %H:%M")
    )
    return jobs.with_columns(
        local,
        pl.col("opened_at").dt.year().alias("_year"),
        _comma((pl.col("odometer_km") / _KM_PER_MILE).round(1)).alias("odometer_km"),
        pl.col("trouble_codes").str.replace_all(";", " "),
        pl.col("checks").str.replace_all(";", ","),
        pl.col("component").replace_strict(COMPONENT_WORDS),
        pl.col("action").replace_strict(ACTION_WORDS),
        _comma(pl.col("labor_h")),
        _comma(pl.col("parts_cost")),
    )


def _comma(number: pl.Expr) -> pl.Expr:
    return number.cast(pl.String).str.replace(r"\.0$", "").str.replace(".", ",", literal=True)


def _file_name(header: dict) -> str:
    local = pl.Series([header["recorded_at"]]).dt.convert_time_zone(world.TIME_ZONE)
    when = local.dt.strftime("%Y%m%dT%H%M%S")[0]
    weather = f"F{header['fuel_level_pct']:.0f}_A{header['ambient_c']:.0f}"
    return f"{header['trace_id']}_{header['job_id']}_{STAGE_WORDS[header['stage']]}_{when}_{weather}"


def _recording(header: dict, samples: pl.DataFrame) -> str:
    lines = samples.select(
        (pl.col("t_s") * 1000).round().cast(pl.Int64),
        _comma((pl.col("tank_pressure_pa") / _PA_PER_INH2O).round(2)),
        _comma(pl.col("sensor_v").round(2)),
        _comma(pl.col("purge_duty_pct")),
        pl.when("is_vent_closed").then(pl.lit("SHUT")).otherwise(pl.lit("OPEN")),
        pl.col("engine_rpm").cast(pl.Int64),
    )
    preamble = f"Recorder 3.1\nOrder {header['job_id']}; unit {header['vehicle_id']}\n\n"
    return preamble + csv_text(RECORDING_HEADER, lines.iter_rows(), ";")


def _spoil_recordings(texts: dict[str, str]) -> list[pl.DataFrame]:
    """Spoil some recordings in place: odd lines, time that goes back, and one for an order nobody knows."""
    names = list(texts)
    if len(names) < 12:
        return []
    lines = (
        ("type", "9000001;-0,5O;1,52;0;OPEN;720"),
        ("shape", "9000001;-0,50;1,52"),
        ("range", "9000001;-999,9;1,52;0;OPEN;720"),
        ("time_order", "90;-0,05;1,52;0;OPEN;720"),
        ("type", "9000001;-0,05;1,52;0;AJAR;720"),
    )
    log = []
    for k, (rule, line) in enumerate(lines):
        texts[names[k + 1]] += line + "\n"
        log.append(log_of(SOURCE, "samples", names[k + 1], rule, "", line))
    rest = names[8].split("_")[2:]
    stray = "_".join(["T900001", "J999999999", *rest])
    n_samples = 12
    texts[stray] = "\n".join(texts[names[8]].split("\n")[: 4 + n_samples]) + "\n"
    log.append(log_of(SOURCE, "traces", "T900001", "reference", "job_id", "J999999999"))
    log.extend(
        log_of(SOURCE, "samples", "T900001", "reference", "trace_id", "T900001") for _ in range(n_samples)
    )
    return log


def _form() -> str:
    columns = "\n".join(f'{ours} = "{theirs}"' for ours, theirs in ORDER_COLUMNS.items())
    components = "\n".join(f'"{theirs}" = "{ours}"' for ours, theirs in COMPONENT_WORDS.items())
    actions = "\n".join(f'"{theirs}" = "{ours}"' for ours, theirs in ACTION_WORDS.items())
    stages = "\n".join(f'{theirs} = "{ours}"' for ours, theirs in STAGE_WORDS.items())
    return f"""# How the exports of Brightwell's workshop system read in our names.

[source]
time_zone = "{world.TIME_ZONE}"
encoding = "{ENCODING}"

[jobs]
files = ["orders_*.csv"]
delimiter = ";"
decimal = ","
datetime_format = "%d.%m.%Y %H:%M"

[jobs.columns]
{columns}

[jobs.units]
odometer = "mi"

[jobs.values.component]
{components}

[jobs.values.action]
{actions}

[jobs.constants]
currency = "USD"

[samples]
files = ["recordings/*.csv", "recordings/*.csv.gz"]
delimiter = ";"
decimal = ","
skip_lines = 3
file_name = '{_FILE_NAME}'

[samples.columns]
t_s = "Time"
tank_pressure = "FTP (inH2O)"
sensor_v = "Sensor (V)"
purge_duty_pct = "Purge (%)"
is_vent_closed = "Vent"
engine_rpm = "RPM"

[samples.units]
t = "ms"
tank_pressure = "inH2O"

[samples.values.stage]
{stages}

[samples.values.is_vent_closed]
SHUT = "true"
OPEN = "false"
"""
