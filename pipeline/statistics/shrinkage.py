"""What is the rate of one model, given those of all the others? Gamma-Poisson empirical Bayes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special
from scipy.optimize import elementwise

from pipeline.statistics.dispersion_score import dispersion_score, log_likelihood
from pipeline.statistics.grouping import Codes, Floats, Grouping, group_rows
from pipeline.statistics.intervals import normal_quantile, poisson_interval

#: Dispersions that are searched: at 1e-9 a rate's own spread is 0.003 %, at 1e7 nearly all rates are 0.
_LOG_DISPERSION = np.log(np.geomspace(1e-9, 1e7, 47))
_MOST_STEPS = 60

NO_FAILURES = "no failures in the group"
NO_OVER_DISPERSION = "rates differ by no more than chance: pooled rate with exact bounds"


@dataclass(frozen=True)
class GammaPoisson:
    """Fitted prior of each group, and the posterior of each row.

    `shape` [1] and `rate` [exposure] of the gamma prior are per group (row g belongs to `groups[g]`; both
    infinite where there is no over-dispersion); `mean`, `low`, `high` [events per exposure] are per row.
    `reason` says per group why numbers are missing or pooled, "" otherwise.
    """

    groups: NDArray[Any]
    shape: Floats
    rate: Floats
    mean: Floats
    low: Floats
    high: Floats
    reason: NDArray[np.object_]


def gamma_poisson(
    counts: ArrayLike, exposure: ArrayLike, groups: ArrayLike | None = None, level: float = 0.95
) -> GammaPoisson:
    """Shrink every rate towards its group by as much as the group's own spread warrants.

    Parameters
    ----------
    counts : (n,) events [1], >= 0.
    exposure : (n,) [any one unit]; a row with exposure <= 0 or without a count is left out and gets NaN.
    groups : (n,) label of the group each row shrinks towards; None: one group.
    level : probability of the central posterior interval, 0..1.

    Returns
    -------
    GammaPoisson : prior per group, posterior mean and bounds per row.

    Notes
    -----
    x_i ~ Poisson(r_i t_i), r_i ~ Gamma(shape a, rate b); a, b maximize the marginal (negative binomial)
    likelihood; posterior Gamma(a + x_i, b + t_i). With 1/a = 0 the best fit, every row has the pooled rate,
    bounded as a Poisson count. Valid for independent rows; the bounds leave out the uncertainty of a and b.
    Source: D. Gaver, I. O'Muircheartaigh, Technometrics 29 (1987) 1-15; B. Efron, T. Hastie, Computer Age
    Statistical Inference (2016) section 6.1.

    >>> fit = gamma_poisson([5, 1, 5, 14, 3, 19, 1, 1, 4, 22],
    ...                     [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5])
    >>> round(float(fit.shape[0]), 6), round(float(fit.rate[0]), 6), round(float(fit.mean[9]), 4)
    (0.822965, 1.261653, 1.9405)
    """
    normal_quantile(level)
    x, t = np.broadcast_arrays(np.atleast_1d(np.asarray(counts, float)), np.asarray(exposure, float))
    grouping = group_rows(groups, len(x))
    used = (t > 0) & np.isfinite(t) & (x >= 0) & np.isfinite(x) & (grouping.codes >= 0)
    rows = Grouping(grouping.labels, grouping.codes[used])
    dispersion, mean = _fit(_distinct(x[used], t[used], rows))
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = 1.0 / dispersion
        rate = shape / mean
    pooled = dispersion == 0
    posterior = np.full((3, len(x)), np.nan)
    posterior[:, used] = np.where(
        pooled[rows.codes],
        _pooled(x[used], t[used], rows, level),
        _posterior(x[used], t[used], shape[rows.codes], rate[rows.codes], level),
    )
    reason = np.where(np.isnan(dispersion), NO_FAILURES, np.where(pooled, NO_OVER_DISPERSION, "")).astype(
        object
    )
    mean_rate, low, high = posterior
    return GammaPoisson(grouping.labels, shape, rate, mean_rate, low, high, reason)


def _posterior(x: Floats, t: Floats, shape: Floats, rate: Floats, level: float) -> Floats:
    a, b = shape + x, rate + t
    tail = (1.0 - level) / 2.0
    with np.errstate(invalid="ignore"):
        return np.stack([a / b, special.gammaincinv(a, tail) / b, special.gammainccinv(a, tail) / b])


def _pooled(x: Floats, t: Floats, rows: Grouping, level: float) -> Floats:
    count, exposure = rows.total(x), rows.total(t)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (np.stack([count, *poisson_interval(count, level)]) / exposure)[:, rows.codes]


@dataclass(frozen=True)
class _Rows:
    """Distinct rows (group, count, exposure) with how often each occurs."""

    codes: Codes
    n_groups: int
    x: Floats
    t: Floats
    weight: Floats

    def total(self, values: Floats) -> Floats:
        return np.bincount(self.codes, self.weight * values, self.n_groups).astype(float)


def _distinct(x: Floats, t: Floats, group: Grouping) -> _Rows:
    order = np.lexsort((t, x, group.codes))
    key = np.stack([group.codes, x, t])[:, order]
    first = np.flatnonzero(np.append(True, (key[:, 1:] != key[:, :-1]).any(axis=0))) if len(x) else order
    weight = np.diff(np.append(first, len(x))).astype(float)
    return _Rows(group.codes[order][first], group.n_groups, key[1, first], key[2, first], weight)


def _fit(rows: _Rows) -> tuple[Floats, Floats]:
    """Maximum likelihood dispersion 1/a and mean rate a/b of each group (NaN without a failure)."""
    failures = rows.total(rows.x)
    with np.errstate(invalid="ignore", divide="ignore"):
        pooled = np.where(failures > 0, failures / rows.total(rows.t), np.nan)
    low, high, found = _bracket(rows, pooled)
    dispersion = np.where(np.isnan(pooled), np.nan, 0.0)
    if found.any():
        which = np.flatnonzero(found)

        def score(log_dispersion: Floats, group: Codes) -> Floats:
            trial = np.zeros(rows.n_groups)
            trial[group] = np.exp(log_dispersion)
            return _score(rows, trial, _mean_rate(rows, trial, pooled))[group]

        exactly = {"xrtol": 1e-15, "fatol": 0.0, "frtol": 0.0}
        root = elementwise.find_root(score, (low[which], high[which]), args=(which,), tolerances=exactly)
        dispersion[which] = np.exp(root.x)
    mean = _mean_rate(rows, dispersion, pooled)
    better = _likelihood(rows, dispersion, mean) > _likelihood(rows, 0 * pooled, pooled)
    dispersion = np.where(np.isnan(pooled), np.nan, np.where(better, dispersion, 0.0))
    return dispersion, np.where(dispersion > 0, mean, pooled)


def _bracket(rows: _Rows, pooled: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Grid interval around each group's best interior maximum, and whether there is one.

    The profile may have several maxima when exposures differ, hence the grid and not one climb.
    """
    scores, values = [], []
    mean = pooled
    for log_dispersion in _LOG_DISPERSION:
        dispersion = np.full(rows.n_groups, np.exp(log_dispersion))
        mean = _mean_rate(rows, dispersion, mean)
        scores.append(_score(rows, dispersion, mean))
        values.append(_likelihood(rows, dispersion, mean))
    score, value = np.array(scores), np.array(values)
    is_peak = (score[:-1] > 0) & (score[1:] <= 0)
    height = np.where(is_peak, np.maximum(value[:-1], value[1:]), -np.inf)
    best = np.argmax(height, axis=0)
    return _LOG_DISPERSION[best], _LOG_DISPERSION[best + 1], np.asarray(is_peak.any(axis=0))


def _score(rows: _Rows, dispersion: Floats, mean: Floats) -> Floats:
    return rows.total(dispersion_score(dispersion[rows.codes], rows.x, mean[rows.codes] * rows.t))


def _likelihood(rows: _Rows, dispersion: Floats, mean: Floats) -> Floats:
    return rows.total(log_likelihood(dispersion[rows.codes], rows.x, mean[rows.codes] * rows.t))


def _mean_rate(rows: _Rows, dispersion: Floats, start: Floats) -> Floats:
    """Solve sum (x - m t) / (1 + dispersion m t) = 0 for m in each group.

    The sum falls with m and is convex, so Newton's steps from the left never overshoot; a start on the
    right takes one step to the left first, kept positive.
    """
    x, t, codes = rows.x, rows.t, rows.codes
    m = start.copy()
    for _ in range(_MOST_STEPS):
        weight = 1.0 / (1.0 + (dispersion * m)[codes] * t)
        value = rows.total((x - m[codes] * t) * weight)
        slope = rows.total(t * (1.0 + dispersion[codes] * x) * weight**2)
        with np.errstate(invalid="ignore", divide="ignore"):
            new = np.maximum(m + value / slope, m / 4)
        moved = np.abs(new - m) > 1e-15 * m
        m = new
        if not moved.any():
            break
    return m
