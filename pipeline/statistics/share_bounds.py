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
from pipeline.statistics.npmle import Cells, Intervals, Masses, cells_of, maximize

#: Gap to the optimum [log-likelihood per observation] that bounds need.
_TOLERANCE = 1e-9
#: Trials this close to the wanted likelihood ratio [signed root] are interpolated.
_NEAR = 0.02
_MOST_TRIALS = 40


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
    """

    def __init__(self, intervals: Intervals, cells: Cells, fit: Masses, size: float, z: float) -> None:
        self.total, self.best, self.z = intervals.total, fit.log_likelihood, z
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
        tilt = self.z / float(np.sqrt(self.total * guess * (1 - guess)))
        under, over = (0.0, 0.0), (np.inf, np.inf)
        trials = []
        for _ in range(_MOST_TRIALS):
            trial, mass = self._trial(chosen, tilt, mass)
            trials.append(trial)
            if trial.root < self.z:
                under = (tilt, trial.root)
            else:
                over = (tilt, trial.root)
            if abs(trial.root - self.z) < _NEAR and len(trials) > 1:
                break
            tilt = _next_tilt(tilt, trial.root, under, over, self.z)
        return _interpolate(trials, self.z)

    def _trial(self, chosen: NDArray[np.bool_], tilt: float, start: Floats) -> tuple[_Trial, Floats]:
        fit = maximize(self.cells, np.where(chosen, 1.0, np.exp(tilt)), start, _TOLERANCE)
        scale = fit.mass.sum()
        root = self._root(fit.log_likelihood - self.total * np.log(scale))
        slope = root / (scale * self.total * np.expm1(tilt))
        return _Trial(root, float(fit.mass[chosen].sum() / scale), slope), fit.mass


def _next_tilt(
    tilt: float, root: float, under: tuple[float, float], over: tuple[float, float], z: float
) -> float:
    """Next tilt to try: proportional, or inside the bracket where one is known."""
    wanted = tilt * min(4.0, max(0.25, (z + 0.005) / max(root, 1e-6)))
    if np.isinf(over[0]):
        return max(wanted, 1.01 * tilt)
    if under[0] < wanted < over[0]:
        return wanted
    return under[0] + (over[0] - under[0]) * min(0.9, max(0.1, (z - under[1]) / (over[1] - under[1])))


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
