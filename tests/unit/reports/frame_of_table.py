"""Put rows into a frame that has a table's columns, order and types."""

from __future__ import annotations

from typing import Any

import polars as pl
from scipy import stats

from pipeline.contract.tables import AUDIT_FILES, AUDIT_RUNS, MARTS, QUARANTINE_RECORDS, Table

HOSTILE = "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">"


TYPES: dict[str, Any] = {
    "VARCHAR": pl.String,
    "BIGINT": pl.Int64,
    "INTEGER": pl.Int32,
    "DOUBLE": pl.Float64,
    "BOOLEAN": pl.Boolean,
    "DATE": pl.Date,
    "VARCHAR[]": pl.List(pl.String),
    "TIMESTAMP WITH TIME ZONE": pl.Datetime("us", "UTC"),
}


TABLES = {t.full_name: t for t in (*MARTS, AUDIT_FILES, AUDIT_RUNS, QUARANTINE_RECORDS)}


MODELS = (
    ("Halden", "Orrin"),
    ("Halden", "Brisk 4"),
    ("Vantry", "Mole"),
    ("Vantry", "Tarn"),
    ("Kestrin", "Dray"),
    ("Kestrin", "Luma Wagon"),
    ("Ostra", "Pike"),
    ("Ostra", "Pike Long"),
)


PARTS = (
    "purge_valve",
    "vent_valve",
    "fuel_cap",
    "canister",
    "vapor_line",
    "filler_neck",
    "tank_pressure_sensor",
    "wiring",
)


SHOPS = tuple(f"shop-{n:02d}" for n in range(1, 15))


def framed(table: Table, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Put rows into a frame with the table's columns, order and types."""
    schema = {c.name: TYPES[c.type] for c in table.columns}
    unknown = {k for row in rows for k in row} - set(schema)
    assert not unknown, f"{table.full_name} has no {unknown}"
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def garwood(n: int, exposure: float) -> tuple[float, float]:
    low = stats.chi2.ppf(0.025, 2 * n) / 2 if n else 0.0
    return 1000 * low / exposure, 1000 * stats.chi2.ppf(0.975, 2 * n + 2) / 2 / exposure


def wilson(k: int, n: int) -> tuple[float, float]:
    bounds = stats.binomtest(k, n).proportion_ci(method="wilson")
    return float(bounds.low), float(bounds.high)
