"""How many are still without the event at a given time? Grouped Kaplan-Meier with Greenwood bounds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.grouping import Floats, running_product, running_total
from pipeline.statistics.intervals import Bounds, clopper_pearson_interval, normal_quantile
from pipeline.statistics.risk_sets import RiskSets, risk_sets

NO_UNITS = "no units"
NO_EVENTS = "no events: Greenwood gives no bounds at a share of 1"
ALL_EVENTS = "the last unit at risk had the event: Greenwood gives no bounds at a share of 0"
EMPTY_RISK_SET = "nobody was at risk for a while: the share is known only from a later start"


@dataclass(frozen=True)
class Survival:
    """Survival of each group at one time; every array has one value per group of `groups`.

    `n` units [1], `n_events` up to the time [1], `n_at_risk` just before the time [1], `survival` with bounds
    0..1, `reason` why a number is missing ("" where none is).
    """

    groups: NDArray[Any]
    at: float
    n: Floats
    n_events: Floats
    n_at_risk: Floats
    survival: Floats
    low: Floats
    high: Floats
    reason: NDArray[np.object_]


@dataclass(frozen=True)
class SurvivalCurve:
    """Kaplan-Meier steps of all groups; one row per group and distinct exit time, in that order."""

    group: NDArray[Any]
    time: Floats
    n_at_risk: Floats
    n_events: Floats
    survival: Floats
    low: Floats
    high: Floats


def kaplan_meier(
    time: ArrayLike,
    event: ArrayLike,
    groups: ArrayLike | None = None,
    *,
    at: float,
    level: float = 0.95,
    entry: ArrayLike | None = None,
) -> Survival:
    """Estimate the share of each group without the event at one time.

    Parameters
    ----------
    time, event, groups, entry : (n,) rows as in `risk_sets`.
    at : time [unit of `time`], an event at exactly this time counted.
    level : confidence level, 0..1.

    Returns
    -------
    Survival : one value per group. Beyond a group's last unit the last value stands (see `n_at_risk`, 0
        there). Bounds are NaN, with a reason, where the share is 0 or 1.

    Notes
    -----
    S = prod (1 - d/n); V = sum d/(n(n-d)); bounds exp(-exp(ln(-ln S) -+ z sqrt(V)/|ln S|)). When the risk set
    emptied although more units entered later, S = 0 would be false: NaN with a reason.
    Source: E. Kaplan, P. Meier, JASA 53 (1958) 457-481; J. Kalbfleisch, R. Prentice, The Statistical Analysis
    of Failure Time Data (1980) section 1.4; J. Klein, M. Moeschberger, Survival Analysis (2003) sections
    4.2-4.3, 4.6.

    >>> fit = kaplan_meier([6, 6, 7, 10, 11], [1, 0, 1, 1, 0], at=10)
    >>> [round(float(v[0]), 6) for v in (fit.survival, fit.low, fit.high)]
    [0.266667, 0.009677, 0.686136]
    """
    table = risk_sets(time, event, groups, entry)
    curve = _curve(table, level)
    n_groups, n = len(table.labels), table.n_units
    row = table.last_step(np.arange(n_groups), np.full(n_groups, float(at)))

    def look_up(values: Floats, before: Floats) -> Floats:
        return np.where(row >= 0, values[row], before) if len(values) else before

    survival = look_up(curve.survival, np.where(n > 0, 1.0, np.nan))
    n_events = look_up(running_total(table.n_events, table.starts), 0 * n)
    reason = np.select(
        [n == 0, np.isnan(survival), survival == 1, survival == 0],
        [NO_UNITS, EMPTY_RISK_SET, NO_EVENTS, ALL_EVENTS],
        "",
    )
    return Survival(
        table.labels,
        float(at),
        n,
        n_events,
        table.at_risk(at),
        survival,
        look_up(curve.low, np.nan * n),
        look_up(curve.high, np.nan * n),
        reason.astype(object),
    )


def survival_curve(
    time: ArrayLike,
    event: ArrayLike,
    groups: ArrayLike | None = None,
    *,
    level: float = 0.95,
    entry: ArrayLike | None = None,
) -> SurvivalCurve:
    """Estimate the whole Kaplan-Meier curve of each group.

    Parameters, equation, source as in `kaplan_meier`.

    Returns
    -------
    SurvivalCurve : steps at every exit time (censorings included, where the curve stays level).

    >>> survival_curve([1, 2, 3], [1, 0, 1]).survival.round(6).tolist()
    [0.666667, 0.666667, 0.0]
    """
    return _curve(risk_sets(time, event, groups, entry), level)


def cumulative_hazard(table: RiskSets) -> Floats:
    """Estimate the cumulative hazard [1] at each row of the risk sets.

    Summed over a group's own units, each at its exit (`table.row`), it gives the group's number of events exactly.

    Notes
    -----
    H(t) = sum over event times <= t of d/n, tied events not spread out.
    Source: O. Aalen, Annals of Statistics 6 (1978) 701-726.

    >>> cumulative_hazard(risk_sets([1, 2, 2], [1, 1, 0])).round(6).tolist()
    [0.333333, 0.833333]
    """
    return running_total(_ratio(table.n_events, table.n_at_risk), table.starts)


def greenwood_bounds(survival: Floats, variance_sum: Floats, level: float) -> Bounds:
    """Bound survival on the log-log scale from Greenwood's sum; NaN at survival 0 or 1."""
    z = normal_quantile(level)
    inside = (survival > 0) & (survival < 1)
    log_s = np.log(np.where(inside, survival, 0.5))
    spread = z * np.sqrt(np.where(inside, variance_sum, np.nan)) / np.abs(log_s)
    center = np.log(-log_s)
    return Bounds(np.exp(-np.exp(center + spread)), np.exp(-np.exp(center - spread)))


def bounds_at_the_ends(survival: Floats, bounds: Bounds, n_followed: ArrayLike, level: float) -> Bounds:
    """Bound a share of 0 or 1 too, where Greenwood has no bounds, by the units that were followed.

    Parameters
    ----------
    survival : (n,) Kaplan-Meier share at some time, without late entries, 0..1.
    bounds : its Greenwood bounds; kept wherever the share lies between.
    n_followed : (n,) units that could be followed up to that time whatever became of them [1].
    level : two-sided confidence level, 0..1.

    Returns
    -------
    Bounds : (n,) 0..1; of 0 followed units 0 to 1.

    Notes
    -----
    Where the share is 1 (0) none (each) of the followed units had the event: the exact binomial bounds of that many
    trials. Units followed for a part of the time are left out, which makes bounds wide rather than narrow.
    Source: as `clopper_pearson_interval`.

    >>> unknown = Bounds(np.array([np.nan, np.nan]), np.array([np.nan, np.nan]))
    >>> [side.round(4).tolist() for side in bounds_at_the_ends(np.array([1.0, 0.0]), unknown, [20, 20], 0.95)]
    [[0.8316, 0.0], [1.0, 0.1684]]
    """
    n = np.asarray(n_followed, float)
    exact = clopper_pearson_interval(np.where(survival == 1, n, 0.0), n, level)
    at_an_end = (survival == 0) | (survival == 1)
    return Bounds(*(np.where(at_an_end, e, b) for e, b in zip(exact, bounds, strict=True)))


def _curve(table: RiskSets, level: float) -> SurvivalCurve:
    d, n = table.n_events, table.n_at_risk
    survival = running_product(1.0 - _ratio(d, n), table.starts)
    emptied = running_total(np.where((d > 0) & (d == n) & _more_follow(table), 1.0, 0.0), table.starts) > 0
    survival = np.where(emptied, np.nan, survival)
    variance_sum = running_total(_ratio(d, n * (n - d)), table.starts)
    low, high = greenwood_bounds(survival, variance_sum, level)
    return SurvivalCurve(table.labels[table.group], table.time, n, d, survival, low, high)


def _more_follow(table: RiskSets) -> NDArray[np.bool_]:
    """Whether a group has exits after this row."""
    last = table.starts[table.group + 1] - 1
    return np.arange(len(table.time)) < last


def _ratio(part: Floats, whole: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(part > 0, part / whole, 0.0)
