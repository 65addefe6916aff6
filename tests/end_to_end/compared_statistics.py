"""Where the statistics of a warehouse differ from the independent computation: one list of differences a table."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from tests.end_to_end import oracle_alarms, oracle_clear, oracle_life, oracle_sizes, oracle_worth
from tests.end_to_end.accepted_lake import Accepted
from tests.end_to_end.oracle import Window, wilson
from tests.end_to_end.raw_lake import Records

MODEL = ["make", "model", "component"]
SHARES = {"0.5": "share_over_0_5", "1.0": "share_over_1_0"}


def _differ(key: Any, ours: dict[str, Any], theirs: Any, rtol: float = 1e-4) -> list[str]:
    """List the columns in which two rows differ: whole numbers and words exactly, others to `rtol`."""
    found = []
    for column, a in ours.items():
        b = theirs[column]
        if a is None or (isinstance(a, float) and math.isnan(a)):
            same = pd.isna(b)
        elif isinstance(a, float) and not pd.isna(b):
            same = np.isclose(a, b, rtol=rtol, atol=1e-9)
        else:
            same = a == b
        if not same:
            found.append(f"{key} {column}: ours {a!r}, theirs {b!r}")
    return found


def _rows(table: pd.DataFrame, keys: list[str]) -> dict[tuple, pd.Series]:
    return {tuple(row[k] for k in keys): row for _, row in table.iterrows()}


def _apart(ours: Iterable[tuple], theirs: Iterable[tuple]) -> list[str]:
    return [f"only one has {key}" for key in sorted(set(ours) ^ set(theirs), key=str)]


def life_differences(
    lives: dict[tuple[str, str, str], oracle_life.Lived], table: pd.DataFrame, models: set[str] | None = None
) -> list[str]:
    """Compare mart.component_life; `models` names those that are compared, None all."""
    theirs = _rows(table, MODEL)
    found = _apart(lives, theirs)
    for is_pooled in (True, False):
        family = table[table["p_constant"].notna() & ((table["make"] == "*") == is_pooled)]
        if len(family):
            q = stats.false_discovery_control(family["p_constant"])
            found += [] if np.allclose(q, family["q_constant"]) else [f"q_constant, pooled {is_pooled}"]
    for key in lives.keys() & theirs.keys():
        if models is None or key[1] in models:
            found += _differ(key, _life(lives[key]), theirs[key])
    return found


def _life(told: oracle_life.Lived) -> dict[str, Any]:
    s = told.stretches()
    row: dict[str, Any] = {
        n: int(getattr(told, n)) for n in ("n_failures", "n_returns", "n_left_out", "n_replaced")
    }
    row |= {"n_in_service": len(told.ages_now), "unit_years": float((s[:, 1] - s[:, 0]).sum()) / 365.25}
    fit = oracle_life.weibull(s)
    if fit is None:
        return row | {"weibull_shape": None, "pattern": None, "failures_next_365_days": None}
    a, b = fit.log_shape, fit.log_scale
    estimates = {"weibull_shape": ("", (a, (1, 0))), "weibull_scale": ("_years", (b, (0, 1)))}
    bounds = {name: (unit, oracle_life.around(*of, fit)) for name, (unit, of) in estimates.items()}
    for name, (unit, of) in (bounds | {"b10": ("_years", oracle_life.b10(fit))}).items():
        row |= {f"{name}{end}{unit}": v for end, v in zip(("", "_low", "_high"), of, strict=True)}
    row |= {"p_constant": fit.p_constant, "pattern": oracle_life.pattern(fit)}
    for days in (90, 365):
        mean, low, high, parts = oracle_life.forecast(told, fit, days)
        name = f"failures_next_{days}_days"
        row |= {name: mean, f"{name}_low": low, f"{name}_high": high, f"parts_for_{days}_days": parts}
    return row


def curve_differences(lives: dict[tuple[str, str, str], oracle_life.Lived], table: pd.DataFrame) -> list[str]:
    """Compare every age that mart.component_life_curve shows."""
    found = []
    for key, shown in table.groupby(MODEL):
        counted = oracle_life.counted_curve(lives[key].stretches())
        for _, row in shown.iterrows():
            age = counted.iloc[(counted["age_years"] - row["age_years"]).abs().argmin()]
            ours = age.to_dict() | {c: int(age[c]) for c in ("n_at_risk", "n_failures")}
            found += _differ((*key, row["age_years"]), ours, row, 1e-6)
    return found


def recurrence_differences(records: Records, window: Window, table: pd.DataFrame) -> list[str]:
    """Compare every age that mart.recurrence shows."""
    ours = oracle_life.recurrence(records, window)
    shown = dict(list(table.groupby(MODEL)))
    found = _apart((k for k, curve in ours.items() if len(curve)), shown)
    for key, part in shown.items():
        curve = ours[key].set_index("age_days")
        for _, row in part.iterrows():
            point = curve.loc[row["age_days"]].to_dict()
            found += _differ((*key, row["age_days"]), point, row, 1e-6)
    return found


def alarm_differences(
    lives: dict[tuple[str, str, str], oracle_life.Lived], window: Window, table: pd.DataFrame
) -> list[str]:
    """Compare mart.alarms: counts, expectations, evidence and its limit; one spread a component."""
    months = oracle_alarms.months_of(window)
    charts = {key: part.sort_values("month") for key, part in table.groupby(MODEL)}
    most = oracle_alarms.limit(len(charts), len(months) - 1)
    found, spreads = [], {}
    counted = {k: oracle_alarms.months_counted(lives[k], lives["*", "*", k[2]], months) for k in charts}
    for key, chart in charts.items():
        shape = oracle_alarms.spread(*counted[key], chart["expected"].to_numpy())
        spreads.setdefault(key[2], []).append(shape)
    for key, chart in charts.items():
        shape = float(np.median(spreads[key[2]]))
        ours = oracle_alarms.evidence(*counted[key], shape, most)
        ours["observed"], ours["evidence_limit"] = counted[key][0], most
        if len(ours) != len(chart):
            found.append(f"{key}: {len(ours)} months, theirs {len(chart)}")
            continue
        for column in ours:
            mine, theirs = (frame[column].to_numpy(dtype=float, na_value=np.nan) for frame in (ours, chart))
            if (np.isnan(mine) != np.isnan(theirs)).any():
                found.append(f"{key} {column}: missing in other months")
            gap = np.nanmax(np.abs(mine - theirs), initial=0.0)
            found += [f"{key} {column}: differs by {gap}"] if gap > 1e-3 else []
    return found


def size_differences(
    records: Records, results: pd.DataFrame, table: pd.DataFrame, curve: pd.DataFrame
) -> list[str]:
    """Compare mart.leak_size and its curve, for groups of five recordings and more."""
    ours, theirs = oracle_sizes.groups(records, results), _rows(table, ["by", "group"])
    found = _apart(ours, theirs)
    for key in ours.keys() & theirs.keys():
        part, row = ours[key], theirs[key]
        left, right = part["left"].to_numpy(), part["right"].to_numpy()
        counts = {
            "n_traces": len(part),
            "n_below_detection": int((part["leak_censoring"] == "left").sum()),
            "n_too_large": int((part["leak_censoring"] == "right").sum()),
        }
        found += _differ(key, counts, row)
        if len(part) < 5:
            continue
        places, mass = oracle_sizes.npmle(left, right)
        steps = oracle_sizes.told_steps(places, mass, part)
        shown = curve[(curve["by"] == key[0]) & (curve["group"] == key[1])]
        ends, theirs_ends = (
            {round(x, 6) for x in of} for of in ([places[i][1] for i in steps], shown["diameter_mm"])
        )
        if not ends <= theirs_ends or max(ends, default=0) != max(theirs_ends, default=0):
            found.append(f"{key} steps: ours {sorted(ends)}, theirs {sorted(theirs_ends)}")
        for _, step in shown.iterrows():
            share = oracle_sizes.share_at_most(places, mass, step["diameter_mm"] + 1e-9)[0]
            found += _differ((*key, step["diameter_mm"]), {"share_at_most": share}, step, 1e-3)
        found += _differ(key, {"median_mm": float(oracle_sizes.median(places, mass, steps))}, row, 1e-3)
        for size, column in SHARES.items():
            least, most = oracle_sizes.share_at_most(places, mass, float(size))
            told = row[f"{column}_mm"]
            if not (pd.isna(told) or 1 - most - 1e-4 <= told <= 1 - least + 1e-4):
                found.append(f"{key} {column}: ours {1 - most} to {1 - least}, theirs {told}")
        if not pd.isna(row["lognormal_median_mm"]):
            mu, sigma = oracle_sizes.lognormal(left, right)
            fit = {"lognormal_median_mm": math.exp(mu), "lognormal_sigma": sigma}
            found += _differ(key, fit, row, 1e-3)
    return found


def worth_differences(
    records: Records, window: Window, checks: pd.DataFrame, table: pd.DataFrame
) -> list[str]:
    """Compare mart.proof_worth: both sides, the ratio where there is one, comebacks avoided and their cost."""
    theirs, found = _rows(table, ["comparison"]), []
    for name, repairs in oracle_worth.sides(records, window, checks).items():
        row = theirs[(name,)]
        ours = oracle_worth.plain(repairs) | oracle_worth.costs(records, repairs)
        if not pd.isna(row["hazard_ratio"]):
            ratio = oracle_worth.hazard_ratio(repairs)
            ours |= ratio
            n = ours["n_comebacks_without"]
            for end, of in (("", ""), ("_low", "_high"), ("_high", "_low")):
                ours[f"comebacks_avoided{end}"] = n * (1 - ratio[f"hazard_ratio{of}"])
            ours["hours_avoided"] = ours["comebacks_avoided"] * ours["labor_h_per_comeback"]
            ours["parts_cost_avoided"] = ours["comebacks_avoided"] * ours["parts_cost_per_comeback"]
        found += _differ(name, ours, row, 1e-6)
    return found


def pair_differences(
    records: Records, traces: list[dict[str, Any]], results: pd.DataFrame, table: pd.DataFrame
) -> list[str]:
    """Compare mart.repair_check: which recordings belong to a repair, and their verdicts."""
    ours = oracle_sizes.pairs(records, traces, results)
    mine, theirs = _rows(ours, ["job_id"]), _rows(table, ["job_id"])
    found = _apart(mine, theirs)
    for key in mine.keys() & theirs.keys():
        found += _differ(key, mine[key].to_dict(), theirs[key])
    return found


def clear_differences(records: Records, table: pd.DataFrame, monitors: set[str] | None = None) -> list[str]:
    """Compare mart.monitor_after_clear: counts, readings by isotonic regression and their bounds."""
    keys = ["make", "model", "monitor", "counter"]
    looks = oracle_clear.looks(records)
    found = _apart(looks, {tuple(row) for row in table[keys].itertuples(index=False)})
    for key, shown in table.groupby(keys):
        if monitors is not None and key[2] not in monitors:
            continue
        mine = looks.get(key, [])
        curve = oracle_clear.isotonic(mine)
        counts = {
            "n_vehicles": len(mine),
            "n_not_ready": sum(not is_done for _, is_done in mine),
            "n_saturated": sum(math.isinf(reading) for reading, _ in mine),
        }
        for _, row in shown.iterrows():
            ours: dict[str, Any] = counts | {}
            if len(mine) >= 20 and counts["n_not_ready"]:
                low, high = oracle_clear.bounds_at(curve, row["share_ready"])
                reading = oracle_clear.reading_at(curve, row["share_ready"])
                ours |= {"reading": reading, "low": low, "high": high}
            found += _differ((*key, row["share_ready"]), ours, row, 1e-6)
    return found


def arrival_differences(due: pd.DataFrame, readiness: pd.DataFrame) -> list[str]:
    """Compare the chances in mart.vehicle_due that rest on arrivals with the EVAP monitor's share complete."""
    share = _rows(readiness[readiness["monitor"] == "evap"], ["make", "model"])
    found = []
    for _, row in due[due["basis"] == "arrivals"].iterrows():
        if pd.isna(row["chance_ready"]):
            continue
        of = share[row["make"], row["model"]]
        n, done = int(of["n_inspections"]), int(of["n_inspections"] - of["n_not_ready"])
        low, high = wilson(done, n)
        ours = {"n_behind": n, "chance_ready": done / n, "chance_low": low, "chance_high": high}
        found += _differ(row["vehicle_id"], ours, row, 1e-6)
    return found


def all_differences(
    lake: Accepted, window: Window, models: set[str] | None = None, monitors: set[str] | None = None
) -> dict[str, list[str]]:
    """Compare every statistic; `models` and `monitors` keep the slow ones to some, None to all."""
    records, marts = lake.records, lake.marts
    lives = oracle_life.lives(records, window)
    results, curve = marts["trace_result"], marts["component_life_curve"]
    chosen = curve if models is None else curve[curve["model"].isin(models)]
    found = {
        "component_life": life_differences(lives, marts["component_life"], models),
        "component_life_curve": curve_differences(lives, chosen),
        "recurrence": recurrence_differences(records, window, marts["recurrence"]),
        "alarms": alarm_differences(lives, window, marts["alarms"]),
        "leak_size": size_differences(records, results, marts["leak_size"], marts["leak_size_curve"]),
        "repair_check": pair_differences(records, lake.traces, results, marts["repair_check"]),
        "proof_worth": worth_differences(records, window, marts["repair_check"], marts["proof_worth"]),
        "monitor_after_clear": clear_differences(records, marts["monitor_after_clear"], monitors),
        "vehicle_due": arrival_differences(marts["vehicle_due"], marts["readiness"]),
    }
    return {table: lines[:5] for table, lines in found.items() if lines}
