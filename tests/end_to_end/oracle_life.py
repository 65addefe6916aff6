"""An independent computation of component_life, its curve and recurrence: loops over records, scipy for the numbers.

Written from the contract's definition of life and the decisions in DEVELOPERS.md; nothing of `pipeline`.
Time is in days since 1970; a stretch is (entry age, exit age, failed) of one unit under observation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from tests.end_to_end.oracle import YEAR_DAYS, Window, day, is_repair
from tests.end_to_end.raw_lake import Records

FOLLOW_UP = 90
FOREVER = pd.Timestamp("2200-01-01")
Z = stats.norm.ppf(0.975)


@dataclass
class Lived:
    """What one component lived through in one vehicle, or in many together."""

    stretches: list[tuple[float, float, bool]] = field(default_factory=list)
    n_failures: int = 0
    n_returns: int = 0
    n_left_out: int = 0
    n_replaced: int = 0
    alive: list[float] = field(default_factory=list)
    unseen_days: int = 0

    def add(self, other: Lived) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


def lived(vehicle: dict[str, Any], jobs: list[dict[str, Any]], window: Window) -> Lived:
    """Follow one component of one vehicle through the window; `jobs` are its repairs in order of opening.

    After a repair the part is not under observation until the follow-up window of the latest closing is over; a
    failure by then is a return. A repair that never closed ends the observation (DEVELOPERS.md).
    """
    told = Lived()
    born, leaves = vehicle["in_service_on"], vehicle["out_of_service_on"]
    end = min(window.last, leaves) if leaves is not None else window.last
    free_on = told_on = None  # last closing so far, last day of the follow-up windows

    def unseen(until: pd.Timestamp) -> int:
        """Count the days inside follow-up windows since the last closing."""
        if told_on is None:
            return 0
        return max(0, (min(told_on, until) - max(window.first, born, free_on)).days)

    for job in jobs:
        on = day(job["opened_at"])
        if on > window.last:
            break
        is_in_service = vehicle["in_service_on"] <= on and (leaves is None or on <= leaves)
        is_return = told_on is not None and on <= told_on
        told.n_replaced += on >= window.first and job["action"] == "replaced"
        if on >= window.first and is_in_service:
            told.n_failures += 1
            told.n_returns += is_return
            told.unseen_days += unseen(on)
            if not is_return:
                entry = (max(filter(None, (window.first, born, told_on))) - born).days
                told.stretches.append((entry, max((on - born).days, entry + 0.5), True))
        elif on >= window.first:
            told.n_left_out += 1
        closed = day(job["closed_at"]) if job["closed_at"] is not None else FOREVER
        if job["action"] == "replaced":
            born = max(born, closed)
        free_on = max(free_on or closed, closed)
        told_on = max(told_on or closed, closed + pd.Timedelta(days=FOLLOW_UP))
    told.unseen_days += unseen(end)
    start = max(filter(None, (window.first, born, told_on)))
    if end > start:
        told.stretches.append(((start - born).days, (end - born).days, False))
    if vehicle["in_service_on"] <= window.last and (leaves is None or leaves > window.last):
        told.alive.append(max(0, (window.last - born).days))
    return told


def lives(records: Records, window: Window) -> dict[tuple[str, str, str], Lived]:
    """Follow every component that failed in the window through every vehicle, by model and over all models (*)."""
    repairs = sorted((j for j in records.jobs if is_repair(j)), key=lambda j: (j["opened_at"], j["job_id"]))
    by_place: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for job in repairs:
        by_place.setdefault((job["vehicle_id"], job["component"]), []).append(job)
    parts = sorted({j["component"] for j in repairs if window.holds(j["opened_at"])})
    found: dict[tuple[str, str, str], Lived] = {}
    for vehicle in records.vehicles:
        for part in parts:
            told = lived(vehicle, by_place.get((vehicle["vehicle_id"], part), []), window)
            for key in ((vehicle["make"], vehicle["model"], part), ("*", "*", part)):
                found.setdefault(key, Lived()).add(told)
    return found


# --- Weibull under left truncation and right censoring ----------------------------------------------------
@dataclass
class Fit:
    """Weibull by maximum likelihood: logarithms of shape and scale [years], their covariance, log likelihood."""

    log_shape: float
    log_scale: float
    covariance: np.ndarray
    log_likelihood: float
    p_constant: float


def log_likelihood(log_shape: float, log_scale: float, s: np.ndarray) -> float:
    """Give the log likelihood of stretches (entry, exit, failed) [years] under left truncation."""
    k, entry, leave, failed = math.exp(log_shape), s[:, 0], s[:, 1], s[:, 2]
    scale = math.exp(log_scale)
    hazard = (leave / scale) ** k - (entry / scale) ** k
    return float((failed * (log_shape - log_scale + (k - 1) * np.log(leave / scale)) - hazard).sum())


def weibull(stretches: list[tuple[float, float, bool]]) -> Fit | None:
    """Fit by profile: for a shape the scale is known in closed form; None where there is no largest likelihood."""
    s = np.array(stretches, float).reshape(-1, 3)
    s[:, :2] /= YEAR_DAYS
    n = s[:, 2].sum()
    if n < 2:
        return None

    def scale_at(log_shape: float) -> float:
        k = math.exp(log_shape)
        return math.log((s[:, 1] ** k - s[:, 0] ** k).sum() / n) / k

    def worse(log_shape: float) -> float:
        return -log_likelihood(log_shape, scale_at(log_shape), s)

    best = optimize.minimize_scalar(worse, bounds=(-4, 4), method="bounded", options={"xatol": 1e-11})
    a, b = float(best.x), scale_at(float(best.x))
    if abs(a) > 3.9:
        return None
    p = stats.chi2.sf(2 * (worse(0.0) - best.fun), 1)
    return Fit(a, b, np.linalg.inv(_information(a, b, s)), -best.fun, float(p))


def _information(a: float, b: float, s: np.ndarray) -> np.ndarray:
    """Give the observed information in (log shape, log scale) by Richardson differences."""

    def hessian(h: float) -> np.ndarray:
        def f(x: float, y: float) -> float:
            return log_likelihood(a + x * h, b + y * h, s)

        cross = (f(1, 1) - f(1, -1) - f(-1, 1) + f(-1, -1)) / 4
        return np.array(
            [[f(1, 0) - 2 * f(0, 0) + f(-1, 0), cross], [cross, f(0, 1) - 2 * f(0, 0) + f(0, -1)]]
        ) / h**2

    return -(4 * hessian(0.005) - hessian(0.01)) / 3


def around(log_value: float, slope: tuple[float, float], fit: Fit) -> tuple[float, float, float]:
    """Give a value with its log-transformed bounds; `slope` is of the logarithm in (log shape, log scale)."""
    g = np.array(slope)
    half = Z * math.sqrt(g @ fit.covariance @ g)
    return math.exp(log_value), math.exp(log_value - half), math.exp(log_value + half)


def b10(fit: Fit) -> tuple[float, float, float]:
    k = math.exp(fit.log_shape)
    d = math.log(-math.log(0.9)) / k
    return around(fit.log_scale + d, (-d, 1.0), fit)


def counted_curve(stretches: list[tuple[float, float, bool]]) -> pd.DataFrame:
    """Sum failures over units at risk (Nelson-Aalen) by age [years], with log-transformed bounds."""
    s = np.array(stretches, float).reshape(-1, 3)
    ages = np.unique(s[s[:, 2] == 1, 1])
    dead = np.array([((s[:, 1] == a) & (s[:, 2] == 1)).sum() for a in ages])
    at = np.array([((s[:, 0] < a) & (a <= s[:, 1])).sum() for a in ages])
    total, se = (dead / at).cumsum(), np.sqrt((dead / at**2).cumsum())
    return pd.DataFrame(
        {
            "age_years": ages / YEAR_DAYS,
            "n_at_risk": at,
            "n_failures": dead.cumsum(),
            "failures_per_unit": total,
            "low": total * np.exp(-Z * se / total),
            "high": total * np.exp(Z * se / total),
        }
    )


def profile_bounds(stretches: list[tuple[float, float, bool]]) -> tuple[float, float]:
    """Give the likelihood-ratio bounds of the shape."""
    s = np.array(stretches, float).reshape(-1, 3)
    s[:, :2] /= YEAR_DAYS
    fit = weibull(stretches)
    assert fit is not None
    drop = stats.chi2.ppf(0.95, 1) / 2

    def gap(a: float) -> float:
        k = math.exp(a)
        scale = math.log((s[:, 1] ** k - s[:, 0] ** k).sum() / s[:, 2].sum()) / k
        return fit.log_likelihood - log_likelihood(a, scale, s) - drop

    return tuple(math.exp(optimize.brentq(gap, fit.log_shape, fit.log_shape + w)) for w in (-3, 3))


# --- forecast -----------------------------------------------------------------------------------------------
def expected(fit: Fit, alive: list[float], days: int) -> tuple[float, np.ndarray]:
    """Give the sum of hazard over the next days, and its gradient in (log shape, log scale)."""

    def total(a: float, b: float) -> float:
        k, ages = math.exp(a), np.array(alive) / YEAR_DAYS
        return float((((ages + days / YEAR_DAYS) / math.exp(b)) ** k - (ages / math.exp(b)) ** k).sum())

    a, b, h = fit.log_shape, fit.log_scale, 1e-5
    slope = [(total(a + h, b) - total(a - h, b)) / (2 * h), (total(a, b + h) - total(a, b - h)) / (2 * h)]
    return total(a, b), np.array(slope)


def predicted(mean: float, log_sd: float, levels: tuple[float, ...]) -> list[int]:
    """Give quantiles of a Poisson count whose mean is lognormal about `mean`."""
    x, w = np.polynomial.hermite_e.hermegauss(80)
    means, w = mean * np.exp(log_sd * x), w / w.sum()
    top = int(stats.poisson.ppf(1 - 1e-9, means.max())) if means.max() < 1e7 else 10**7
    counts = np.arange(min(top, 200_000) + 2)
    chance = sum(wi * stats.poisson.cdf(counts, m) for wi, m in zip(w, means, strict=True))
    return [int(np.searchsorted(chance, level - 1e-12)) for level in levels]


# --- recurrence ------------------------------------------------------------------------------------------------
def recurrence(records: Records, window: Window) -> dict[tuple[str, str, str], pd.DataFrame]:
    """Compute the mean cumulative number of failures by age of the vehicle with Lawless and Nadeau's variance."""
    repairs = [j for j in records.jobs if is_repair(j) and window.holds(j["opened_at"])]
    found = {}
    for part in sorted({j["component"] for j in repairs}):
        groups: dict[tuple[str, str], list[tuple[float, float, list[int]]]] = {}
        for v in records.vehicles:
            out = v["out_of_service_on"]
            first = max(window.first, v["in_service_on"])
            end = window.last if out is None else min(window.last, out)
            if end < first:
                continue
            of = [day(j["opened_at"]) for j in repairs if (j["vehicle_id"], j["component"]) == (v["vehicle_id"], part)]
            ages = [(d - v["in_service_on"]).days for d in of if first <= d <= end]
            row = ((first - v["in_service_on"]).days, (end - v["in_service_on"]).days, ages)
            for key in ((v["make"], v["model"]), ("*", "*")):
                groups.setdefault(key, []).append(row)
        for key, rows in groups.items():
            found[*key, part] = mean_cumulative(rows)
    return found


def mean_cumulative(rows: list[tuple[float, float, list[int]]]) -> pd.DataFrame:
    """Give the mean cumulative function of units (first age, last age, ages of events), both ends inside."""
    times = np.array(sorted({a for *_, ages in rows for a in ages}), float)
    first, last = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    at = (first[:, None] <= times) & (times <= last[:, None])
    events = np.array([[ages.count(t) for t in times] for *_, ages in rows]).reshape(len(rows), len(times))
    n = at.sum(0)
    step = events.sum(0) / n
    se = np.sqrt(((at * (events - step) / n).cumsum(1) ** 2).sum(0))
    mean = step.cumsum()
    return pd.DataFrame(
        {
            "age_days": times,
            "n_at_risk": n,
            "n_failures": events.sum(0).cumsum(),
            "failures_per_vehicle": mean,
            "low": mean * np.exp(-Z * se / mean),
            "high": mean * np.exp(Z * se / mean),
        }
    )
