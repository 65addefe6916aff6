"""How many will fail next? Expected failures of units of known ages, with bounds that carry all that is not known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.statistics.grouping import Codes, Floats
from pipeline.statistics.intervals import Bounds

#: Points of the normal distribution over which the Poisson one is averaged (Gauss-Hermite).
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(41)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
#: A forecast whose logarithm is known no better than so says nothing that can be used.
LARGEST_ERROR = 3.0


class Forecast(NamedTuple):
    """Expected events of each group [1] and the standard error of its logarithm [1]."""

    mean: Floats
    log_error: Floats


def weibull_forecast(
    age: ArrayLike,
    horizon: float,
    group: Codes,
    shape: ArrayLike,
    scale: ArrayLike,
    covariance: ArrayLike,
    counts: ArrayLike = 1.0,
) -> Forecast:
    """Expect the failures of units now of known ages within a time to come.

    Parameters
    ----------
    age : (n,) age of each unit now [unit of the scale], >= 0.
    horizon : time to come [same unit], > 0.
    group : (n,) number 0..m-1 of each unit's group.
    shape, scale : (m,) Weibull of each group; NaN where there is no fit.
    covariance : (3, m) of (ln shape, ln scale): variance, covariance, variance.
    counts : (n,) units that each row stands for [1].

    Returns
    -------
    Forecast : (m,) NaN for a group without a fit; 0 for one without units.

    Notes
    -----
    Mean = sum of ((a + h)/c)^k - (a/c)^k: a unit that fails goes on at its age, so that the mean is a little too
    large where many units will fail and be replaced within the horizon and k > 1. With u = k ln(t/c) its
    derivatives are the sums of u e^u (by ln k) and -k e^u (by ln c); error of the logarithm by the delta method.
    Source: W. Meeker, L. Escobar, Statistical Methods for Reliability Data (1998) chapter 12.

    >>> f = weibull_forecast([0, 1], 1, np.array([0, 0]), [2.0], [10.0], np.zeros((3, 1)))
    >>> f.mean.round(6).tolist()
    [0.04]
    """
    now, weight = np.broadcast_arrays(np.asarray(age, float), np.asarray(counts, float))
    k, c = np.asarray(shape, float), np.asarray(scale, float)
    variance, mixed, of_scale = np.asarray(covariance, float)
    here, there = (_powers(t, k[group], c[group]) for t in (now, now + horizon))
    mean, by_shape = (
        np.bincount(group, weight * (b - a), minlength=len(k)) for a, b in zip(here, there, strict=True)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.where(mean > 0, by_shape / mean, 0.0)
        error = np.sqrt(slope**2 * variance - 2 * slope * k * mixed + k**2 * of_scale)
    has_fit = np.isfinite(k) & np.isfinite(error)
    return Forecast(np.where(has_fit, mean, np.nan), np.where(has_fit, error, np.nan))


def _powers(age: Floats, shape: Floats, scale: Floats) -> tuple[Floats, Floats]:
    """Return e^u and u e^u with u = k ln(t/c); both 0 at age 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        u = shape * np.log(age / scale)
        power = np.exp(u)
        return power, np.where(age > 0, u * power, 0.0 * shape)


def prediction_interval(mean: ArrayLike, log_error: ArrayLike, level: float = 0.95) -> Bounds:
    """Bound a count to come whose expectation is itself uncertain.

    Parameters
    ----------
    mean : (n,) expected count [1], >= 0.
    log_error : (n,) standard error of ln(mean) [1], 0..LARGEST_ERROR; NaN or larger gives NaN.
    level : two-sided level, 0..1.

    Returns
    -------
    Bounds : (n,) whole counts; the count to come lies within them, ends included, with at least `level`.

    >>> prediction_interval([5.0], [0.0]).low.tolist(), prediction_interval([5.0], [0.0]).high.tolist()
    ([1.0], [10.0])
    """
    tail = (1.0 - level) / 2.0
    return Bounds(count_quantile(mean, log_error, tail), count_quantile(mean, log_error, 1.0 - tail))


def count_quantile(mean: ArrayLike, log_error: ArrayLike, probability: float) -> Floats:
    """Find the smallest count that is not exceeded with a given probability.

    Parameters
    ----------
    mean, log_error : as in `prediction_interval`.
    probability : 0..1, both ends excluded.

    Returns
    -------
    (n,) smallest whole n with P(N <= n) >= probability.

    Notes
    -----
    N is Poisson given its mean, ln of the mean is normal: P(N <= n) = average over z of Q(n + 1, m e^(s z)),
    with Q the regularized upper incomplete gamma function, by Gauss-Hermite quadrature with 41 points.

    >>> count_quantile([5.0, 0.0], [0.0, 0.0], 0.95).tolist()
    [9.0, 0.0]
    """
    m, s = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, float)) for v in (mean, log_error)))
    usable = np.isfinite(m) & (m >= 0) & (s >= 0) & (s <= LARGEST_ERROR)
    means = np.where(usable, m, 0.0)[:, None] * np.exp(np.where(usable, s, 0.0)[:, None] * _POINTS)

    def reached(n: Floats) -> np.ndarray:
        return special.gammaincc(n[:, None] + 1, means) @ _WEIGHTS >= probability - 1e-12

    low, high = np.full(len(m), -1.0), np.ceil(means[:, -1] + 10 * np.sqrt(means[:, -1]) + 10)
    while np.any(high - low > 1):
        middle = np.floor((low + high) / 2)
        enough = reached(middle)
        is_open = high - low > 1
        high = np.where(is_open & enough, middle, high)
        low = np.where(is_open & ~enough, middle, low)
    return np.where(usable, high, np.nan)
