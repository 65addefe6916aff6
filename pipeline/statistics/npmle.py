"""Which distribution makes interval-censored sizes likeliest? The nonparametric MLE, with its certificate.

A size is known to lie in (low, high]. The likelihood depends only on the masses of the innermost intervals
(B. Turnbull, JRSS B 38 (1976) 290-295). Their masses come from the constrained Newton method: quadratic
steps over the intervals that carry mass, joined by those whose gradient says that they should
(Y. Wang, JRSS B 69 (2007) 185-198). The optimum is certified by its Karush-Kuhn-Tucker condition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import lapack
from scipy.optimize import nnls

from pipeline.statistics.grouping import Codes, Flags, Floats

#: With more cells carrying mass than this a Newton step costs more than it gains; EM steps then.
_MOST_ACTIVE = 600
_MOST_STEPS = 300
_MOST_EM_STEPS = 5000


@dataclass(frozen=True)
class Intervals:
    """Distinct intervals (low, high] with how often each was seen [1]."""

    low: Floats
    high: Floats
    weight: Floats

    @property
    def total(self) -> float:
        return float(self.weight.sum())


@dataclass(frozen=True)
class Cells:
    """The innermost intervals, and which of them each distinct observation covers.

    Cell j is (left[j], right[j]]; observation i, seen `weight[i]` times, covers cells first[i]..last[i].
    """

    left: Floats
    right: Floats
    first: Codes
    last: Codes
    weight: Floats

    def covered(self, mass: Floats) -> Floats:
        """Probability of each observation."""
        cumulative = np.concatenate([[0.0], np.cumsum(mass)])
        return cumulative[self.last + 1] - cumulative[self.first]

    def spread(self, values: Floats) -> Floats:
        """Sum of `values` over the observations that cover each cell."""
        n = len(self.left)
        change = np.bincount(self.first, values, n + 1) - np.bincount(self.last + 1, values, n + 1)
        return np.cumsum(change)[:n]


@dataclass(frozen=True)
class Masses:
    """Masses of the cells, their log-likelihood, and how far below the optimum that can be at most."""

    mass: Floats
    log_likelihood: float
    gap: float


def distinct_intervals(low: ArrayLike, high: ArrayLike, count: ArrayLike | None = None) -> Intervals:
    """Reduce intervals to distinct ones with counts.

    Parameters
    ----------
    low, high : (n,) [any one unit], 0 <= low <= high; low = 0: known to be at most `high`; high = inf: known to
        be more than `low`; equal: known exactly. Rows that fit none of this, hold NaN or say nothing
        (0, inf) are left out.
    count : (n,) how often each was seen [1], > 0; None: once.

    Returns
    -------
    Intervals : sorted; a size known exactly becomes the narrowest interval that holds it.

    >>> distinct_intervals([0, 4, 0], [5, 11, 5]).weight.tolist()
    [2.0, 1.0]
    """
    left, right = np.broadcast_arrays(np.asarray(low, float), np.asarray(high, float))
    seen = np.broadcast_to(np.ones(1) if count is None else np.asarray(count, float), left.shape)
    usable = (left >= 0) & (right >= left) & (right > 0) & np.isfinite(left) & (seen > 0) & np.isfinite(seen)
    usable &= (left > 0) | np.isfinite(right)
    left, right, seen = left[usable], right[usable], seen[usable]
    left = np.where(left == right, np.nextafter(left, -np.inf), left)
    # One sort of complex numbers orders by low, then high, many times faster than a sort of rows.
    pairs, which = np.unique(left + 1j * np.where(np.isinf(right), -1.0, right), return_inverse=True)
    upper = np.where(pairs.imag < 0, np.inf, pairs.imag)
    return Intervals(pairs.real, upper, np.bincount(which, seen, len(pairs)).astype(float))


def cells_of(intervals: Intervals, cut: float | None = None) -> Cells:
    """Find the innermost intervals: a lower end directly followed by an upper end.

    Parameters
    ----------
    intervals : distinct intervals.
    cut : a size [same unit] that no cell may reach across; None: no cut.

    Returns
    -------
    Cells : in order of size; (a, b] and (b, c] share no cell.

    >>> cells = cells_of(distinct_intervals([0, 4, 6], [5, 11, 10]))
    >>> cells.left.tolist(), cells.right.tolist()
    ([4.0, 6.0], [5.0, 10.0])
    """
    extra = [] if cut is None else [cut]
    ends = np.concatenate([intervals.low, extra, intervals.high, extra])
    is_upper = np.arange(len(ends)) >= len(intervals.low) + len(extra)
    order = np.lexsort((~is_upper, ends))
    ends, is_upper = ends[order], is_upper[order]
    inner = np.flatnonzero(~is_upper[:-1] & is_upper[1:])
    left, right = ends[inner], ends[inner + 1]
    first = np.searchsorted(left, intervals.low, side="left")
    last = np.searchsorted(right, intervals.high, side="right") - 1
    return Cells(left, right, first, last, intervals.weight)


def maximize(
    cells: Cells, cost: Floats | None = None, start: Floats | None = None, tolerance: float = 1e-11
) -> Masses:
    """Find the masses that maximize the likelihood.

    Parameters
    ----------
    cells : from `cells_of`, not empty.
    cost : (m,) price of mass [1], > 0, with sum(cost * mass) = 1; None: 1 each, an ordinary distribution.
    start : (m,) masses to begin with; every observation must cover some of them; None: found here.
    tolerance : largest gap to the optimum [log-likelihood per observation].

    Returns
    -------
    Masses : sum(cost * mass) = 1. `gap` <= tolerance * n certifies the optimum; a larger one is told, not hidden.

    Notes
    -----
    With g the gradient of the log-likelihood at any feasible point, the optimum is at most
    max_j g_j/cost_j - n away (concavity); at the optimum g_j <= n cost_j everywhere.

    >>> maximize(cells_of(distinct_intervals([0, 1, 2], [2, 3, 4]))).mass.round(6).tolist()
    [0.5, 0.5]
    """
    price = np.ones(len(cells.left)) if cost is None else cost
    spent = price * (_stabbing_start(cells) if start is None else start)
    spent = spent / spent.sum()
    if np.count_nonzero(spent) > _MOST_ACTIVE:
        spent = _expectation_maximization(cells, price, tolerance)
    else:
        spent = _constrained_newton(cells, price, spent, tolerance)
    covered = cells.covered(spent / price)
    gap = float(_gradient(cells, price, covered).max() - cells.weight.sum())
    return Masses(spent / price, float(cells.weight @ np.log(covered)), max(0.0, gap))


def _gradient(cells: Cells, price: Floats, covered: Floats) -> Floats:
    return cells.spread(cells.weight / covered) / price


def _constrained_newton(cells: Cells, price: Floats, spent: Floats, tolerance: float) -> Floats:
    total = cells.weight.sum()
    best, best_gap, stalled = spent, np.inf, 0
    for _ in range(_MOST_STEPS):
        covered = cells.covered(spent / price)
        gradient = _gradient(cells, price, covered)
        gap = gradient.max() - total
        stalled = 0 if gap < best_gap else stalled + 1
        if gap < best_gap:
            best, best_gap = spent, gap
        if gap <= tolerance * total or stalled > 8:
            break
        spent = _step(cells, price, spent, covered, gradient)
    return best


def _step(cells: Cells, price: Floats, spent: Floats, covered: Floats, gradient: Floats) -> Floats:
    """One quadratic step over the cells with mass and those that should have some, or an EM step."""
    total = cells.weight.sum()
    is_active = _active_cells(spent, gradient, total)
    target = np.zeros(len(spent))
    target[is_active] = _quadratic_optimum(cells, price, is_active, covered, gradient)
    direction = target - spent
    value = cells.weight @ np.log(covered) - total * spent.sum()
    rise = (gradient - total) @ direction
    length = 1.0
    while rise > 0 and length > 1e-4:
        trial = spent + length * direction
        reached = cells.covered(trial / price)
        if (
            reached.min() > 0
            and cells.weight @ np.log(reached) - total * trial.sum() >= value + 1e-3 * length * rise
        ):
            trial[trial < 1e-15] = 0.0
            return trial / trial.sum()
        length /= 2
    return spent * gradient / total


def _active_cells(spent: Floats, gradient: Floats, total: float) -> Flags:
    """Cells with mass, and in each stretch between them the steepest one if it is worth its price."""
    has_mass = spent > 0
    starts = np.flatnonzero(has_mass)
    starts = starts if has_mass[0] else np.concatenate([[0], starts])
    steepest = np.repeat(np.maximum.reduceat(gradient, starts), np.diff(starts, append=len(spent)))
    return has_mass | ((gradient == steepest) & (gradient > total))


def _quadratic_optimum(
    cells: Cells, price: Floats, is_active: Flags, covered: Floats, gradient: Floats
) -> Floats:
    """Non-negative masses that maximize the second-order expansion of log-likelihood - n sum(cost mass)."""
    place = np.concatenate([[0], np.cumsum(is_active)])
    k = int(place[-1])
    # Every observation covers a cell with mass, so its first active cell is never after its last.
    corner = place[cells.first] * k + place[cells.last + 1] - 1
    corners = np.bincount(corner, cells.weight / covered**2, k * k).astype(float).reshape(k, k)
    upper: Floats = np.cumsum(np.cumsum(corners, axis=0)[:, ::-1], axis=1)[:, ::-1]
    active_price = price[is_active]
    upper = upper / active_price / active_price[:, None]
    return _non_negative_optimum(upper, 2 * gradient[is_active] - cells.weight.sum())


def _non_negative_optimum(upper: Floats, slope: Floats) -> Floats:
    """Maximize slope @ q - q @ hessian @ q / 2 over q >= 0; the free optimum where that is non-negative.

    Of the Hessian the upper triangle alone is read.
    """
    k = len(slope)
    upper.flat[:: k + 1] += np.trace(upper) * 1e-14
    # Transposed it is in the order of LAPACK, whose plain calls cost a tenth of the checked ones on 100 cells.
    root, failed = lapack.dpotrf(upper.T, lower=1)
    if failed:
        hessian = np.triu(upper) + np.triu(upper, 1).T
        values, vectors = np.linalg.eigh(hessian)
        root = vectors * np.sqrt(np.maximum(values, values[-1] * 1e-13))
        wanted = np.linalg.lstsq(root, slope)[0]
    else:
        free: Floats = lapack.dpotrs(root, slope, lower=1)[0]
        if free.min() >= 0:
            return free
        wanted = lapack.dtrtrs(root, slope, lower=1)[0]
    try:
        return nnls(root.T, wanted)[0]
    except RuntimeError:
        return np.zeros(k)


def _expectation_maximization(cells: Cells, price: Floats, tolerance: float) -> Floats:
    total = cells.weight.sum()
    spent = np.full(len(price), 1.0 / len(price))
    for _ in range(_MOST_EM_STEPS):
        gradient = _gradient(cells, price, cells.covered(spent / price))
        if gradient.max() - total <= tolerance * total:
            break
        spent = spent * gradient / total
    return spent


def _stabbing_start(cells: Cells) -> Floats:
    """Equal masses on the fewest cells that every observation covers one of."""
    n = len(cells.left)
    nearest = np.full(n + 1, n)
    np.minimum.at(nearest, cells.first, cells.last)
    nearest = np.minimum.accumulate(nearest[::-1])[::-1]
    mass = np.zeros(n)
    cell = nearest[0]
    while cell < n:
        mass[cell] = 1.0
        cell = nearest[cell + 1]
    return mass
