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

from pipeline.statistics.grouping import Codes, Flags, Floats

#: With more cells carrying mass than this a Newton step costs more than it gains; EM steps then.
_MOST_ACTIVE = 600
_MOST_STEPS = 300
_MOST_EM_STEPS = 5000
_MOST_PIVOTS = 200
#: How much what the data leave open is held where it was [share of all that is known]; more where rounding asks.
_HOLDS = np.array([1e-12, 1e-9, 1e-6, 1e-3])


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

    def gradient(self, covered: Floats) -> Floats:
        """Slope of the log-likelihood by the mass of each cell."""
        return self.spread(self.weight / covered)


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
    usable = says_a_size(left, right, seen)
    left, right, seen = left[usable], right[usable], seen[usable]
    left = np.where(left == right, np.nextafter(left, -np.inf), left)
    # One sort of complex numbers orders by low, then high, many times faster than a sort of rows.
    pairs, which = np.unique(left + 1j * np.where(np.isinf(right), -1.0, right), return_inverse=True)
    upper = np.where(pairs.imag < 0, np.inf, pairs.imag)
    return Intervals(pairs.real, upper, np.bincount(which, seen, len(pairs)).astype(float))


def says_a_size(low: Floats, high: Floats, count: Floats) -> Flags:
    """Tell the rows that bound a size: 0 <= low <= high, more than 0 and not (0, inf), seen at all."""
    is_bounded = (low >= 0) & (high >= low) & (high > 0) & np.isfinite(low) & ((low > 0) | np.isfinite(high))
    return is_bounded & (count > 0) & np.isfinite(count)


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
    mass = _stabbing_start(cells) if start is None else start
    mass = mass / (price @ mass)
    if np.count_nonzero(mass) > _MOST_ACTIVE:
        mass = _expectation_maximization(cells, price, tolerance)
    else:
        mass = _constrained_newton(cells, price, mass, tolerance)
    covered = cells.covered(mass)
    gap = float((cells.gradient(covered) / price).max() - cells.weight.sum())
    return Masses(mass, float(cells.weight @ np.log(covered)), max(0.0, gap))


def _constrained_newton(cells: Cells, price: Floats, mass: Floats, tolerance: float) -> Floats:
    total = cells.weight.sum()
    best, best_gap, stalled = mass, np.inf, 0
    covered = cells.covered(mass)
    for _ in range(_MOST_STEPS):
        gradient = cells.gradient(covered)
        gap = (gradient / price).max() - total
        stalled = 0 if gap < best_gap else stalled + 1
        if gap < best_gap:
            best, best_gap = mass, gap
        if gap <= tolerance * total or stalled > 8:
            break
        mass, covered = newton_step(cells, price, mass, covered, gradient)
    return best


def newton_step(
    cells: Cells, price: Floats, mass: Floats, covered: Floats, gradient: Floats
) -> tuple[Floats, Floats]:
    """Step uphill over the cells with mass and those that should have some; an EM step where that fails.

    Parameters
    ----------
    cells : from `cells_of`.
    price : (m,) price of mass [1], > 0.
    mass, covered, gradient : where to step from, with `cells.covered(mass)` and `cells.gradient(covered)`.

    Returns
    -------
    New masses with sum(price * mass) = 1, and what they cover.
    """
    total = cells.weight.sum()
    is_active = _active_cells(mass, gradient / price, total)
    target = _quadratic_optimum(
        cells, is_active, mass, cells.weight / covered**2, 2 * gradient - total * price
    )
    direction = target - mass
    value = cells.weight @ np.log(covered) - total * (price @ mass)
    rise = (gradient - total * price) @ direction
    length = 1.0
    while rise > 0 and length > 1e-4:
        trial = mass + length * direction
        trial[trial * price < 1e-15] = 0.0
        reached, paid = cells.covered(trial), price @ trial
        if (
            reached.min() > 0
            and cells.weight @ np.log(reached) - total * paid >= value + 1e-3 * length * rise
        ):
            return trial / paid, reached / paid
        length /= 2
    risen = mass * gradient / (total * price)
    return risen, cells.covered(risen)


def _active_cells(mass: Floats, gradient: Floats, total: float) -> Flags:
    """Cells with mass, and in each stretch between them the steepest one if it is worth its price."""
    has_mass = mass > 0
    starts = np.flatnonzero(has_mass)
    starts = starts if has_mass[0] else np.concatenate([[0], starts])
    ends = np.concatenate([starts[1:], [len(mass)]])
    steepest = np.repeat(np.maximum.reduceat(gradient, starts), ends - starts)
    return has_mass | ((gradient == steepest) & (gradient > total))


def _quadratic_optimum(
    cells: Cells, is_active: Flags, mass: Floats, curvature: Floats, slope: Floats
) -> Floats:
    """Masses q >= 0 of the active cells that maximize slope @ q - sum(curvature * covered(q)^2) / 2.

    Block principal pivoting: all cells below 0 leave and all that would gain come in at once, or only the last
    of them when that has not helped for a while (J. Judice, F. Pires, Computers Oper. Res. 21 (1994) 587-596).
    """
    is_free, patience = is_active.copy(), 3
    fewest = len(mass) + 1
    for _ in range(_MOST_PIVOTS):
        q = _free_optimum(cells, is_free, mass, curvature, slope)
        wrong = is_free & (q < 0)
        closed = is_active & ~is_free
        if closed.any():
            gain = slope - cells.spread(curvature * cells.covered(q))
            wrong |= closed & (gain > 1e-12 * np.abs(slope).max())
        n_wrong = int(np.count_nonzero(wrong))
        if not n_wrong:
            break
        patience = 3 if n_wrong < fewest else patience - 1
        fewest = min(fewest, n_wrong)
        is_free ^= wrong if patience >= 0 else np.arange(len(wrong)) == np.flatnonzero(wrong)[-1]
    return np.maximum(q, 0.0)


def _free_optimum(cells: Cells, is_free: Flags, mass: Floats, curvature: Floats, slope: Floats) -> Floats:
    """Masses of the free cells, of either sign, that maximize slope @ q - sum(curvature * covered(q)^2) / 2.

    What the data leave open stays as it was.
    """
    network, tied = _network(cells, is_free, curvature)
    asked = slope[is_free]
    asked[:-1] -= asked[1:]
    for held in tied.sum() * _HOLDS:
        network.flat[:: len(tied) + 1] = tied + held
        # Transposed it is in the order of LAPACK, whose plain calls cost a tenth of the checked ones on 100 cells.
        root, failed = lapack.dpotrf(network.T, lower=1)
        if not failed:
            break
    else:
        return mass
    cumulated = lapack.dpotrs(root, asked + held * np.cumsum(mass[is_free]), lower=1)[0]
    cumulated[1:] -= cumulated[:-1].copy()
    q = np.zeros(len(mass))
    q[is_free] = cumulated
    return q


def _network(cells: Cells, is_free: Flags, curvature: Floats) -> tuple[Floats, Floats]:
    """Second derivatives by the masses cumulated over the free cells: minus the upper triangle, and the diagonal.

    Those of a network: an observation ties what is cumulated before its first cell to what is at its last one.
    """
    place = np.concatenate([[0], np.cumsum(is_free)])
    n = int(place[-1]) + 1
    tied_pair = place[cells.first] * n + place[cells.last + 1]
    ties: Floats = np.bincount(tied_pair, curvature, n * n).astype(float).reshape(n, n)
    ties.flat[:: n + 1] = 0.0
    return -ties[1:, 1:], (ties.sum(axis=0) + ties.sum(axis=1))[1:]


def cumulated_error(cells: Cells, mass: Floats) -> Floats:
    """Standard error of the mass cumulated over each cell and those below, as if no other cells could have mass.

    Parameters
    ----------
    cells : from `cells_of`.
    mass : (m,) masses of the likeliest distribution.

    Returns
    -------
    (m,) [1]; NaN where the data leave it open. In large samples such errors are too small where a size has bounds
    of its own on every observation: good for a start, not for bounds.
    """
    has_mass = mass > 0
    network, tied = _network(cells, has_mass, cells.weight / cells.covered(mass) ** 2)
    network.flat[:: len(tied) + 1] = tied
    k, variance = len(tied) - 1, np.zeros(len(tied))
    if k:
        root, failed = lapack.dpotrf(network[:k, :k].T, lower=1)
        variance[:k] = np.nan if failed else np.diag(lapack.dpotri(root, lower=1)[0])
    return np.sqrt(np.concatenate([[0.0], variance]))[np.cumsum(has_mass)]


def _expectation_maximization(cells: Cells, price: Floats, tolerance: float) -> Floats:
    total = cells.weight.sum()
    spent = np.full(len(price), 1.0 / len(price))
    for _ in range(_MOST_EM_STEPS):
        gradient = cells.gradient(cells.covered(spent / price)) / price
        if gradient.max() - total <= tolerance * total:
            break
        spent = spent * gradient / total
    return spent / price


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
