"""At what age do units fail, and is it wear or chance? Grouped Weibull fits, late entry and survivors allowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from pipeline.statistics.grouping import Codes, Floats, Grouping, distinct, group_rows
from pipeline.statistics.intervals import Estimate, normal_quantile

TOO_FEW = "fewer than two failures"
ALL_AT_THE_END = "all failures lie at the greatest age: no shape fits best"
NO_SHAPE = "the likelihood has no maximum at a shape between 0.01 and 200"

_LOG_SHAPES = np.log(np.geomspace(0.01, 200.0, 12))
_MOST_STEPS = 80
#: Of ln shape.
_SHAPE_TOLERANCE = 1e-13
#: Bounds of the shape this close together [ratio] and holding 1 speak for chance.
_CLOSE = 2.0


@dataclass(frozen=True)
class WeibullLife:
    """Weibull fit of each group; every array has one value per group of `groups`.

    `n` units and `n_events` failures used [1], `n_left_out` rows that could not be [1]; `shape` [1], `scale` and
    `b10` (age by which a tenth have failed) [unit of the ages] with bounds; `p_constant` p-value of shape = 1;
    `covariance` (3, n_groups) of (ln shape, ln scale): variance, covariance, variance; `reason` why there is no
    fit, "" where there is one.
    """

    groups: NDArray[Any]
    n: Floats
    n_events: Floats
    n_left_out: Floats
    shape: Estimate
    scale: Estimate
    b10: Estimate
    log_likelihood: Floats
    p_constant: Floats
    covariance: Floats
    reason: NDArray[np.object_]

    def pattern(self) -> NDArray[np.object_]:
        """Name each group's way of failing: early, random, wear_out, or unclear; None without a fit.

        The bounds of the shape lie below 1 (early) or above (wear_out); they hold 1 and lie within a factor
        of 2 of each other (random); or they leave it open.
        """
        _, low, high = self.shape
        rules = [np.isnan(low), high < 1, low > 1, high / np.where(low > 0, low, np.nan) <= _CLOSE]
        said = np.select(rules, ["", "early", "wear_out", "random"], "unclear").astype(object)
        said[np.isnan(low)] = None
        return said


@dataclass(frozen=True)
class _Lives:
    """Ages of each group: logs over the group's greatest age, exits with their weight, entries with minus theirs.

    Rows of one group and age are one; an entry at age 0 adds nothing and has none.
    """

    labels: NDArray[Any]
    group: Codes
    log_age: Floats
    weight: Floats
    log_unit: Floats
    n_events: Floats
    mean_log: Floats

    @property
    def n_groups(self) -> int:
        return len(self.n_events)

    def moments(self, shape: Floats, n: int) -> list[Floats]:
        """Sums of t^k ln(t)^j - e^k ln(e)^j, j = 0..n-1, per group at its own shape k."""
        sums = []
        terms = self.weight * np.exp(shape[self.group] * self.log_age)
        for power in range(n):
            if power:
                terms *= self.log_age
            sums.append(np.bincount(self.group, terms, self.n_groups).astype(float))
        return sums


def weibull_life(
    age: ArrayLike,
    event: ArrayLike,
    groups: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    level: float = 0.95,
    counts: ArrayLike | None = None,
) -> WeibullLife:
    """Fit a Weibull life distribution to each group by maximum likelihood.

    Parameters
    ----------
    age : (n,) age at failure or at the end of observation [any one unit], > 0. A failure at age 0 has no
        place in a Weibull: give it the age that your rule says, or it is left out and counted.
    event : (n,) True for a failure, False for a survivor (right-censored).
    groups : (n,) labels; None: one group.
    entry : (n,) age when observation began [same unit], 0 <= entry < age (left truncation); None: 0.
    level : confidence level, 0..1.
    counts : (n,) units that each row stands for [1], >= 0; None: one each.

    Returns
    -------
    WeibullLife : one fit per group, all groups in one pass.

    Notes
    -----
    l = sum over failures of ln(k/c) + (k - 1) ln(t/c), minus sum of (t/c)^k - (e/c)^k. At given k, c^k = sum of
    (t^k - e^k)/D; k solves D/k + sum of ln t - D sum of (t^k ln t - e^k ln e)/sum of (t^k - e^k) = 0. Bounds are
    exp(ln v -+ z se) from the observed information in (ln k, ln c), the delta method for b10 =
    c (-ln 0.9)^(1/k). `p_constant`: likelihood ratio against k = 1, chi-square with one degree of freedom.
    Source: W. Meeker, L. Escobar, Statistical Methods for Reliability Data (1998) chapters 8 and 11.

    >>> fit = weibull_life([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10, [1] * 10 + [0] * 10)
    >>> round(float(fit.shape.value[0]), 4), round(float(fit.scale.value[0]), 2), fit.pattern()[0]
    (1.7208, 606.53, 'unclear')
    """
    z = normal_quantile(level)
    lives, n, left_out = _prepare(age, event, groups, entry, counts)
    reason = np.select([lives.n_events < 2, lives.mean_log == 0], [TOO_FEW, ALL_AT_THE_END], "").astype(
        object
    )
    with np.errstate(all="ignore"):
        shape = _best_shape(lives, reason == "")
        reason = np.where((reason == "") & np.isnan(shape), NO_SHAPE, reason)
        log_c, information = _scale_and_information(lives, shape)
        variance = _invert(information)
        se_shape, se_scale = np.sqrt(variance[0]), np.sqrt(variance[2])
        low_tail = np.log(-np.log(0.9))
        log_b10 = log_c + lives.log_unit + low_tail / shape
        se_b10 = np.sqrt(
            variance[2] - 2 * low_tail / shape * variance[1] + (low_tail / shape) ** 2 * variance[0]
        )
        value = _log_likelihood(lives, shape, log_c)
        constant = _constant_hazard(lives)
        return WeibullLife(
            lives.labels,
            n,
            lives.n_events,
            left_out,
            _around(np.log(shape), se_shape, z),
            _around(log_c + lives.log_unit, se_scale, z),
            _around(log_b10, se_b10, z),
            value,
            stats.chi2.sf(np.maximum(0.0, 2 * (value - constant)), 1),
            variance,
            reason.astype(object),
        )


def _prepare(
    age: ArrayLike,
    event: ArrayLike,
    groups: ArrayLike | None,
    entry: ArrayLike | None,
    counts: ArrayLike | None,
) -> tuple[_Lives, Floats, Floats]:
    end, flag = np.broadcast_arrays(np.atleast_1d(np.asarray(age, float)), np.asarray(event, float))
    began = np.zeros(len(end)) if entry is None else np.broadcast_to(np.asarray(entry, float), end.shape)
    weight = np.ones(len(end)) if counts is None else np.broadcast_to(np.asarray(counts, float), end.shape)
    everyone = group_rows(groups, len(end))
    used = (end > 0) & np.isfinite(end) & np.isfinite(flag) & (began >= 0) & (began < end)
    left_out = everyone.total(np.where(used, 0.0, weight))
    used &= everyone.codes >= 0
    group = Grouping(everyone.labels, everyone.codes[used])
    end, began, weight = end[used], began[used], weight[used]
    flag = np.where(flag[used] != 0, weight, 0.0)
    greatest = np.zeros(group.n_groups)
    np.maximum.at(greatest, group.codes, end)
    n_events = group.total(flag)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_log = group.total(flag * np.log(end / greatest[group.codes])) / n_events
        log_unit = np.log(greatest)
    late = began > 0
    codes, ages, weights = _merged(
        np.concatenate([group.codes, group.codes[late]]),
        np.concatenate([end, began[late]]),
        np.concatenate([weight, -weight[late]]),
    )
    log_age = np.log(ages / greatest[codes])
    lives = _Lives(group.labels, codes, log_age, weights, log_unit, n_events, mean_log)
    return lives, group.total(weight), left_out


def _merged(codes: Codes, ages: Floats, weights: Floats) -> tuple[Codes, Floats, Floats]:
    """Add up the weights of each group and age: ages in whole days repeat, above all over all models."""
    times, rank = distinct(ages)
    keys, which = distinct(codes * len(times) + rank)
    group, step = np.divmod(keys, max(len(times), 1))
    return group, times[step], np.bincount(which, weights, len(keys)).astype(float)


def _best_shape(lives: _Lives, wanted: NDArray[np.bool_]) -> Floats:
    """Shape where the profile score falls through 0, the likeliest where that happens more than once."""

    n_groups = lives.n_groups
    scores, heights = np.empty((2, len(_LOG_SHAPES), n_groups))
    for i, log_k in enumerate(_LOG_SHAPES):
        k = np.exp(log_k)
        s0, s1 = lives.moments(np.full(n_groups, k), 2)
        scores[i] = 1 + k * (lives.mean_log - s1 / s0)
        heights[i] = log_k + k * lives.mean_log - np.log(s0)
    is_peak = (scores[:-1] > 0) & (scores[1:] <= 0)
    best = np.argmax(np.where(is_peak, np.maximum(heights[:-1], heights[1:]), -np.inf), axis=0)
    has_peak = is_peak.any(axis=0) & wanted
    return np.where(has_peak, np.exp(_root_of_score(lives, _LOG_SHAPES[best], _LOG_SHAPES[best + 1])), np.nan)


def _root_of_score(lives: _Lives, low: Floats, high: Floats) -> Floats:
    """ln shape between two ends at which the score of every group changes sign: Newton's steps, halving where they
    lead out.
    """
    x = (low + high) / 2
    for _ in range(_MOST_STEPS):
        k = np.exp(x)
        s0, s1, s2 = lives.moments(k, 3)
        mean = s1 / s0
        score = 1 + k * (lives.mean_log - mean)
        slope = score - 1 - k**2 * (s2 / s0 - mean**2)
        low, high = np.where(score > 0, x, low), np.where(score > 0, high, x)
        step = x - score / slope
        following = np.where((step >= low) & (step <= high), step, (low + high) / 2)
        moved = np.abs(following - x)
        x = following
        if not np.any(moved > _SHAPE_TOLERANCE):
            break
    return x


def _scale_and_information(lives: _Lives, shape: Floats) -> tuple[Floats, Floats]:
    """ln scale (over the group's unit) and minus the second derivatives by (ln shape, ln scale).

    With u = k ln(t/c), a survivor's or failure's part is e^u (less the same at entry): its derivatives by ln k
    are u e^u and (u + u^2) e^u, by ln c -k e^u and k^2 e^u, mixed -k (1 + u) e^u.
    """
    d = lives.n_events
    s0, s1, s2 = lives.moments(shape, 3)
    log_c = np.log(s0 / d) / shape
    # Sums of u^j e^u over the group: u = k (ln t - ln c), and c^k = s0/d makes the sum of e^u equal to d.
    scale = d / s0
    first = shape * scale * (s1 - log_c * s0)
    second = shape**2 * scale * (s2 - 2 * log_c * s1 + log_c**2 * s0)
    of_events = shape * (d * lives.mean_log - d * log_c)
    by_shape = first + second - of_events
    mixed = -shape * (d + first) + shape * d
    return log_c, np.stack([by_shape, mixed, shape**2 * d])


def _invert(information: Floats) -> Floats:
    """Covariance of each group's two parameters; NaN where the information is not positive definite."""
    a, b, c = information
    determinant = a * c - b**2
    determinant = np.where((determinant > 0) & (a > 0), determinant, np.nan)
    return np.stack([c, -b, a]) / determinant


def _log_likelihood(lives: _Lives, shape: Floats, log_c: Floats) -> Floats:
    """At the best scale the sum of cumulative hazards is the number of failures."""
    d = lives.n_events
    return d * (np.log(shape) - shape * log_c + (shape - 1) * lives.mean_log - lives.log_unit) - d


def _constant_hazard(lives: _Lives) -> Floats:
    """Log-likelihood of the best constant failure rate: failures over observed age."""
    d = lives.n_events
    return d * (np.log(d / lives.moments(np.ones(len(d)), 1)[0]) - lives.log_unit) - d


def _around(log_value: Floats, standard_error: Floats, z: float) -> Estimate:
    known = np.where(np.isnan(standard_error), np.nan, log_value)
    return Estimate(*(np.exp(known + sign * z * standard_error) for sign in (0, -1, 1)))
