"""Which lognormal fits interval-censored sizes best? Censored maximum likelihood, all groups at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.statistics.grouping import Floats, Grouping, group_rows
from pipeline.statistics.intervals import Estimate, normal_quantile
from pipeline.statistics.npmle import says_a_size

NO_SIZES = "no sizes"
ONE_POINT = "one size would fit all records: their spread cannot be told"
TOO_WIDE = "the records do not tell how wide the sizes spread"

_MOST_STEPS = 200
#: 1/sigma below which the fit runs away to an endless spread.
_WIDEST = 1e-4
#: log(high/low) below which an interval is taken as an exact size.
_EXACT = 1e-7


@dataclass(frozen=True)
class LognormalFit:
    """Lognormal of each group: `mu`, `sigma` of ln(size) [1], with bounds of the median [unit of the sizes].

    `n` sizes [1], `log_likelihood`, `reason` why a group has no fit ("" where it has one).
    """

    groups: NDArray[Any]
    n: Floats
    mu: Floats
    sigma: Estimate
    median: Estimate
    log_likelihood: Floats
    reason: NDArray[np.object_]

    def share_at_most(self, size: ArrayLike) -> Floats:
        """Share of each group's sizes at most `size`: (m,) sizes give (n_groups, m)."""
        with np.errstate(divide="ignore"):
            log_size = np.log(np.atleast_1d(np.asarray(size, float)))
        return special.ndtr((log_size - self.mu[:, None]) / self.sigma.value[:, None])


@dataclass(frozen=True)
class _Rows:
    """Log bounds about each group's center, with weights; `exact` rows are known to the point."""

    group: Grouping
    low: Floats
    high: Floats
    exact: NDArray[np.bool_]
    weight: Floats


def lognormal_fit(
    low: ArrayLike,
    high: ArrayLike,
    count: ArrayLike | None = None,
    groups: ArrayLike | None = None,
    level: float = 0.95,
) -> LognormalFit:
    """Fit a lognormal to sizes known to lie in (low, high].

    Parameters
    ----------
    low, high : (n,) [any one unit], 0 <= low <= high; 0: at most `high`; inf: more than `low`; equal: known
        exactly. Other rows are left out.
    count : (n,) how often each was seen [1], > 0; None: once.
    groups : (n,) labels; None: one group.
    level : confidence level, 0..1.

    Returns
    -------
    LognormalFit : per group; NaN with a reason where no maximum exists.

    Notes
    -----
    Maximizes sum of ln(F(high) - F(low)) by Newton's method in 1/sigma and mu/sigma, in which it is concave;
    bounds from the observed information in mu and ln sigma, exp(mu -+ z se), exp(ln sigma -+ z se).
    Source: R. Olsen, Econometrica 46 (1978) 1211-1215 (the parameters); W. Nelson, Applied Life Data Analysis
    (1982) chapter 9.

    >>> fit = lognormal_fit([0, 1, 2, 4], [1, 2, 4, float("inf")], [10, 20, 20, 10])
    >>> round(float(fit.median.value[0]), 4), round(float(fit.sigma.value[0]), 4)
    (2.0, 0.7165)
    """
    z = normal_quantile(level)
    rows, center = _prepare(low, high, count, groups)
    group = rows.group
    n = group.total(rows.weight)
    no_point = _group_extreme(np.maximum, rows.low, group) > _group_extreme(np.minimum, rows.high, group)
    with np.errstate(all="ignore"):  # a trial step may go astray: its likelihood is NaN and it is halved
        scale, shift, value, information, converged = _climb(rows, (n > 0) & no_point)
    fitted = (n > 0) & no_point & converged
    reason = np.select([n == 0, ~no_point, ~converged], [NO_SIZES, ONE_POINT, TOO_WIDE], "").astype(object)
    scale, shift = np.where(fitted, scale, np.nan), np.where(fitted, shift, np.nan)
    mu, sigma = shift / scale + center, 1 / scale
    se_mu, se_log_sigma = _standard_errors(scale, shift, information)
    return LognormalFit(
        group.labels,
        n,
        mu,
        Estimate(sigma, sigma * np.exp(-z * se_log_sigma), sigma * np.exp(z * se_log_sigma)),
        Estimate(np.exp(mu), np.exp(mu - z * se_mu), np.exp(mu + z * se_mu)),
        np.where(fitted, value - _log_sizes(rows, center), np.nan),
        reason,
    )


def _prepare(
    low: ArrayLike, high: ArrayLike, count: ArrayLike | None, groups: ArrayLike | None
) -> tuple[_Rows, Floats]:
    left, right = np.broadcast_arrays(np.atleast_1d(np.asarray(low, float)), np.asarray(high, float))
    weight = np.broadcast_to(np.ones(1) if count is None else np.asarray(count, float), left.shape)
    everyone = group_rows(groups, len(left))
    used = says_a_size(left, right, weight) & (everyone.codes >= 0)
    group = Grouping(everyone.labels, everyone.codes[used])
    with np.errstate(divide="ignore"):
        left, right, weight = np.log(left[used]), np.log(right[used]), weight[used]
    middle = np.where(np.isinf(left), right, np.where(np.isinf(right), left, (left + right) / 2))
    n = group.total(weight)
    center = group.total(weight * middle) / np.where(n > 0, n, 1.0)
    left, right = left - center[group.codes], right - center[group.codes]
    exact = right - left < _EXACT
    return _Rows(group, left, right, exact, weight), center


def _climb(
    rows: _Rows, present: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.bool_]]:
    """Newton's method with step halving, every group on its own step length."""
    n_groups = rows.group.n_groups
    scale, shift = np.ones(n_groups), np.zeros(n_groups)
    value, slope, curve = _likelihood(rows, scale, shift)
    converged = ~present
    for _ in range(_MOST_STEPS):
        step = _solve(curve, slope)
        decrement = np.einsum("kg,kg->g", slope, step)
        converged = (decrement < 1e-18 * np.maximum(1.0, np.abs(value))) | ~present | (scale < _WIDEST)
        if converged.all():
            break
        length, slack = np.where(converged, 0.0, 1.0), 1e-13 * np.abs(value)
        for _ in range(40):
            trial = scale + length * step[0], shift + length * step[1]
            usable = trial[0] > scale * 0.05
            reached = _likelihood(rows, np.where(usable, trial[0], scale), np.where(usable, trial[1], shift))
            short = ~converged & ~(usable & (reached[0] >= value - slack))
            if not short.any():
                break
            length = np.where(short, length / 2, length)
        (scale, shift), (value, slope, curve) = trial, reached
    return scale, shift, value, curve, converged & (scale >= _WIDEST)


def _likelihood(rows: _Rows, scale: Floats, shift: Floats) -> tuple[Floats, Floats, Floats]:
    """Log-likelihood of each group, its gradient (2, g) and minus its second derivatives (3, g): aa, ab, bb."""
    a, b = scale[rows.group.codes], shift[rows.group.codes]
    low, high = np.where(np.isinf(rows.low), 0.0, rows.low), np.where(np.isinf(rows.high), 0.0, rows.high)
    z_low, z_high = a * rows.low - b, a * rows.high - b
    log_mass = np.where(rows.exact, 0.0, _log_difference(z_low, np.where(rows.exact, np.inf, z_high)))
    at_low, at_high = (np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_mass) for z in (z_low, z_high))
    z_low, z_high = np.where(np.isinf(z_low), 0.0, z_low), np.where(np.isinf(z_high), 0.0, z_high)
    in_a, in_b = at_high * high - at_low * low, at_low - at_high
    aa = at_high * z_high * high**2 - at_low * z_low * low**2 + in_a**2
    ab = -(at_high * z_high * high - at_low * z_low * low) + in_a * in_b
    bb = at_high * z_high - at_low * z_low + in_b**2
    e = rows.exact
    x, z = np.where(e, rows.high, 0.0), np.where(e, z_high, 0.0)
    parts = [
        np.where(e, -0.5 * z * z - 0.5 * np.log(2 * np.pi) + np.log(a), log_mass),
        np.where(e, 1 / a - z * x, in_a),
        np.where(e, z, in_b),
        np.where(e, 1 / a**2 + x**2, aa),
        np.where(e, -x, ab),
        np.where(e, 1.0, bb),
    ]
    totals = np.array([rows.group.total(rows.weight * part) for part in parts])
    return totals[0], totals[1:3], totals[3:]


def _log_difference(low: Floats, high: Floats) -> Floats:
    """ln(Phi(high) - Phi(low)), taken in the tail where it keeps its digits."""
    flipped = low > 0
    low, high = np.where(flipped, -high, low), np.where(flipped, -low, high)
    upper, lower = special.log_ndtr(high), special.log_ndtr(low)
    return upper + np.log(-np.expm1(lower - upper))


def _solve(curve: Floats, slope: Floats) -> Floats:
    """Newton direction of each group from its 2 x 2 information, kept definite."""
    aa, ab, bb = curve
    aa, bb = aa + 1e-14 * (aa + bb), bb + 1e-14 * (aa + bb)
    determinant = aa * bb - ab**2
    determinant = np.where(determinant > 0, determinant, np.inf)
    return np.stack([bb * slope[0] - ab * slope[1], aa * slope[1] - ab * slope[0]]) / determinant


def _standard_errors(scale: Floats, shift: Floats, information: Floats) -> tuple[Floats, Floats]:
    """Standard errors of mu and ln sigma: with s = ln sigma, d(a, b)/d(mu, s) = ((0, -a), (a, -b))."""
    aa, ab, bb = information
    mu_mu = scale**2 * bb
    mu_s = -scale * (scale * ab + shift * bb)
    s_s = scale**2 * aa + 2 * scale * shift * ab + shift**2 * bb
    with np.errstate(invalid="ignore", divide="ignore"):
        determinant = mu_mu * s_s - mu_s**2
        return np.sqrt(s_s / determinant), np.sqrt(mu_mu / determinant)


def _log_sizes(rows: _Rows, center: Floats) -> Floats:
    """Sum of ln(size) over exact rows: the density of a size is that of its logarithm over the size."""
    log_size = np.where(rows.exact, rows.high + center[rows.group.codes], 0.0)
    return rows.group.total(rows.weight * log_size)


def _group_extreme(extreme: np.ufunc, values: Floats, group: Grouping) -> Floats:
    out = np.full(group.n_groups, -np.inf if extreme is np.maximum else np.inf)
    extreme.at(out, group.codes, values)
    return out
