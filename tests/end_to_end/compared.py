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
        ["n_failures", "n_comebacks", "n_vehicles", "n_vehicles_km", "n_failures_km",
         "is_recurring"],
        ["vehicle_years", "vehicle_km", "rate_per_1000_vehicle_years", "low", "high", "rate_ratio", "p_value",
         "q_value", "shrunk_rate", "shrunk_low", "shrunk_high", "q_value_without_comebacks", "rate_per_million_km"],
    ),
    "failure_split": (
        ["by", "make", "model", "component", "group"],
        ["n_failures", "n_vehicles", "n_failures_compared", "n_vehicles_left_out", "stands_out"],
        ["vehicle_years", "rate_per_1000_vehicle_years", "low", "high", "failures_expected", "rate_ratio",
         "rate_ratio_low", "rate_ratio_high", "p_value", "q_value"],
    ),
    "replacement_unit": (
        ["make", "model", "component"],
        ["n_failures_first", "n_failures_replacement", "n_failures_compared", "stands_out"],
        ["unit_years_first", "unit_years_replacement", "rate_first", "rate_replacement", "failures_expected",
         "rate_ratio", "rate_ratio_low", "rate_ratio_high", "p_value", "q_value"],
    ),
    "first_time_fix": (
        ["by", "group"],
        ["n_repairs", "n_comebacks", "n_followed"],
        ["first_time_fix", "low", "high", "first_time_fix_naive", "expected", "n_comebacks_expected",
         "comeback_ratio", "comeback_ratio_low", "comeback_ratio_high", "p_value", "q_value"],
    ),
    "comeback": (
        ["job_id", "shop_id", "technician_id", "vehicle_id", "make", "model", "component", "action", "closed_on",
         "comeback_job_id", "comeback_shop_id", "verified", "evidence_agrees", "currency"],
        ["days", "is_same_component"],
        ["labor_h", "parts_cost"],
    ),
    "repeated_failure": (
        ["vehicle_id", "make", "model", "component", "first_on", "last_on", "last_job_id", "last_shop_id"],
        ["n_failures", "n_comebacks", "n_shops"],
        [],
    ),
    "against_evidence": (["by", "group"], ["n_told", "n_against"], ["share_against", "low", "high"]),
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
    "inspection_station": (
        ["model_year", "station_id"],
        ["n_initial", "n_initial_fail"],
        ["initial_failure_percent", "low_percent", "high_percent", "year_percent"],
    ),
    "vehicles_tested": (["model_year", "vehicle_type"], ["n_vehicles", "n_vehicles_seen", "n_initial"], []),
    "inspection_disagreement": (["inspection_id", "station_id", "vehicle_id", "recorded", "judged"], [], []),
    "readiness_after_clear": (["make", "model"], ["n_vehicles", "n_not_ready"], []),
    "vehicle_due": (
        ["vehicle_id", "due_on", "last_inspected_on", "last_verdict", "evap_state", "cleared_on", "lamp_codes"],
        ["days_to_due", "is_own_distance", "is_lamp_on", "has_open_job"],
        ["km_per_day"],
    ),
}  # fmt: skip


def differences(name: str, ours: pd.DataFrame, theirs: pd.DataFrame) -> list[str]:
    """List every cell in which two forms of one mart differ, and every row that only one of them has.

    Rows of the inspection report that no cycle could have counted in are left out of theirs.
    """
    keys, counts, numbers = COMPARED[name]
    if name == "inspection_report":
        theirs = theirs[theirs["item"].isin(ITEMS) & (theirs["of"] > 0)]
    if name == "readiness_after_clear":
        theirs = theirs[theirs["n_vehicles"] > 0]
    if name in ("comeback", "repeated_failure"):
        days = [c for c in keys if c.endswith("_on")]
        theirs = theirs.assign(**{c: pd.to_datetime(theirs[c]).dt.strftime("%Y-%m-%d") for c in days})
    if name == "vehicle_due":
        theirs = _with_faults_apart(theirs)
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


def _with_faults_apart(due: pd.DataFrame) -> pd.DataFrame:
    """Tell the open faults of mart.vehicle_due apart; a repair that its recording disproves is not compared."""
    mark = " with the lamp on at the last inspection"
    faults = [list(listed) for listed in due["open_faults"]]
    return due.assign(
        has_open_job=[any(f.startswith("job ") for f in listed) for listed in faults],
        lamp_codes=["".join(f.removesuffix(mark) for f in listed if f.endswith(mark)) for listed in faults],
        **{c: pd.to_datetime(due[c]) for c in ("due_on", "last_inspected_on", "cleared_on")},
    )


def _by_key(table: pd.DataFrame, n_keys: int) -> dict[tuple, tuple]:
    rows = table.itertuples(index=False)
    return {tuple("" if pd.isna(k) else k for k in row[:n_keys]): tuple(row[n_keys:]) for row in rows}
