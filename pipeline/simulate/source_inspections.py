"""The inspection network: raw monitor bytes, its own headers, local times, miles, packed files by year."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.simulate import world
from pipeline.simulate.dirt import DUPLICATE, Flaw, spoil
from pipeline.simulate.file_writing import write_bytes, write_csv
from pipeline.simulate.records import Records

SOURCE = "ferrow_inspections"
COLUMNS = {
    "inspection_id": "REC_NO",
    "vehicle_id": "FLEET_NO",
    "station_id": "STN",
    "inspected_at": "LOCAL_TIME",
    "odometer_km": "ODO_MI",
    "monitor_status_hex": "M1P1",
    "mil_on": "LAMP",
    "trouble_code_count": "N_DTC",
    "monitors_not_ready": "NOT_RDY",
    "trouble_codes": "DTC",
    "bulb_check": "BULB",
    "connector": "DLC",
    "warmups_since_clear": "M1P30",
    "distance_since_clear_km": "M1P31_KM",
    "test_result": "RESULT",
    "cap_test_result": "CAP",
    "waived": "WVR",
}
WORDS = {
    "bulb_check": {"ok": "LIT", "dark": "DARK"},
    "connector": {"ok": "OK", "missing": "MISSING", "tampered": "TAMPERED", "inoperable": "NO COMM"},
    "test_result": {"pass": "P", "fail": "F", "return": "R"},
    "cap_test_result": {"pass": "P", "fail": "F"},
    "waived": {"true": "Y", "false": "N"},
    "mil_on": {"true": "Y", "false": "N"},
}
_KM_PER_MILE = 1.609344
FLAWS = (
    Flaw("obd_bytes", {"monitor_status_hex": "82 07 65"}),
    Flaw("obd_bytes", {"monitor_status_hex": "00 07 65 00 11"}),
    Flaw("obd_bytes", {"monitor_status_hex": "00 07 6G 00"}),
    Flaw("vocabulary", {"monitors_not_ready": "flux", "monitor_status_hex": None}),
    Flaw("vocabulary", {"monitors_not_ready": "evap everything", "monitor_status_hex": None}),
    Flaw("type", {"inspected_at": "03/10/2024 02:30"}),  # does not exist: clocks went from 02:00 to 03:00
    Flaw("type", {"inspected_at": "03/09/2025 02:05"}),
    Flaw("vocabulary", {"test_result": "X"}),
    Flaw("range", {"distance_since_clear_km": "70000"}),
    Flaw("required", {"station_id": None}),
    Flaw("reference", {"vehicle_id": "V99995"}),
    Flaw("trouble_code_form", {"trouble_codes": "0442"}),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw(DUPLICATE, fresh_key=False),
    Flaw("unique", {"odometer_km": "1"}, fresh_key=False),
)


def write_inspections(lake: Path, records: Records, dirty: bool) -> list[pl.DataFrame]:
    """Write the inspections by year and the source.toml; returns the log of dirty records."""
    here = lake / SOURCE
    write_bytes(here / "source.toml", _form().encode())
    done = spoil(_text(records.inspections), SOURCE, "inspections", "inspection_id", FLAWS if dirty else ())
    for (year,), part in done.frame.partition_by("_year", as_dict=True, maintain_order=True).items():
        ending = "csv.zst" if year == 2025 else "csv.gz"
        write_csv(here / f"inspections_{year}.{ending}", part, COLUMNS, "|")
    return [done.log]


def _text(inspections: pl.DataFrame) -> pl.DataFrame:
    local = pl.col("inspected_at").dt.convert_time_zone(world.TIME_ZONE)
    return inspections.with_columns(
        pl.col("inspected_at").dt.year().alias("_year"),
        local.dt.strftime("%m/%d/%Y %H:%M"),
        (pl.col("odometer_km") / _KM_PER_MILE).round().cast(pl.Int64).cast(pl.String),
        pl.col("distance_since_clear_km").cast(pl.Int64).cast(pl.String),
        pl.col("warmups_since_clear", "trouble_code_count").cast(pl.String),
        pl.col("monitors_not_ready").str.replace_all(";", " "),
        pl.col("trouble_codes").str.replace_all(";", " "),
        *(pl.col(name).cast(pl.String).replace_strict(words) for name, words in WORDS.items()),
    )


def _form() -> str:
    columns = "\n".join(f'{ours} = "{theirs}"' for ours, theirs in COLUMNS.items())
    words = "\n\n".join(
        f"[inspections.values.{name}]\n"
        + "\n".join(f'"{theirs}" = "{ours}"' for ours, theirs in table.items())
        for name, table in WORDS.items()
    )
    return f"""# How the exports of the county's inspection network read in our names.

[source]
time_zone = "{world.TIME_ZONE}"

[inspections]
files = ["inspections_*.csv.gz", "inspections_*.csv.zst"]
delimiter = "|"
datetime_format = "%m/%d/%Y %H:%M"

[inspections.columns]
{columns}

[inspections.units]
odometer = "mi"

{words}
"""
