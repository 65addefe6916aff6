"""How large are they, when each is known only to lie between bounds? Distribution, median, share above a size.

Bounds come from the likelihood ratio: a value is kept when some distribution that has it is nearly as likely
as the best one. This needs no standard error, holds at shares of 0 and 1, and says so when the data leave
something open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.grouping import Floats
from pipeline.statistics.intervals import normal_quantile
from pipeline.statistics.npmle import (
    Cells,
    Intervals,
    Masses,
    cells_of,
    cumulated_error,
    distinct_intervals,
    maximize,
)
from pipeline.statistics.share_bounds import Split

NO_SIZES = "no sizes"
BELOW_DETECTION = "half or more may lie below the smallest size that could be told"
ABOVE_RANGE = "half or more may lie above the largest size that could be told"
NOT_RESOLVED = "the records do not tell on which side of this size they lie"

#: When the data leave more of the share open than this, it has bounds but no value.
_WIDEST_OPEN_SHARE = 0.1
#: What rounding may add to a half that is exactly one.
_TIE = 1e-6


class Answer(NamedTuple):
    """One number with its bounds, and why it or a bound is missing ("" where nothing is)."""

    value: float
    low: float
    high: float
    reason: str


@dataclass(frozen=True)
class SizeDistribution:
    """Nonparametric distribution of interval-censored sizes; one row per interval (left, right] with mass.

    `share_at_most` [1] is the distribution function at `right`, `low` and `high` its pointwise bounds, NaN where
    `right` is infinite. `gap` [log-likelihood] certifies the fit: the optimum is no further away.
    """

    left: Floats
    right: Floats
    mass: Floats
    share_at_most: Floats
    low: Floats
    high: Floats
    n: float
    log_likelihood: float
    gap: float
    intervals: Intervals
    cells: Cells | None
    fit: Masses | None
    level: float

    def split(self, size: float) -> Split:
        """Bounds of the distribution function at one size (not for an empty distribution)."""
        assert self.cells is not None
        assert self.fit is not None
        return Split(self.intervals, self.cells, self.fit, size, normal_quantile(self.level), self._error)

    @cached_property
    def is_tail_open(self) -> bool:
        """The last interval ends nowhere, or most of its mass is of sizes of which only a lower bound is known.

        Where those bounds lie below the last upper one, the likelihood is greatest with all of them under it: that
        one size, and no more, is what says that they are not larger.
        """
        if not self.n:
            return False
        if not np.isfinite(self.right[-1]):
            return True
        is_open = np.isinf(self.intervals.high)
        above = np.cumsum(self.mass[::-1])[::-1][np.searchsorted(self.left, self.intervals.low[is_open])]
        # each size without an upper end lies in the last interval by that one's share of the mass above its bound
        return bool((self.intervals.weight[is_open] / above).sum() > (0.5 + _TIE) * self.n)

    @cached_property
    def _error(self) -> Floats:
        assert self.cells is not None
        assert self.fit is not None
        return cumulated_error(self.cells, self.fit.mass)


def size_distribution(
    low: ArrayLike, high: ArrayLike, count: ArrayLike | None = None, level: float = 0.95, n_bounds: int = 12
) -> SizeDistribution:
    """Estimate the distribution of sizes known to lie in (low, high].

    Parameters
    ----------
    low, high : (n,) [any one unit], 0 <= low <= high; 0: at most `high` (left-censored); inf: more than `low`
        (right-censored); equal: known exactly. Other rows are left out.
    count : (n,) how often each was seen [1]; None: once.
    level : confidence level of bounds, 0..1.
    n_bounds : 0 for none, or 2 and more: at most so many steps get bounds of their own; a step between takes
        the wider ones of its neighbors, which hold because the distribution function never falls.

    Returns
    -------
    SizeDistribution : empty for no usable row.

    Notes
    -----
    Bounds: all F(x) = v with 2 (l_max - max over F(x) = v of l) <= chi2(level; 1). Exact in large samples when
    sizes take few distinct bounds; with bounds all different the ratio is smaller than chi2 and bounds are
    wider than need be (M. Banerjee, J. Wellner, Annals of Statistics 29 (2001) 1699-1731).
    Source: B. Turnbull, JRSS B 38 (1976) 290-295; D. Thomas, G. Grunkemeier, JASA 70 (1975) 865-871.

    >>> sizes = size_distribution([0, 0, 1, 2], [1, 1, 2, float("inf")])
    >>> sizes.right.tolist(), sizes.share_at_most.round(6).tolist()
    ([1.0, 2.0, inf], [0.5, 0.75, 1.0])
    """
    normal_quantile(level)
    intervals = distinct_intervals(low, high, count)
    none = np.zeros(0)
    if not len(intervals.low):
        return SizeDistribution(
            none, none, none, none, none, none, 0.0, np.nan, np.nan, intervals, None, None, level
        )
    cells = cells_of(intervals)
    fit = maximize(cells)
    has_mass = fit.mass > 1e-9
    left, right, mass = cells.left[has_mass], cells.right[has_mass], fit.mass[has_mass]
    share = np.minimum(np.cumsum(fit.mass)[has_mass], 1.0)
    bare = SizeDistribution(
        left,
        right,
        mass,
        share,
        none,
        none,
        intervals.total,
        fit.log_likelihood,
        fit.gap,
        intervals,
        cells,
        fit,
        level,
    )
    lower, upper = _pointwise_bounds(bare, n_bounds)
    return replace(bare, low=lower, high=upper)


def share_over(sizes: SizeDistribution, size: float) -> Answer:
    """Estimate the share of sizes larger than one size.

    Parameters
    ----------
    sizes : from `size_distribution`.
    size : [unit of the sizes], > 0.

    Returns
    -------
    Answer : [1], 0..1. Mass in an interval that reaches across `size` is split in proportion to length; when
        that is more than a tenth, or the interval has no finite end, there are bounds but no value.

    Notes
    -----
    Bounds as in `size_distribution`, the split of that interval left open.

    >>> round(share_over(size_distribution([0] * 30 + [1] * 10, [1] * 30 + [2] * 10), 1.0).value, 6)
    0.25
    """
    if not sizes.n or not 0 < size < np.inf:
        return Answer(np.nan, np.nan, np.nan, NO_SIZES)
    below = sizes.split(size)
    value = 1.0 - _interpolated_share(sizes, size)
    return Answer(value, 1.0 - below.high(), 1.0 - below.low(), NOT_RESOLVED if np.isnan(value) else "")


def median(sizes: SizeDistribution) -> Answer:
    """Estimate the median size.

    Parameters
    ----------
    sizes : from `size_distribution`.

    Returns
    -------
    Answer : [unit of the sizes]; inside an interval by proportion. No value where half or more may lie below
        the smallest or above the largest size that could be told (`is_tail_open`); no upper bound where it is open.

    Notes
    -----
    Bounds: all x for which F(x) = 1/2 is within the bounds of F(x).

    >>> round(median(size_distribution(range(1, 42), range(1, 42))).value, 6)
    21.0
    """
    if not sizes.n:
        return Answer(np.nan, np.nan, np.nan, NO_SIZES)
    low, high = _median_bounds(sizes)
    step = int(np.searchsorted(sizes.share_at_most, 0.5 - 1e-9))
    left, right = float(sizes.left[step]), float(sizes.right[step])
    if step + 1 == len(sizes.left) and sizes.is_tail_open:
        return Answer(np.nan, low, np.nan, ABOVE_RANGE)
    if left <= 0:
        return Answer(np.nan, np.nan if low <= 0 else low, high, BELOW_DETECTION)
    part = (0.5 - (sizes.share_at_most[step] - sizes.mass[step])) / sizes.mass[step]
    value = left + (right - left) * min(1.0, float(part))
    is_level = abs(sizes.share_at_most[step] - 0.5) <= 1e-9 and step + 1 < len(sizes.left)
    if is_level:
        value = (right + float(sizes.left[step + 1])) / 2
    return Answer(value, low, high, "" if np.isfinite(high) else ABOVE_RANGE)


def _pointwise_bounds(sizes: SizeDistribution, n_bounds: int) -> tuple[Floats, Floats]:
    finite = np.flatnonzero(np.isfinite(sizes.right))
    low, high = np.full(len(sizes.right), np.nan), np.full(len(sizes.right), np.nan)
    if not len(finite) or n_bounds < 2:
        return low, high
    asked = np.unique(np.linspace(0, len(finite) - 1, min(n_bounds, len(finite))).round().astype(int))
    splits = [sizes.split(float(sizes.right[finite[k]])) for k in asked]
    lows, highs = np.array([s.low() for s in splits]), np.array([s.high() for s in splits])
    before = np.searchsorted(asked, np.arange(len(finite)), side="right") - 1
    after = np.searchsorted(asked, np.arange(len(finite)))
    low[finite], high[finite] = np.maximum.accumulate(lows)[before], np.maximum.accumulate(highs)[after]
    return low, high


def _interpolated_share(sizes: SizeDistribution, size: float) -> float:
    """Share at most `size`; NaN where the data leave more than a tenth open."""
    whole = float(sizes.mass[sizes.right <= size].sum())
    across = (sizes.left < size) & (size < sizes.right)
    if not across.any():
        return min(1.0, whole)
    left, right, mass = sizes.left[across][0], sizes.right[across][0], sizes.mass[across][0]
    has_no_end = bool(across[-1]) and sizes.is_tail_open
    if has_no_end or left <= 0 or mass > _WIDEST_OPEN_SHARE:
        return np.nan
    return float(whole + mass * (size - left) / (right - left))


def _median_bounds(sizes: SizeDistribution) -> tuple[float, float]:
    """Between which of the ends that were seen 1/2 is within the bounds; curve bounds narrow the search."""
    ends = np.unique(np.concatenate([sizes.intervals.low, sizes.intervals.high]))
    ends = ends[(ends > 0) & np.isfinite(ends)]
    known = np.isfinite(sizes.right)
    at, low, high = sizes.right[known], sizes.low[known], sizes.high[known]

    def first(bound: Callable[[Split], float], sure: Floats, never: Floats) -> int:
        last = int(np.searchsorted(ends, sure.min())) if len(sure) else len(ends)
        start = int(np.searchsorted(ends, never.max(), side="right")) if len(never) else 0
        while start < last:
            middle = (start + last) // 2
            reaches = bound(sizes.split(float(ends[middle]))) > 0.5
            start, last = (start, middle) if reaches else (middle + 1, last)
        return start

    # A step that borrowed its bound from a neighbor is no proof, hence only the side that is certain anyway.
    begins = first(Split.high, at[sizes.share_at_most[known] > 0.5], at[high < 0.5])
    finishes = first(Split.low, at[low > 0.5], at[sizes.share_at_most[known] < 0.5])
    lower = 0.0 if begins == 0 else float(ends[begins - 1])
    return lower, float(ends[finishes]) if finishes < len(ends) else np.nan
