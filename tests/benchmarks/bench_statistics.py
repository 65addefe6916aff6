"""How fast the grouped estimators are against a loop of a good library over the groups, and whether they agree.

Run by hand: `uv run python -m tests.benchmarks.bench_statistics [GROUPS]` (default 2000 groups of 100 units; the
library runs 100 groups of them, and its time is scaled up to all; its one fit of 100,000
intervals is cut short).
Prints seconds of processor time, ratios and the largest relative difference; asserts nothing.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
from lifelines import KaplanMeierFitter, WeibullFitter
from lifelines.fitters import npmle

from pipeline.statistics.censored_sizes import size_distribution
from pipeline.statistics.life import weibull_life
from pipeline.statistics.survival import kaplan_meier

N_UNITS = 100
N_LOOPED = 100
DAYS = 90
N_INTERVALS = 100_000
N_THRESHOLDS = 92
#: EM steps that the library is given.
LIBRARY_STEPS = 200


def _seconds(call: Callable[[], object]) -> tuple[float, object]:
    """Return processor time [s] and what the call gave."""
    start = time.process_time()
    result = call()
    return time.process_time() - start, result


def _line(name: str, own: float, loop: float, difference: float) -> None:
    print(
        f"{name:46} {own:9.3f} s, library {loop:9.2f} s, {loop / own:7.0f} times, differ {difference:.1e}",
        flush=True,
    )


def _lives(rng: np.random.Generator, n_groups: int) -> tuple[np.ndarray, ...]:
    """Units that entered late and are cut off: group, entry, age, event."""
    group = np.repeat(np.arange(n_groups), N_UNITS)
    shape = rng.uniform(0.7, 3.0, n_groups)[group]
    entry = rng.uniform(0, 6, len(group))
    life = 8 * ((entry / 8) ** shape + rng.exponential(size=len(group))) ** (1 / shape)
    return group, entry, np.minimum(life, entry + 3), life <= entry + 3


def weibull(rng: np.random.Generator, n_groups: int) -> None:
    group, entry, age, event = _lives(rng, n_groups)
    own, fit = _seconds(lambda: weibull_life(age, event, group, entry))
    n = min(N_LOOPED, n_groups)

    def loop() -> list[tuple[float, float]]:
        found = []
        for g in range(n):
            rows = group == g
            one = WeibullFitter().fit(age[rows], event[rows], entry=entry[rows])
            found.append((one.rho_, one.lambda_))
        return found

    seconds, found = _seconds(loop)
    mine = np.stack([fit.shape.value[:n], fit.scale.value[:n]], axis=1)  # type: ignore[attr-defined]
    worst = np.max(np.abs(mine / np.array(found) - 1))
    _line(f"Weibull, {n_groups} groups of {N_UNITS}", own, seconds * n_groups / n, worst)


def survival(rng: np.random.Generator, n_groups: int) -> None:
    group = np.repeat(np.arange(n_groups), N_UNITS)
    time_days = np.floor(rng.exponential(300, len(group)))
    censor = np.where(rng.random(len(group)) < 0.2, rng.integers(0, DAYS, len(group)), DAYS)
    event, time_days = time_days <= censor, np.minimum(time_days, censor)
    own, fit = _seconds(lambda: kaplan_meier(time_days, event, group, at=DAYS))
    n = min(N_LOOPED, n_groups)

    def loop() -> list[float]:
        return [
            float(KaplanMeierFitter().fit(time_days[group == g], event[group == g]).predict(DAYS))
            for g in range(n)
        ]

    seconds, found = _seconds(loop)
    worst = np.max(np.abs(fit.survival[:n] / np.array(found) - 1))  # type: ignore[attr-defined]
    _line(f"Kaplan-Meier, {n_groups} groups of {N_UNITS}", own, seconds * n_groups / n, worst)


def _between_thresholds(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Bounds of sizes, lower ends on one grid and upper ends on another: no end is both, see `sizes`."""
    true = rng.lognormal(-0.5, 0.6, N_INTERVALS)
    lower, upper = np.geomspace(0.1, 4.0, 2 * N_THRESHOLDS).reshape(N_THRESHOLDS, 2).T
    low_at, high_at = rng.integers(0, N_THRESHOLDS, (2, N_INTERVALS))
    low = np.where(lower[low_at] < true, lower[low_at], 0.0)
    high = np.where(upper[high_at] >= true, upper[high_at], np.inf)
    return low, high


def sizes(rng: np.random.Generator) -> None:
    """The library takes intervals as closed and we as open below: the same where no upper end is a lower one.

    Its log-likelihood pairs weights with intervals in another order than its EM steps do, so that with repeated
    intervals its own test of convergence may never hold: it is timed over LIBRARY_STEPS steps, a lower bound of
    its time. Whether the answers agree is asked of its EM step, which is right: a best answer does not move.
    """
    low, high = _between_thresholds(rng)
    own, fit = _seconds(lambda: size_distribution(low, high, n_bounds=0))
    bounded, _ = _seconds(lambda: size_distribution(low, high))
    theirs, other = _seconds(
        lambda: KaplanMeierFitter().fit_interval_censoring(low, high, max_iter=LIBRARY_STEPS)
    )
    curve = other.survival_function_["NPMLE_estimate_lower"]  # type: ignore[attr-defined]
    known = np.isfinite(fit.right)  # type: ignore[attr-defined]
    worst = np.max(np.abs(1 - fit.share_at_most[known] - curve.loc[fit.right[known]].to_numpy()))  # type: ignore[attr-defined]
    pairs, counts = np.unique(np.stack([low, high], axis=1), axis=0, return_counts=True)
    name = f"NPMLE, {N_INTERVALS} intervals, {len(pairs)} distinct"
    _line(name, own, theirs, _library_step_moves(low, high, pairs, counts, fit.fit.mass))  # type: ignore[attr-defined]
    print(f"  ours with bounds {bounded:.3f} s; library's curve after {LIBRARY_STEPS} steps {worst:.1e} away")
    print(f"  certified: ours is at most {fit.gap:.1e} below the best log-likelihood")  # type: ignore[attr-defined]


def _library_step_moves(
    low: np.ndarray, high: np.ndarray, pairs: np.ndarray, counts: np.ndarray, mass: np.ndarray
) -> float:
    """Largest move of the distribution function in one EM step of the library from our masses."""
    observed = npmle.create_observation_intervals(pairs)
    cells = npmle.create_turnbull_intervals(low, high)
    lookup = npmle.create_turnbull_lookup(cells, observed)
    moved = npmle.E_step_M_step(observed, mass, lookup, counts, 0, False)
    return float(np.max(np.abs(np.cumsum(moved) - np.cumsum(mass))))


def main(n_groups: int) -> None:
    rng = np.random.default_rng(3)
    warnings.simplefilter("ignore")
    weibull(rng, n_groups)
    survival(rng, n_groups)
    sizes(rng)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
