"""How sure is a count or a share? Exact Poisson (Garwood), Wilson and exact binomial (Clopper-Pearson) intervals."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.grouping import Floats


class Bounds(NamedTuple):
    """Lower and upper bound, one of each per row."""

    low: Floats
    high: Floats


class Estimate(NamedTuple):
    """A value with its lower and upper bound, one of each per row."""

    value: Floats
    low: Floats
    high: Floats


def normal_quantile(level: float) -> float:
    """Return z so that a standard normal lies within -z..z with probability `level`.

    Raises
    ------
    ValueError : when `level` is not between 0 and 1.

    >>> round(normal_quantile(0.95), 6)
    1.959964
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"a level lies between 0 and 1; got {level}")
    return float(-special.ndtri((1.0 - level) / 2.0))


def poisson_interval(counts: ArrayLike, level: float = 0.95) -> Bounds:
    """Bound the expectation of a Poisson count exactly.

    Parameters
    ----------
    counts : (n,) events [1], >= 0; NaN or negative gives NaN.
    level : two-sided confidence level, 0..1.

    Returns
    -------
    Bounds : (n,) [events]; the lower bound of 0 events is 0.

    Notes
    -----
    low = chi2(a/2; 2x)/2, high = chi2(1-a/2; 2x+2)/2 with a = 1 - level. Covers with at least `level`.
    Source: F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437-442.

    >>> [round(float(b[0]), 6) for b in poisson_interval([10])]
    [4.795389, 18.390356]
    """
    normal_quantile(level)
    x = _non_negative(counts)
    tail = (1.0 - level) / 2.0
    low = np.where(x > 0, special.gammaincinv(np.where(x > 0, x, 1.0), tail), np.where(x == 0, 0.0, np.nan))
    return Bounds(low, special.gammainccinv(x + 1.0, tail))


def rate_interval(counts: ArrayLike, exposure: ArrayLike, level: float = 0.95) -> Estimate:
    """Estimate a rate from a count and its exposure, with exact Poisson bounds.

    Parameters
    ----------
    counts : (n,) events [1], >= 0.
    exposure : (n,) [any unit of time or distance], > 0; anything else gives NaN.
    level : two-sided confidence level, 0..1.

    Returns
    -------
    Estimate : (n,) [events per unit of exposure]; bounds as in `poisson_interval`.

    >>> [round(float(v[0]), 6) for v in rate_interval([10], [4.0])]
    [2.5, 1.198847, 4.597589]
    """
    t = np.asarray(exposure, float)
    t = np.where((t > 0) & np.isfinite(t), t, np.nan)
    low, high = poisson_interval(counts, level)
    return Estimate(_non_negative(counts) / t, low / t, high / t)


def wilson_interval(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> Bounds:
    """Bound a proportion by inverting the score test.

    Parameters
    ----------
    successes : (n,) [1], 0..trials; outside gives NaN.
    trials : (n,) [1]; 0 gives NaN.
    level : two-sided confidence level, 0..1.

    Returns
    -------
    Bounds : (n,) [1], within 0..1; exactly 0 at no success, exactly 1 at no failure.

    Notes
    -----
    (p + z^2/2n -+ z sqrt(p(1-p)/n + z^2/4n^2)) / (1 + z^2/n), p = k/n.
    Source: E. B. Wilson, JASA 22 (1927) 209-212; R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872.

    >>> [round(float(b[0]), 6) for b in wilson_interval([81], [263])]
    [0.255289, 0.36621]
    """
    z = normal_quantile(level)
    k, n = np.broadcast_arrays(_non_negative(successes), _non_negative(trials))
    possible = (n > 0) & (k <= n) & np.isfinite(n)
    n = np.where(possible, n, np.nan)
    p = k / n
    center = p + z * z / (2 * n)
    half = z * np.sqrt(p * (1 - p) / n + (z / (2 * n)) ** 2)
    scale = 1 + z * z / n
    low = np.where(k == 0, 0.0 * p, (center - half) / scale)
    high = np.where(k == n, p, (center + half) / scale)
    return Bounds(low, high)


def clopper_pearson_interval(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> Bounds:
    """Bound a proportion exactly.

    Parameters
    ----------
    successes : (n,) [1], 0..trials; outside gives NaN.
    trials : (n,) [1]; 0 gives 0 to 1: nothing was tried, so nothing is excluded.
    level : two-sided confidence level, 0..1.

    Returns
    -------
    Bounds : (n,) [1], within 0..1; exactly 0 at no success, exactly 1 at no failure.

    Notes
    -----
    Quantiles of beta distributions: a/2 of (k, n - k + 1) and 1 - a/2 of (k + 1, n - k), a = 1 - level; covers with
    at least `level`. At no failure low = (a/2)^(1/n).
    Source: C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413.

    >>> [round(float(b[0]), 4) for b in clopper_pearson_interval([0], [20])]
    [0.0, 0.1684]
    """
    normal_quantile(level)
    k, n = np.broadcast_arrays(_non_negative(successes), _non_negative(trials))
    tail = (1.0 - level) / 2.0
    possible = (k <= n) & np.isfinite(n)
    k, n = np.where(possible, k, np.nan), np.where(possible, n, np.nan)
    some, not_all = np.where(k > 0, k, 1.0), np.where(k < n, n - k, 1.0)
    low = np.where(k == 0, 0.0, special.betaincinv(some, n - k + 1, tail))
    high = np.where(k == n, 1.0, special.betaincinv(k + 1, not_all, 1 - tail))
    return Bounds(np.where(possible, low, np.nan), np.where(possible, high, np.nan))


def _non_negative(values: ArrayLike) -> Floats:
    x = np.atleast_1d(np.asarray(values, float))
    return np.where(x >= 0, x, np.nan)
