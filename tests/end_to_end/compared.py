"""Which columns of a mart must equal the independent computation, and where they do not."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

CLAUSES = ("i", "ii", "iii", "iv", "v", "vi", "xi", "xii", "xv", "xvi", "xvii", "xviii", "xix", "xx", "xxi",
           "xxii", "xxiii")  # fmt: skip
ITEMS = [f"(a)(2)({clause})" for clause in CLAUSES]

#: table -> (key, columns equal exactly, columns equal to 1e-6)
COMPARED: dict[str, tuple[list[str], list[str], list[str]]] = {
    "failure_rate": (
        ["make", "model", "component"],
        ["n_failures", "n_comebacks", "n_vehicles", "n_vehicles_km", "is_recurring"],
        ["vehicle_years", "vehicle_km", "rate_per_1000_vehicle_years", "low", "high", "rate_ratio", "p_value",
         "q_value", "shrunk_rate", "shrunk_low", "shrunk_high"],
    ),
    "first_time_fix": (
        ["by", "group"],
        ["n_repairs", "n_comebacks", "n_followed"],
        ["first_time_fix", "low", "high", "first_time_fix_naive"],
    ),
    "inspection_report": (
        ["model_year", "vehicle_type", "item"],
        ["n", "of"],
        ["percent", "low_percent", "high_percent"],
    ),
    "readiness": (
        ["make", "model", "monitor"],
        ["n_inspections", "n_not_ready"],
        ["not_ready_rate", "low", "high"],
    ),
}  # fmt: skip


def differences(name: str, ours: pd.DataFrame, theirs: pd.DataFrame) -> list[str]:
    """List every cell in which two forms of one mart differ, and every row that only one of them has.

    Rows of the inspection report that no cycle could have counted in are left out of theirs.
    """
    keys, counts, numbers = COMPARED[name]
    if name == "inspection_report":
        theirs = theirs[theirs["item"].isin(ITEMS) & (theirs["of"] > 0)]
    found = []
    tables = [_by_key(t[keys + counts + numbers], len(keys)) for t in (ours, theirs)]
    for key in sorted(tables[0].keys() | tables[1].keys(), key=str):
        rows = [table.get(key) for table in tables]
        if None in rows:
            found.append(f"{key}: only in {'theirs' if rows[0] is None else 'ours'}: {rows[0] or rows[1]}")
            continue
        for place, column in enumerate(counts + numbers):
            a, b = (math.nan if pd.isna(row[place]) else float(row[place]) for row in rows)
            is_same = a == b if column in counts else np.isclose(a, b, rtol=1e-6, atol=1e-9)
            if not (is_same or (math.isnan(a) and math.isnan(b))):
                found.append(f"{key} {column}: ours {a!r}, theirs {b!r}")
    return found


def _by_key(table: pd.DataFrame, n_keys: int) -> dict[tuple, tuple]:
    rows = table.itertuples(index=False)
    return {tuple("" if pd.isna(k) else k for k in row[:n_keys]): tuple(row[n_keys:]) for row in rows}
