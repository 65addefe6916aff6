"""An independent computation of what compares groups age for age: mart.failure_split and mart.replacement_unit.

Written from the definition on the page: days are counted one by one, the ratio is solved for, scipy gives the test.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict

import pandas as pd
from scipy import optimize, stats

from tests.end_to_end.oracle import YEAR_DAYS, Window, day, followed_repairs, garwood, is_repair
from tests.end_to_end.oracle_life import Lived
from tests.end_to_end.raw_lake import Records

Cell = tuple[float, float, float, float]


def failure_split(records: Records, window: Window) -> pd.DataFrame:
    return pd.concat(
        [
            _split(records, window, by, key)
            for by, key in (("model_year", "model_year"), ("fleet", "fleet_id"))
        ]
    )


def _ages(vehicle: dict, window: Window) -> list[int]:
    """List the year of age of each day in service inside the window."""
    born = vehicle["in_service_on"]
    last = min(window.last, vehicle["out_of_service_on"] or window.last)
    days = pd.date_range(max(window.first, born), last, inclusive="left")
    return [math.floor((d - born).days / YEAR_DAYS) for d in days]


def _split(records: Records, window: Window, by: str, key: str) -> pd.DataFrame:
    repairs = followed_repairs(records, window)
    again = {job_id for ids in repairs["same_again"] for job_id in ids}
    days: dict[tuple, Counter] = defaultdict(Counter)
    failed: dict[tuple, Counter] = defaultdict(Counter)
    vehicles: Counter = Counter()
    left_out: Counter = Counter()
    for vehicle in records.vehicles:
        ages = _ages(vehicle, window)
        model, group = (vehicle["make"], vehicle["model"]), vehicle[key]
        if not ages:
            continue
        if group is None:
            left_out[model] += 1
            continue
        group = str(int(group)) if key == "model_year" else group
        vehicles[model, group] += 1
        days[model, group].update(ages)
        for job in records.jobs:
            is_mine = job["vehicle_id"] == vehicle["vehicle_id"]
            if is_mine and is_repair(job) and window.holds(job["opened_at"]) and job["job_id"] not in again:
                age = math.floor((day(job["opened_at"]) - vehicle["in_service_on"]).days / YEAR_DAYS)
                failed[model, job["component"], group][min(max(age, ages[0]), ages[-1])] += 1
    rows, over_models = [], defaultdict(list)
    for model, component in sorted({(m, c) for m, c, _ in failed}):
        groups = sorted(g for m, g in days if m == model)
        for group in groups:
            cells = [
                (
                    failed[model, component, group][age],
                    days[model, group][age],
                    sum(failed[model, component, g][age] for g in groups if g != group),
                    sum(days[model, g][age] for g in groups if g != group),
                )
                for age in sorted({a for g in groups for a in days[model, g]})
            ]
            row = {
                "by": by,
                "make": model[0],
                "model": model[1],
                "component": component,
                "group": group,
                "n_failures": sum(failed[model, component, group].values()),
                "n_vehicles": vehicles[model, group],
                "days": sum(days[model, group].values()),
                "n_vehicles_left_out": left_out[model],
            }
            rows.append(row | compared(cells))
            over_models[component, group].append((row, cells))
    if by == "fleet":
        for (component, group), parts in over_models.items():
            total = {
                n: sum(row[n] for row, _ in parts)
                for n in ("n_failures", "n_vehicles", "days", "n_vehicles_left_out")
            }
            names = {"by": by, "make": "*", "model": "*", "component": component, "group": group}
            rows.append(names | total | compared([cell for _, cells in parts for cell in cells]))
    return _with_rates(pd.DataFrame(rows))


def _mean(ratio: float, cells: list[Cell]) -> float:
    return sum((x + y) * ratio * t / (ratio * t + u) for x, t, y, u in cells)


def _ratio_of(target: float, n: int, cells: list[Cell]) -> float:
    if target <= 0 or target >= n:
        return 0.0 if target <= 0 else math.inf
    return math.exp(optimize.brentq(lambda log: _mean(math.exp(log), cells) - target, -30, 30, xtol=1e-13))


def compared(cells: list[Cell]) -> dict[str, float]:
    """Compare one side with the other over the ages at which both were in service."""
    both = [c for c in cells if c[1] and c[3]]
    x, n = sum(c[0] for c in both), sum(c[0] + c[2] for c in both)
    names = ("failures_expected", "rate_ratio", "rate_ratio_low", "rate_ratio_high", "p_value")
    found = {"n_failures_compared": x} | dict.fromkeys(names, math.nan)
    if not n:
        return found
    exact = stats.binomtest(x, n).proportion_ci(0.95, "exact")
    ratio, low, high = (_ratio_of(target, n, both) for target in (x, n * exact.low, n * exact.high))
    expected = x / ratio if x else sum(y * t / u for _, t, y, u in both)
    p_value = stats.binomtest(x, n, _mean(1.0, both) / n).pvalue
    values = (x, expected, *(v if math.isfinite(v) else math.nan for v in (ratio, low, high)), p_value)
    return dict(zip(found, values, strict=True))


def _with_rates(table: pd.DataFrame) -> pd.DataFrame:
    table["vehicle_years"] = table["days"] / YEAR_DAYS
    table["rate_per_1000_vehicle_years"] = 1000 * table["n_failures"] / table["vehicle_years"]
    for place, name in enumerate(("low", "high")):
        table[name] = [
            1000 * garwood(k)[place] / t
            for k, t in zip(table["n_failures"], table["vehicle_years"], strict=True)
        ]
    table["q_value"] = math.nan
    for is_pooled in (True, False):
        tested = table["p_value"].notna() & ((table["make"] == "*") == is_pooled)
        if tested.any():
            table.loc[tested, "q_value"] = stats.false_discovery_control(table.loc[tested, "p_value"])
    more = table["rate_ratio"].fillna(math.inf) > 1
    table["stands_out"] = (table["q_value"] < 0.05) & more
    return table


# --- replacements against first units ---------------------------------------------------------------
def replacement_unit(lives: dict[tuple[str, str, str], Lived]) -> pd.DataFrame:
    """Compute mart.replacement_unit: failures of replacements against first units, year of age by year of age."""
    rows = []
    for (make, model, component), told in lives.items():
        if make == "*" or all(told.is_first):
            continue
        seen: dict[bool, tuple[Counter, Counter]] = {
            True: (Counter(), Counter()),
            False: (Counter(), Counter()),
        }
        for (entry, leave, failed), is_first in zip(told.stretches(), told.is_first, strict=True):
            days, failures = seen[is_first]
            for age in range(math.floor(leave / YEAR_DAYS) + 1):
                days[age] += max(0.0, min(leave, (age + 1) * YEAR_DAYS) - max(entry, age * YEAR_DAYS))
            failures[math.floor(leave / YEAR_DAYS)] += int(failed)
        row = {"make": make, "model": model, "component": component}
        for is_first, name in ((True, "first"), (False, "replacement")):
            days, failures = (sum(counted.values()) for counted in seen[is_first])
            row |= {f"n_failures_{name}": failures, f"unit_years_{name}": days / YEAR_DAYS}
            row[f"rate_{name}"] = 1000 * YEAR_DAYS * failures / days if days else math.nan
        (first_days, first), (later_days, later) = seen[True], seen[False]
        ages = sorted(first_days | later_days)
        cells = [(later[a], later_days[a], first[a], first_days[a]) for a in ages]
        rows.append(row | compared(cells))
    table = pd.DataFrame(rows)
    table["q_value"] = math.nan
    tested = table["p_value"].notna()
    table.loc[tested, "q_value"] = stats.false_discovery_control(table.loc[tested, "p_value"])
    table["stands_out"] = (table["q_value"] < 0.05) & (table["rate_ratio"].fillna(math.inf) > 1)
    return table
