"""Read a lake in our names with pandas alone, record by record: the independent road's way in.

Written from the contract; nothing of `pipeline` is imported here. Every record is taken as accepted, so it reads
only lakes that break no rule.
"""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

TIMES = ("opened_at", "closed_at", "inspected_at", "recorded_at")
DATES = ("in_service_on", "out_of_service_on", "odometer_on", "inspection_due_on")
NUMBERS = (
    "labor_h",
    "parts_cost",
    "odometer_km",
    "model_year",
    "trouble_code_count",
    "warmups_since_clear",
    "distance_since_clear_km",
)
LISTS = ("trouble_codes", "monitors_not_ready")
BOOLEANS = ("mil_on", "waived")
#: fields that a record may leave out (JSON lines do)
FIELDS = {
    "vehicles": ("fleet_id", "out_of_service_on", "vehicle_type", "odometer_km", "odometer_on",
                 "inspection_due_on"),
    "jobs": ("technician_id", "closed_at", "odometer_km", "trouble_codes", "labor_h", "parts_cost",
             "currency"),
    "inspections": ("odometer_km", "monitor_status_hex", "mil_on", "trouble_code_count", "monitors_not_ready",
                    "trouble_codes", "bulb_check", "connector", "test_result", "cap_test_result", "waived",
                    "warmups_since_clear", "distance_since_clear_km"),
}  # fmt: skip


@dataclass
class Records:
    """The records of a lake as lists of plain dictionaries: missing is None, lists are lists, times are UTC."""

    vehicles: list[dict[str, Any]]
    jobs: list[dict[str, Any]]
    inspections: list[dict[str, Any]]
    n_read: int


def read_lake(lake: Path) -> Records:
    """Read vehicles, jobs and inspections from every CSV, JSON lines and Parquet file of a lake."""
    found: dict[str, list[dict[str, Any]]] = {"vehicles": [], "jobs": [], "inspections": []}
    n_read = 0
    for path in sorted(p for p in lake.rglob("*") if p.is_file()):
        kind = re.match(r"[a-z]+", path.name)
        rows = _rows(path)
        n_read += len(rows)
        if kind and kind.group() in found:
            is_csv = ".csv" in path.name
            found[kind.group()] += [
                dict.fromkeys(FIELDS[kind.group()]) | {k: _value(k, v, row, is_csv) for k, v in row.items()}
                for row in rows
            ]
    return Records(found["vehicles"], found["jobs"], found["inspections"], n_read)


def _rows(path: Path) -> list[dict[str, Any]]:
    if path.suffix == ".parquet":
        return pd.read_parquet(path).to_dict("records")
    if ".jsonl" in path.name:
        packed = path.read_bytes()
        text = (gzip.decompress(packed) if path.suffix == ".gz" else packed).decode()
        return [json.loads(line) for line in text.splitlines()]
    frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    return frame.to_dict("records")


def _value(name: str, value: Any, row: dict[str, Any], is_csv: bool) -> Any:
    if name in LISTS:
        return _list(name, value, row, is_csv)
    if value is None or value == "" or (not isinstance(value, list) and pd.isna(value)):
        return None
    if name in TIMES:
        return pd.Timestamp(value).tz_convert("UTC")
    if name in DATES:
        return pd.Timestamp(value).normalize()
    if name in NUMBERS:
        return float(value)
    if name in BOOLEANS:
        return (
            value if isinstance(value, bool) else str(value).lower() in ("true", "yes", "1", "t", "on", "y")
        )
    return value


def _list(name: str, value: Any, row: dict[str, Any], is_csv: bool) -> list[str] | None:
    """Read a list; an empty CSV cell cannot say "empty list", so a record that tells its lamp says it so.

    An inspection in the form `mil_on` + `trouble_code_count` + `monitors_not_ready` whose list is an empty CSV cell
    has no monitor that is not ready.
    """
    if is_csv:
        if (
            value == ""
            and name == "monitors_not_ready"
            and row.get("mil_on")
            and not row["monitor_status_hex"]
        ):
            return []
        return re.split(r"[;, ]+", value.strip()) if value.strip() else None
    return None if value is None or (isinstance(value, float) and pd.isna(value)) else [str(v) for v in value]


# --- SAE J1979 service 01 PID 01, bit by bit (from memory; the standard was not read)
_B = ["misfire", "fuel_system", "comprehensive"]
_SPARK = ["catalyst", "heated_catalyst", "evap", "secondary_air", "ac_refrigerant", "o2_sensor", "o2_heater",
          "egr_vvt"]  # fmt: skip
_COMPRESSION = ["nmhc_catalyst", "nox_aftertreatment", "", "boost_pressure", "", "exhaust_gas_sensor", "pm_filter",
                "egr_vvt"]  # fmt: skip


def decode_status(text: str) -> tuple[bool, int, list[str], list[str]]:
    """Decode (lamp, number of codes, monitors supported, monitors not ready) from any usual spelling."""
    digits = re.sub(r"[^0-9a-f]", "", text.lower().replace("0x", ""))
    a, b, c, d = bytes.fromhex(digits[4:] if len(digits) == 12 and digits.startswith("4101") else digits)
    supported, late = [], []
    for bit, name in enumerate(_B):
        if b >> bit & 1:
            supported.append(name)
            late += [name] if b >> (bit + 4) & 1 else []
    for bit, name in enumerate(_COMPRESSION if b & 8 else _SPARK):
        if name and c >> bit & 1:
            supported.append(name)
            late += [name] if d >> bit & 1 else []
    return a >= 128, a % 128, supported, late
