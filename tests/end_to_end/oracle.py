"""An independent computation of the fleet marts, written from the contract's definitions alone.

Naive on purpose: loops over records, scipy and lifelines for the numbers, nothing of `pipeline`.
Failure: repair opened inside the window. Comeback: first EVAP job on the same vehicle opened after the repair
was closed, within 90 whole UTC days, day 90 included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter
from scipy import optimize, special, stats
from statsmodels.stats.proportion import proportion_confint

from tests.end_to_end.raw_lake import Records

EVAP_CODES = {
    *(f"P04{n}" for n in [*range(40, 60), *range(65, 70), *range(96, 100)]),
    *(f"P24{n:02d}" for n in [*range(18, 23), *range(8), 50, 51]),
    "P043E",
    "P043F",
}
YEAR_DAYS = 365.25


@dataclass
class Window:
    """First and last UTC day, both inside."""

    first: pd.Timestamp
    last: pd.Timestamp

    def holds(self, moment: pd.Timestamp | None) -> bool:
        return moment is not None and self.first <= day(moment) <= self.last


def day(moment: pd.Timestamp) -> pd.Timestamp:
    """Take the UTC date of a moment as a naive midnight, so that days are whole."""
    return (moment.tz_convert("UTC").tz_localize(None) if moment.tzinfo else moment).normalize()


def window_of(records: Records, first: Any = None, last: Any = None) -> Window:
    days = [day(j["opened_at"]) for j in records.jobs]
    return Window(pd.Timestamp(first) if first else min(days), pd.Timestamp(last) if last else max(days))


def wilson(k: int, n: int) -> tuple[float, float]:
    """Give the Wilson interval (statsmodels), or nan where there is nothing to count."""
    return proportion_confint(k, n, method="wilson") if n else (math.nan, math.nan)


def garwood(k: int) -> tuple[float, float]:
    """Give the exact Poisson interval of a count: chi-square quantiles."""
    low = stats.chi2.ppf(0.025, 2 * k) / 2 if k else 0.0
    return low, stats.chi2.ppf(0.975, 2 * k + 2) / 2


# --- jobs ------------------------------------------------------------------------------------------
def is_repair(job: dict[str, Any]) -> bool:
    return job["action"] != "none" and job["component"] != "none_found"


def is_evap(job: dict[str, Any]) -> bool:
    return job["component"] not in ("none_found", "other") or bool(
        EVAP_CODES & set(job["trouble_codes"] or [])
    )


def comebacks_of(repair: dict[str, Any], jobs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Find the first EVAP job on the same vehicle opened later than the repair's close; all lines of that moment."""
    later = [
        j
        for j in jobs
        if j["vehicle_id"] == repair["vehicle_id"] and is_evap(j) and j["opened_at"] > repair["closed_at"]
    ]
    return [j for j in later if j["opened_at"] == min(j["opened_at"] for j in later)]


def followed_repairs(records: Records, window: Window) -> pd.DataFrame:
    """List every repair closed inside the window with days followed (at most 90) and whether it came back."""
    register = {v["vehicle_id"]: v for v in records.vehicles}
    rows = []
    for job in records.jobs:
        if not is_repair(job) or not window.holds(job["closed_at"]):
            continue
        vehicle = register[job["vehicle_id"]]
        end = min(window.last, day(vehicle["out_of_service_on"] or window.last))
        seen = max(0, (end - day(job["closed_at"])).days)
        again = comebacks_of(job, records.jobs)
        gap = (day(again[0]["opened_at"]) - day(job["closed_at"])).days if again else math.inf
        came_back = gap <= min(90, seen)
        rows.append(
            {
                **job,
                "make": vehicle["make"],
                "model": vehicle["model"],
                "time": gap if came_back else min(90, seen),
                "came_back": came_back,
                "is_followed": seen >= 90,
                "same_again": [
                    j["job_id"] for j in again if came_back and j["component"] == job["component"]
                ],
            }
        )
    return pd.DataFrame(rows)


def kaplan_meier(time: pd.Series, event: pd.Series, n_followed: int) -> tuple[float, float, float]:
    """Give survival at day 90 with log-log Greenwood bounds; exact binomial ones where survival is 1 or 0."""
    fit = KaplanMeierFitter().fit(time, event, alpha=0.05)
    share = float(fit.predict(90))
    if share in (0.0, 1.0):
        if n_followed == 0:
            return share, 0.0, 1.0
        exact = stats.binomtest(n_followed if share else 0, n_followed).proportion_ci(0.95, "exact")
        return share, exact.low, exact.high
    bounds = fit.confidence_interval_survival_function_
    low, high = bounds[bounds.index <= 90].iloc[-1]
    return share, float(low), float(high)


def first_time_fix(records: Records, window: Window, checks: pd.DataFrame | None = None) -> pd.DataFrame:
    """Compute mart.first_time_fix; `checks` (job_id, verified, evidence_agrees) adds those two groupings."""
    repairs = followed_repairs(records, window)
    makes = pd.DataFrame(records.vehicles).groupby("model")["make"].nunique()
    is_shared = repairs["model"].map(makes) > 1
    label = np.where(is_shared, repairs["make"] + " " + repairs["model"], repairs["model"])
    groups = {
        "all": pd.Series("all", index=repairs.index),
        "shop": repairs["shop_id"],
        "technician": repairs["technician_id"],
        "model": pd.Series(label, index=repairs.index),
        "component": repairs["component"],
    }
    if checks is not None:
        known = checks.set_index("job_id")
        groups["verified"] = repairs["job_id"].map(known["verified"])
        groups["evidence"] = repairs["job_id"].map(known["evidence_agrees"])
    rows = []
    repairs["hazard"], repairs["mix"] = _expected(repairs)
    for by, of in groups.items():
        for name, part in repairs.groupby(of):
            followed = part[part["is_followed"]]
            share, low, high = kaplan_meier(part["time"], part["came_back"], len(followed))
            naive = 1 - followed["came_back"].mean() if len(followed) else math.nan
            rows.append(
                {
                    "by": by,
                    "group": name,
                    "n_repairs": len(part),
                    "n_comebacks": int(part["came_back"].sum()),
                    "n_followed": len(followed),
                    "first_time_fix": share,
                    "low": low,
                    "high": high,
                    "first_time_fix_naive": naive,
                    "expected": part["mix"].mean(),
                    "n_comebacks_expected": part["hazard"].sum(),
                    **_against_the_others(by, part, repairs),
                }
            )
    found = pd.DataFrame(rows)
    found["q_value"] = math.nan
    for by in ("shop", "technician"):
        tested = found["p_value"].notna() & (found["by"] == by)
        if tested.any():
            found.loc[tested, "q_value"] = stats.false_discovery_control(found.loc[tested, "p_value"])
    return found


def _against_the_others(by: str, part: pd.DataFrame, repairs: pd.DataFrame) -> dict[str, float]:
    """Ratio of observed over expected of a group's repairs and of all other repairs, by SciPy's exact binomial."""
    names = ("comeback_ratio", "comeback_ratio_low", "comeback_ratio_high", "p_value")
    rest = repairs.drop(part.index)
    own, other, all_of = part["hazard"].sum(), rest["hazard"].sum(), int(repairs["came_back"].sum())
    if by not in ("shop", "technician") or not (own > 0 and other > 0 and all_of):
        return dict.fromkeys(names, math.nan)
    exact = stats.binomtest(int(part["came_back"].sum()), all_of, own / (own + other))
    bounds = exact.proportion_ci(0.95, "exact")
    ratios = [
        share / (1 - share) * other / own if share < 1 else math.nan
        for share in (exact.statistic, bounds.low, bounds.high)
    ]
    return dict(zip(names, [*ratios, exact.pvalue], strict=True))


def _expected(repairs: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Give each repair the hazard that its model and component lived through, and their first-time fix at day 90."""
    hazard, share = pd.Series(0.0, repairs.index), pd.Series(1.0, repairs.index)
    for _, part in repairs.groupby(["make", "model", "component"]):
        for on in sorted(part.loc[part["came_back"], "time"].unique()):
            step = ((part["time"] == on) & part["came_back"]).sum() / (part["time"] >= on).sum()
            hazard[part.index[part["time"] >= on]] += step
            share[part.index] *= 1 - step
    return hazard, share


# --- failure rates ---------------------------------------------------------------------------------
def vehicle_years(vehicle: dict[str, Any], window: Window) -> float:
    end = min(window.last, vehicle["out_of_service_on"] or window.last)
    return max(0, (end - max(window.first, vehicle["in_service_on"])).days) / YEAR_DAYS


def distances(records: Records, window: Window) -> dict[str, tuple[pd.Timestamp, pd.Timestamp, float]]:
    """Find per vehicle the days of the first and last odometer reading inside the window and the km between."""
    readings: dict[str, list[tuple[pd.Timestamp, float]]] = {}
    told = [(j["vehicle_id"], j["opened_at"], j["odometer_km"]) for j in records.jobs]
    told += [(i["vehicle_id"], i["inspected_at"], i["odometer_km"]) for i in records.inspections]
    told += [(v["vehicle_id"], v["odometer_on"], v["odometer_km"]) for v in records.vehicles]
    for vehicle_id, moment, km in told:
        if moment is not None and km is not None and window.holds(moment):
            readings.setdefault(vehicle_id, []).append((day(moment), km))
    found = {}
    for vehicle_id, pairs in readings.items():
        (first_on, first_km), (last_on, last_km) = min(pairs), max(pairs)
        if last_on > first_on and last_km >= first_km:
            found[vehicle_id] = (first_on, last_on, last_km - first_km)
    return found


def failure_rate(records: Records, window: Window) -> pd.DataFrame:
    """Compute mart.failure_rate, row by row."""
    register = pd.DataFrame(records.vehicles)
    register["years"] = [vehicle_years(v, window) for v in records.vehicles]
    km = distances(records, window)
    register["km"] = register["vehicle_id"].map({v: d[2] for v, d in km.items()})
    repairs = followed_repairs(records, window)
    flagged = {job_id for again in repairs["same_again"] for job_id in again}
    jobs = pd.DataFrame([j for j in records.jobs if is_repair(j) and window.holds(j["opened_at"])])
    jobs = jobs.merge(register[["vehicle_id", "make", "model"]], on="vehicle_id")
    jobs["is_comeback"] = jobs["job_id"].isin(flagged)
    rows = []
    for component in sorted(jobs["component"].unique()):
        for (make, model), vehicles in register.groupby(["make", "model"]):
            mine = jobs[(jobs["component"] == component) & (jobs["make"] == make) & (jobs["model"] == model)]
            rows.append(
                {
                    "make": make,
                    "model": model,
                    "component": component,
                    "n_failures": len(mine),
                    "n_comebacks": int(mine["is_comeback"].sum()),
                    "n_vehicles": len(vehicles),
                    "vehicle_years": vehicles["years"].sum(),
                    "vehicle_km": vehicles["km"].sum() if vehicles["km"].notna().any() else math.nan,
                    "n_vehicles_km": int(vehicles["km"].notna().sum()),
                    "n_failures_km": sum(_is_between(job, km) for _, job in mine.iterrows())
                    if vehicles["km"].notna().any()
                    else math.nan,
                }
            )
    return _with_rates(pd.DataFrame(rows))


def _is_between(job: pd.Series, km: dict[str, tuple[pd.Timestamp, pd.Timestamp, float]]) -> bool:
    """Say whether a failure came after the first reading's day and up to the last's: that distance led to it."""
    first_on, last_on, _ = km.get(job["vehicle_id"], (pd.Timestamp.max, pd.Timestamp.min, 0.0))
    return first_on < day(job["opened_at"]) <= last_on


def _with_rates(table: pd.DataFrame) -> pd.DataFrame:
    has = table["vehicle_years"] > 0
    per = 1000 / table["vehicle_years"].where(has)
    table["rate_per_1000_vehicle_years"] = table["n_failures"] * per
    table["low"], table["high"] = np.array([garwood(k) for k in table["n_failures"]]).T * per.to_numpy()
    names = ["shrunk_rate", "shrunk_low", "shrunk_high", "rate_ratio", "p_value"]
    for name in names:
        table[name] = math.nan
    for _, part in table[has].groupby("component"):
        x, years = part["n_failures"].to_numpy(), part["vehicle_years"].to_numpy()
        table.loc[part.index, names[:3]] = np.array(shrunk(x, years)).T * 1000
        table.loc[part.index, names[3:]] = [_compare(i, x, years) for i in range(len(x))]
    table["q_value"] = math.nan
    tested = table["p_value"].notna()
    table.loc[tested, "q_value"] = stats.false_discovery_control(table.loc[tested, "p_value"])
    table["is_recurring"] = (table["q_value"] < 0.05) & (table["rate_ratio"] > 1)
    table["q_value_without_comebacks"] = _without_comebacks(table[has]).reindex(table.index)
    per_km = 1e6 / table["vehicle_km"].where(table["vehicle_km"] > 0)
    table["rate_per_million_km"] = table["n_failures_km"] * per_km
    return table.replace({"rate_ratio": math.inf}, math.nan)


def _without_comebacks(table: pd.DataFrame) -> pd.Series:
    """Give the q-values of the same test of failures that are no comeback."""
    p = pd.Series(math.nan, table.index)
    for _, part in table.groupby("component"):
        x = (part["n_failures"] - part["n_comebacks"]).to_numpy()
        p[part.index] = [_compare(i, x, part["vehicle_years"].to_numpy())[1] for i in range(len(x))]
    known = p.dropna()
    return pd.Series(stats.false_discovery_control(known), known.index)


def _compare(i: int, x: np.ndarray, years: np.ndarray) -> tuple[float, float]:
    """Give (rate ratio, p) of one model against all the others; infinite where the others have no failure."""
    rest, rest_years = int(x.sum() - x[i]), years.sum() - years[i]
    if len(x) < 2 or not x.sum():
        return math.nan, math.nan
    p = stats.binomtest(int(x[i]), int(x.sum()), years[i] / years.sum()).pvalue
    return ((x[i] / years[i]) / (rest / rest_years) if rest else math.inf), p


def shrunk(x: np.ndarray, years: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the gamma-Poisson posterior mean and 95 % bounds by marginal maximum likelihood.

    Marginal: x ~ negative binomial(shape a, p = b / (b + years)). Where the likelihood rises toward a = infinity
    (the counts vary no more than Poisson ones would), every model has the pooled rate with Garwood bounds.
    """
    pooled = x.sum() / years.sum()
    ones = np.ones(len(x)) / years.sum()
    plain = ones * x.sum(), ones * garwood(int(x.sum()))[0], ones * garwood(int(x.sum()))[1]
    if not x.sum():  # nothing ever failed: no rate to shrink towards
        return ones * math.nan, ones * math.nan, ones * math.nan
    if ((x - pooled * years) ** 2 - x).sum() <= 0:  # slope of the likelihood in 1 / a at 1 / a = 0
        return plain

    def mean_given(a: float) -> float:
        """Solve the likelihood equation of the mean rate for a given shape."""
        return optimize.brentq(
            lambda m: ((x - m * years) / (a + m * years)).sum(),
            pooled / 1e3,
            pooled * 1e3,
            xtol=1e-15,
            rtol=1e-14,
        )

    def slope(log_a: float) -> float:
        """Give the derivative of the profile log likelihood in the shape."""
        a = math.exp(log_a)
        mu = mean_given(a) * years
        return (special.digamma(x + a) - special.digamma(a) - np.log1p(mu / a) + (mu - x) / (a + mu)).sum()

    a = math.exp(optimize.brentq(slope, -8, 12, xtol=1e-13))
    mean = mean_given(a)
    posterior = stats.gamma(a + x, scale=1 / (a / mean + years))
    return posterior.mean(), posterior.ppf(0.025), posterior.ppf(0.975)
