"""An independent computation of component_life, its curve and recurrence: loops over records, scipy for the numbers.

Written from the contract's definition of life and the decisions in DEVELOPERS.md; nothing of `pipeline`.
A stretch is (entry age, exit age, failed) of one unit under observation.
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
LONG_AGO, FOREVER = pd.Timestamp("1800-01-01"), pd.Timestamp("2200-01-01")
Z = stats.norm.ppf(0.975)


@dataclass
class Lived:
    """What one component lived through in one vehicle, or in many together.

    `dated`: (born, under observation from, to, failed) of each unit, as days; `is_first`: it came with its vehicle.
    """

    dated: list[tuple[pd.Timestamp, pd.Timestamp, pd.Timestamp, bool]] = field(default_factory=list)
    is_first: list[bool] = field(default_factory=list)
    n_failures: int = 0
    n_returns: int = 0
    n_left_out: int = 0
    n_replaced: int = 0
    unseen_days: int = 0
    ages_now: list[int] = field(default_factory=list)

    def add(self, other: Lived) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def stretches(self) -> np.ndarray:
        """Give entry age, exit age [days] and 1 for a failure; one on its first day counts half a day."""
        days = np.array(
            [(b.toordinal(), s.toordinal(), e.toordinal(), f) for b, s, e, f in self.dated], float
        )
        born, start, end, failed = days.reshape(-1, 4).T
        return np.column_stack(
            [start - born, np.where(failed == 1, np.maximum(end, start + 0.5), end) - born, failed]
        )


def lived(vehicle: dict[str, Any], jobs: list[dict[str, Any]], window: Window) -> Lived:
    """Follow one component of one vehicle through the window; `jobs` are its repairs in order of opening.

    After a repair the part is not under observation until the follow-up window of the latest closing is over; a
    failure by then is a return. A repair that never closed ends the observation; a failure later than the follow-up
    window after all that is known of the repairs before is then left out (DEVELOPERS.md).
    """
    told = Lived()
    born, leaves = vehicle["in_service_on"], vehicle["out_of_service_on"]
    end = min(window.last, leaves) if leaves is not None else window.last
    free_on = told_on = LONG_AGO  # last closing so far, last day of the follow-up windows
    is_first = True
    known_on = LONG_AGO  # last day that tells of a repair: its closing, or its opening where it never closed

    def unseen(until: pd.Timestamp) -> int:
        """Count the days inside follow-up windows since the last closing."""
        return max(0, (min(told_on, until) - max(window.first, born, free_on)).days)

    for job in jobs:
        on = day(job["opened_at"])
        if on > window.last:
            break
        is_in_service = vehicle["in_service_on"] <= on and (leaves is None or on <= leaves)
        is_lost = told_on > FOREVER and on > known_on + pd.Timedelta(days=FOLLOW_UP)
        told.n_replaced += on >= window.first and job["action"] == "replaced"
        if on >= window.first and is_in_service and not is_lost:
            told.n_failures += 1
            told.n_returns += on <= told_on
            told.unseen_days += unseen(on)
            if on > told_on:
                told.dated.append((born, max(window.first, born, told_on), on, True))
                told.is_first.append(is_first)
        elif on >= window.first:
            told.n_left_out += 1
        closed = day(job["closed_at"]) if job["closed_at"] is not None else FOREVER
        if job["action"] == "replaced":
            born, is_first = max(born, closed), False
        known_on = max(known_on, on if job["closed_at"] is None else closed)
        free_on, told_on = max(free_on, closed), max(told_on, closed + pd.Timedelta(days=FOLLOW_UP))
    told.unseen_days += unseen(end)
    start = max(window.first, born, told_on)
    if end > start:
        told.dated.append((born, start, end, False))
        told.is_first.append(is_first)
    if vehicle["in_service_on"] <= window.last and (leaves is None or leaves > window.last):
        told.ages_now.append(max(0, (window.last - born).days))
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


def weibull(stretches: np.ndarray) -> Fit | None:
    """Fit by profile: for a shape the scale is known in closed form; None where there is no largest likelihood."""
    s = stretches / [YEAR_DAYS, YEAR_DAYS, 1]
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
        return (
            np.array([[f(1, 0) - 2 * f(0, 0) + f(-1, 0), cross], [cross, f(0, 1) - 2 * f(0, 0) + f(0, -1)]])
            / h**2
        )

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


def pattern(fit: Fit) -> str:
    """Name the way of failing: bounds and test must agree; chance needs bounds within a factor of 2."""
    _, low, high = around(fit.log_shape, (1, 0), fit)
    if fit.p_constant < 0.05 and (high < 1 or low > 1):
        return "early" if high < 1 else "wear_out"
    return "random" if low <= 1 <= high <= 2 * low else "unclear"


def counted_curve(s: np.ndarray) -> pd.DataFrame:
    """Sum failures over units at risk (Nelson-Aalen) by age [years], with log-transformed bounds."""
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


# --- forecast -----------------------------------------------------------------------------------------------
def expected(fit: Fit, ages: list[int], days: int) -> tuple[float, float]:
    """Give the sum of hazards over the next days, and the delta-method error of its logarithm."""
    now = np.array(ages) / YEAR_DAYS

    def total(a: float, b: float) -> float:
        k, c = math.exp(a), math.exp(b)
        return float((((now + days / YEAR_DAYS) / c) ** k - (now / c) ** k).sum())

    a, b, h = fit.log_shape, fit.log_scale, 1e-5
    mean = total(a, b)
    slope = np.array([total(a + h, b) - total(a - h, b), total(a, b + h) - total(a, b - h)]) / (2 * h * mean)
    return mean, math.sqrt(slope @ fit.covariance @ slope)


def forecast(told: Lived, fit: Fit, days: int) -> tuple[float, int, int, int]:
    """Give the failures to come with prediction bounds, and the parts that last with a chance of 95 %.

    Failures by the life, times the share of time under observation, times failures per failure that is no return;
    errors of that factor and of the share that took a part (binomial, Jeffreys' mean) are carried along.
    """
    s = told.stretches()
    seen, first = (s[:, 1] - s[:, 0]).sum(), told.n_failures - told.n_returns
    mean, error = expected(fit, told.ages_now, days)
    mean *= seen / (seen + told.unseen_days) * told.n_failures / first
    share_returned = told.n_returns / told.n_failures
    variance = error**2 + share_returned * (1 - share_returned) / first
    n = told.n_failures + told.n_left_out
    share = (told.n_replaced + 0.5) / (n + 1)
    low, high = (count_quantile(mean, variance, p) for p in (0.025, 0.975))
    return mean, low, high, count_quantile(mean * share, variance + (1 - share) / (share * (n + 2)), 0.95)


def count_quantile(mean: float, log_variance: float, p: float) -> int:
    """Find the smallest count not exceeded with chance p: Poisson, the logarithm of its mean normal."""
    z, w = np.polynomial.hermite_e.hermegauss(60)
    means, w = mean * np.exp(math.sqrt(log_variance) * z), w / w.sum()
    low, high = -1, int(means.max() + 10 * math.sqrt(means.max()) + 10)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if w @ stats.poisson.cdf(middle, means) >= p - 1e-12 else (middle, high)
    return high


# --- recurrence ------------------------------------------------------------------------------------------------
def recurrence(records: Records, window: Window) -> dict[tuple[str, str, str], pd.DataFrame]:
    """Compute the mean cumulative number of failures by age of the vehicle with Lawless and Nadeau's variance."""
    failed: dict[tuple[str, str], list[pd.Timestamp]] = {}
    for job in records.jobs:
        if is_repair(job) and window.holds(job["opened_at"]):
            failed.setdefault((job["vehicle_id"], job["component"]), []).append(day(job["opened_at"]))
    groups: dict[tuple[str, str, str], list[tuple[int, int, list[int]]]] = {}
    for v in records.vehicles:
        out, born = v["out_of_service_on"], v["in_service_on"]
        first, end = max(window.first, born), window.last if out is None else min(window.last, out)
        for part in sorted({part for _, part in failed}) if end > first else ():
            days = [on for on in failed.get((v["vehicle_id"], part), []) if first <= on <= end]
            row = ((first - born).days, (end - born).days, [(on - born).days for on in days])
            for key in ((v["make"], v["model"], part), ("*", "*", part)):
                groups.setdefault(key, []).append(row)
    return {key: mean_cumulative(rows).assign(read_to_days=read_to(rows)) for key, rows in groups.items()}


def read_to(rows: list[tuple[int, int, list[int]]]) -> float:
    """Give the greatest age at which a tenth of the units, and ten, were under observation; nan where never so many."""
    first, last = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    least = max(10, len(rows) / 10)
    ages = [a for a in range(last.max() + 1) if ((first <= a) & (a <= last)).sum() >= least]
    return ages[-1] if ages else math.nan


def mean_cumulative(rows: list[tuple[int, int, list[int]]]) -> pd.DataFrame:
    """Give the mean cumulative function of units (first age, last age, ages of events), both ends inside.

    No bounds from the age on at which one unit alone was at risk of an event: it says nothing of a spread.
    """
    times = np.array(sorted({a for *_, ages in rows for a in ages}), float)
    first, last = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    at = (first[:, None] <= times) & (times <= last[:, None])
    events = np.array([[ages.count(t) for t in times] for *_, ages in rows]).reshape(len(rows), len(times))
    n = at.sum(0)
    step = events.sum(0) / n
    se = np.sqrt(((at * (events - step) / n).cumsum(1) ** 2).sum(0))
    mean = step.cumsum()
    se[np.maximum.accumulate(n == 1)] = math.nan
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
