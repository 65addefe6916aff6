"""Is one rate unlike another, and how many such findings are chance?"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from pipeline.statistics.grouping import Floats

#: Outcomes whose probability is within this factor of the observed one count as equally likely: rounding
#: must not decide which of two mirror outcomes is the more extreme (the definition of scipy's binomtest).
_TIE = 1 + 1e-7


def conditional_rate_test(
    x: ArrayLike, exposure: ArrayLike, x_rest: ArrayLike, exposure_rest: ArrayLike
) -> Floats:
    """Test whether two Poisson rates are equal, exactly and two-sided.

    Parameters
    ----------
    x, x_rest : (n,) events [1], whole and >= 0.
    exposure, exposure_rest : (n,) [same unit], > 0.

    Returns
    -------
    (n,) p-value, 0..1; NaN where there is no event at all, no exposure on a side, or no count.

    Notes
    -----
    Given x + x_rest = m, x is binomial(m, exposure / (exposure + exposure_rest)) when the rates are equal;
    p is the probability of all outcomes at most as likely as the one seen.
    Source: J. Przyborowski, H. Wilenski, Biometrika 31 (1940) 313-323; two-sided rule of scipy.stats.binomtest.

    >>> round(float(conditional_rate_test([60], [51477.5], [30], [54308.7])[0]), 9)
    0.000675183
    """
    arrays = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(a, float)) for a in (x, exposure, x_rest, exposure_rest))
    )
    k, t, k_rest, t_rest = arrays
    usable = (
        (t > 0)
        & (t_rest > 0)
        & np.isfinite(t + t_rest + k + k_rest)
        & (k >= 0)
        & (k_rest >= 0)
        & (k + k_rest > 0)
    )
    usable &= (np.floor(k) == k) & (np.floor(k_rest) == k_rest)
    p_value = np.full(k.shape, np.nan)
    p_value[usable] = _binomial_two_sided(
        k[usable], (k + k_rest)[usable], (t / np.where(usable, t + t_rest, 1.0))[usable]
    )
    return p_value


def benjamini_hochberg(p_values: ArrayLike, families: ArrayLike | None = None) -> Floats:
    """Turn p-values into the smallest false-discovery rate at which each would be called.

    Parameters
    ----------
    p_values : (n,) 0..1; NaN means "not tested": it stays NaN and is not counted.
    families : (n,) label of what is corrected together, where several questions are asked; None: all are one.

    Returns
    -------
    (n,) q-value, 0..1.

    Notes
    -----
    q(i) = min over j >= i of m p(j) / j in ascending order of the m p-values.
    Source: Y. Benjamini, Y. Hochberg, JRSS B 57 (1995) 289-300.

    >>> benjamini_hochberg([0.01, float("nan"), 0.04, 0.03]).round(6).tolist()
    [0.03, nan, 0.04, 0.04]
    """
    p = np.atleast_1d(np.asarray(p_values, float))
    q = np.full(p.shape, np.nan)
    tested = np.isfinite(p)
    family = np.zeros(len(p)) if families is None else np.asarray(families)
    for label in np.unique(family[tested]):
        mine = tested & (family == label)
        q[mine] = stats.false_discovery_control(p[mine])
    return q


def _binomial_two_sided(k: Floats, n: Floats, p: Floats) -> Floats:
    seen = stats.binom.pmf(k, n, p) * _TIE
    # Right of the mode the outcomes at most as likely lie above `last`, left of it up to `first`.
    last = _search(lambda i: stats.binom.pmf(i, n, p) >= seen, np.ceil(p * n), n)
    tied = stats.binom.pmf(last, n, p) == seen
    below = stats.binom.cdf(k, n, p) + stats.binom.sf(last - tied, n, p)
    first = _search(lambda i: stats.binom.pmf(i, n, p) <= seen, np.zeros_like(n), np.floor(p * n))
    above = stats.binom.cdf(first, n, p) + stats.binom.sf(k - 1, n, p)
    return np.where(k == p * n, 1.0, np.minimum(1.0, np.where(k < p * n, below, above)))


def _search(holds: Callable[[Floats], np.ndarray], low: Floats, high: Floats) -> Floats:
    """Largest whole number in low..high for which `holds`, true up to a point; low - 1 where none is."""
    low, high = low - 1, high.copy()
    while (open_ := low < high).any():
        middle = np.ceil((low + high) / 2)
        true = holds(middle)
        low = np.where(open_ & true, middle, low)
        high = np.where(open_ & ~true, middle - 1, high)
    return low
