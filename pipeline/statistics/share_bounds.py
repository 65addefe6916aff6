"""How much mass can lie at or below one size? Likelihood-ratio bounds of the distribution function.

Mass beyond the size is made dearer until the best distribution under those prices is as much less likely as
the confidence level allows; by Lagrange it is the likeliest of all with that much mass on the cheap side.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline

from pipeline.statistics.grouping import Floats
from pipeline.statistics.npmle import Cells, Intervals, Masses, cells_of, maximize, newton_step

#: Gap to the optimum [log-likelihood per observation] that bounds need.
_TOLERANCE = 1e-9
#: Trials this close to the wanted likelihood ratio [signed root] are interpolated.
_NEAR = 0.01
_MOST_TRIALS = 40
#: Gap to the optimum [as above] at which a likelihood ratio says how far the tilt is off.
_SETTLED = 0.1
_MOST_STEPS = 14
_STEEPEST = 20.0


class _Trial(NamedTuple):
    """Signed root of the likelihood ratio, share on the cheap side, and its slope by the root."""

    root: float
    share: float
    slope: float


class Split:
    """Bounds of the distribution function at one size.

    Parameters
    ----------
    intervals : the distinct observations.
    cells, fit : their innermost intervals and the masses that maximize the likelihood.
    size : [unit of the intervals], > 0.
    z : normal quantile of the level: z^2 is the chi-square limit of the likelihood ratio.
    error : (m,) about the standard error of the share up to each cell, to start from; NaN where unknown.
    """

    def __init__(
        self, intervals: Intervals, cells: Cells, fit: Masses, size: float, z: float, error: Floats
    ) -> None:
        self.total, self.best, self.z = intervals.total, fit.log_likelihood, z
        self.error = float(error[max(0, int(np.searchsorted(cells.right, size, side="right")) - 1)])
        self.cells = cells_of(intervals, size)
        self.is_below = self.cells.right <= size
        self.mass = np.zeros(len(self.cells.left))
        # A cut leaves every cell its lower end; what a cut cell held is put below the cut.
        self.mass[np.searchsorted(self.cells.left, cells.left)] = fit.mass

    def low(self) -> float:
        """Least share at or below the size."""
        across = np.flatnonzero(self.cells.left[1:] == self.cells.right[:-1])
        mass = self.mass.copy()
        for cell in across[self.is_below[across] & ~self.is_below[across + 1] & self._is_twin(across)]:
            mass[cell], mass[cell + 1] = 0.0, mass[cell] + mass[cell + 1]
        return 1.0 - self._most(~self.is_below, mass)

    def high(self) -> float:
        """Greatest share at or below the size."""
        return self._most(self.is_below, self.mass)

    def _is_twin(self, cell: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether a cell and the next are covered by the same observations."""
        starts = np.bincount(self.cells.first, minlength=len(self.mass) + 1)[cell + 1]
        ends = np.bincount(self.cells.last, minlength=len(self.mass))[cell]
        return (starts == 0) & (ends == 0)

    def _most(self, chosen: NDArray[np.bool_], mass: Floats) -> float:
        if not chosen.any():
            return 1.0 - float(np.exp(-(self.z**2) / (2 * self.total)))
        place = np.concatenate([[0], np.cumsum(chosen)])
        can_all = bool((place[self.cells.last + 1] > place[self.cells.first]).all())
        if can_all and self._root(self._all_on(chosen)) <= self.z:
            return 1.0
        return self._at_limit(chosen, mass)

    def _root(self, log_likelihood: float) -> float:
        return float(np.sqrt(max(0.0, 2 * (self.best - log_likelihood))))

    def _all_on(self, chosen: NDArray[np.bool_]) -> float:
        """Log-likelihood of the best distribution with all its mass on the chosen side."""
        c, place = self.cells, np.concatenate([[0], np.cumsum(chosen)])
        inside = Cells(c.left[chosen], c.right[chosen], place[c.first], place[c.last + 1] - 1, c.weight)
        return maximize(inside, tolerance=_TOLERANCE).log_likelihood

    def _at_limit(self, chosen: NDArray[np.bool_], mass: Floats) -> float:
        """Tilt prices until the root of the likelihood ratio is z; it is nearly linear in the tilt."""
        share = float(mass[chosen].sum())
        guess = (self.total * share + 1) / (self.total + 2)
        known = float(np.sqrt(guess * (1 - guess) / self.total))
        error = self.error if self.error > known else known
        tilt = float(np.log1p(self.z / (self.total * error)))
        reached = self._walk(chosen, tilt, mass)
        return self._search(chosen, tilt, mass) if reached is None else reached

    def _walk(self, chosen: NDArray[np.bool_], tilt: float, mass: Floats) -> float | None:
        """Mend the tilt before every step to the masses that are best under it; None where that leads nowhere."""
        cells, n = self.cells, self.total
        mass = mass / mass.sum()
        covered = cells.covered(mass)
        for _ in range(_MOST_STEPS):
            root = self._root(float(cells.weight @ np.log(covered)))
            gradient, price = cells.gradient(covered), np.where(chosen, 1.0, np.exp(tilt))
            cost = price @ mass
            gap = (gradient / price).max() * cost - n
            if gap <= _TOLERANCE * n and abs(root - self.z) < _NEAR:
                slope = cost * root / (n * np.expm1(tilt))
                return float(np.clip(mass[chosen].sum() + slope * (self.z - root), 0.0, 1.0))
            if gap <= _SETTLED * n and root > 0:
                tilt = min(_STEEPEST, tilt * min(3.0, max(1 / 3, self.z / root)))
                price = np.where(chosen, 1.0, np.exp(tilt))
                cost = price @ mass
            mass, covered = newton_step(cells, price, mass / cost, covered / cost, gradient * cost)
            whole = mass.sum()
            mass, covered = mass / whole, covered / whole
        return None

    def _search(self, chosen: NDArray[np.bool_], tilt: float, mass: Floats) -> float:
        """Fit the best masses at one tilt after the other, between tilts known to be too small and too large."""
        bracket = _Bracket()
        trials = []
        for _ in range(_MOST_TRIALS):
            trial, mass = self._trial(chosen, tilt, mass)
            trials.append(trial)
            if abs(trial.root - self.z) < _NEAR and len(trials) > 1:
                break
            tilt = bracket.next(tilt, trial.root - self.z, self.z)
        return _interpolate(trials, self.z)

    def _trial(self, chosen: NDArray[np.bool_], tilt: float, start: Floats) -> tuple[_Trial, Floats]:
        """Fit under one tilt, from what the last fit spent on each cell: prices change that the least."""
        price = np.where(chosen, 1.0, np.exp(tilt))
        fit = maximize(self.cells, price, start / price, _TOLERANCE)
        scale = fit.mass.sum()
        root = self._root(fit.log_likelihood - self.total * np.log(scale))
        slope = root / (scale * self.total * np.expm1(tilt))
        return _Trial(root, float(fit.mass[chosen].sum() / scale), slope), fit.mass * price


class _Bracket:
    """Where the wanted tilt lies: excess roots at tilts too small and too large, by regula falsi.

    An end that stays while the other moves twice counts half (Illinois), or the search would creep where the
    root is no straight line: it stays 0 until a tilt is worth the likelihood that it costs.
    """

    def __init__(self) -> None:
        self.under, self.over = (0.0, -np.inf), (np.inf, np.inf)
        self.last_side = 0.0

    def next(self, tilt: float, excess: float, z: float) -> float:
        """Take in one trial and tell the tilt to try next."""
        side = np.sign(excess)
        if excess < 0:
            self.under = (tilt, excess)
            self.over = (self.over[0], self.over[1] / (2 if side == self.last_side else 1))
        else:
            self.over = (tilt, excess)
            self.under = (self.under[0], self.under[1] / (2 if side == self.last_side else 1))
        self.last_side = side
        if np.isinf(self.over[0]):
            return tilt * min(4.0, max(1.01, z / max(excess + z, 1e-6)))
        low, high = self.under[0], self.over[0]
        below = max(self.under[1], -z)
        return low + (high - low) * min(0.98, max(0.02, below / (below - self.over[1])))


def _interpolate(trials: list[_Trial], z: float) -> float:
    """Share at the wanted root, from the two trials next to it and their slopes."""
    nearest = sorted(sorted(trials, key=lambda t: abs(t.root - z))[:2])
    roots = [t.root for t in nearest]
    if len(nearest) < 2 or roots[1] - roots[0] < 1e-6:
        share = nearest[0].share + nearest[0].slope * (z - roots[0])
    else:
        curve = CubicHermiteSpline(roots, [t.share for t in nearest], [t.slope for t in nearest])
        share = float(curve(z))
    return min(1.0, max(0.0, share))
