"""Read the records that a run accepted out of its warehouse, in the form of `raw_lake`: missing is None."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from tests.end_to_end.raw_lake import DATES, TIMES, Records


@dataclass
class Accepted:
    """Accepted records, trace headers and every mart of one warehouse."""

    records: Records
    traces: list[dict[str, Any]]
    marts: dict[str, pd.DataFrame]


def read_accepted(warehouse: Path) -> Accepted:
    with duckdb.connect(str(warehouse), read_only=True) as con:
        con.execute("set timezone = 'UTC'")
        core = {
            kind: _records(con.sql(f"from core.{kind}").df())
            for kind in ("vehicles", "jobs", "inspections", "traces")
        }
        names = con.sql("select table_name from duckdb_tables() where schema_name = 'mart'").fetchall()
        marts = {name: con.sql(f"from mart.{name}").df() for (name,) in names}
    records = Records(core["vehicles"], core["jobs"], core["inspections"], 0)
    return Accepted(records, core["traces"], marts)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{k: _value(k, v) for k, v in row.items()} for row in frame.to_dict("records")]


def _value(name: str, value: Any) -> Any:
    if isinstance(value, list | np.ndarray):
        return list(value)
    if pd.isna(value):
        return None
    if name in DATES:
        return pd.Timestamp(value).tz_localize(None).normalize()
    return pd.Timestamp(value).tz_convert("UTC") if name in TIMES else value
