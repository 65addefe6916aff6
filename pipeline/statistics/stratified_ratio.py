"""Is the rate of a group unlike that of the others, when both are compared stratum by stratum?"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.comparison import conditional_rate_test
from pipeline.statistics.grouping import Codes, Floats
from pipeline.statistics.intervals import clopper_pearson_interval

#: The logarithm of a ratio is looked for between these; what lies beyond them is 0 or infinite.
_FARTHEST = 40.0


class StratifiedRatio(NamedTuple):
    """Of each comparison: events compared [1], those expected at the others' rates [1], ratio with bounds, p-value."""

    n: Floats
    n_own: Floats
    expected: Floats
    ratio: Floats
    low: Floats
    high: Floats
    p_value: Floats


def stratified_ratio(
    own: ArrayLike,
    own_exposure: ArrayLike,
    others: ArrayLike,
    others_exposure: ArrayLike,
    row: Codes,
    n_rows: int,
    level: float,
) -> StratifiedRatio:
    """Compare Poisson rates over strata, given the events of both sides in each stratum.

    Parameters
    ----------
    own, others : (n,) events of one stratum [1], whole and >= 0.
    own_exposure, others_exposure : (n,) [same unit], >= 0; strata in which one side has none tell nothing.
    row : (n,) comparison that the stratum belongs to, 0..n_rows - 1.
    level : level of the bounds, 0..1.

    Returns
    -------
    StratifiedRatio : (n_rows,) each. Ratio infinite where the others have no event, NaN where nothing was compared,
        as are its bounds. `expected` is 0 where the ratio is infinite.

    Notes
    -----
    Of the m events of a stratum, own ones are binomial(m, r t / (r t + u)) for exposures t and u and ratio r, the same
    in all strata. The ratio is the one whose expected total is the total seen (conditional maximum likelihood);
    expected = total seen / ratio. A sum of binomials scatters no more than the binomial with the same number and mean
    (W. Hoeffding, Annals of Mathematical Statistics 27 (1956) 713-721): so test and bounds are the exact conditional
    ones of that binomial (Clopper-Pearson, carried over to r), which err on the safe side; one stratum is exact.
    Source: N. Breslow, N. Day, Statistical Methods in Cancer Research II (1987) chapter 3, for the model.

    >>> found = stratified_ratio([6, 2], [10, 10], [3, 1], [30, 30], np.array([0, 0]), 1, 0.95)
    >>> found.ratio.round(3).tolist(), found.expected.round(3).tolist(), found.p_value.round(4).tolist()
    ([6.0], [1.333], [0.0028])
    """
    x, t, y, u = (np.asarray(a, float) for a in (own, own_exposure, others, others_exposure))
    used = (t > 0) & (u > 0) & (x + y > 0)
    x, t, y, u, of = x[used], t[used], y[used], u[used], np.asarray(row)[used]
    m = x + y

    def summed(values: Floats) -> Floats:
        return np.bincount(of, values, n_rows).astype(float)

    def mean(ratio: Floats) -> Floats:
        return summed(m * ratio[of] * t / (ratio[of] * t + u))

    n, n_own = summed(m), summed(x)
    bounds = clopper_pearson_interval(n_own, n, level)
    ratio, low, high = (_solve(mean, target, n) for target in (n_own, n * bounds.low, n * bounds.high))
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = np.where(n_own > 0, n_own / ratio, summed(y * t / u))
    by_chance = mean(np.ones(n_rows))
    p_value = conditional_rate_test(n_own, by_chance, n - n_own, n - by_chance)
    return StratifiedRatio(n, n_own, np.where(n > 0, expected, np.nan), ratio, low, high, p_value)


def _solve(mean: Callable[[Floats], Floats], target: Floats, n: Floats) -> Floats:
    """Find the ratio whose mean is `target`: 0 at none of n, infinite at all of them."""
    low, high = np.full(len(n), -_FARTHEST), np.full(len(n), _FARTHEST)
    for _ in range(60):
        middle = (low + high) / 2
        is_above = mean(np.exp(middle)) > target
        low, high = np.where(is_above, low, middle), np.where(is_above, middle, high)
    found = np.where(target <= 0, 0.0, np.where(target >= n, np.inf, np.exp((low + high) / 2)))
    return np.where(n > 0, found, np.nan)
