"""How fast the grouped estimators are against a loop of a good library over the groups, and whether they agree.

Run by hand: `uv run python -m tests.benchmarks.bench_statistics [GROUPS]` (default 2000 groups of 100 units; the
library runs 100 groups of them, and its time is scaled up to all; its one fit of 100,000 intervals takes minutes).
Prints seconds of processor time, ratios and the largest relative difference; asserts nothing.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
from lifelines import KaplanMeierFitter, WeibullFitter

from pipeline.statistics.censored_sizes import size_distribution
from pipeline.statistics.life import weibull_life
from pipeline.statistics.survival import kaplan_meier

N_UNITS = 100
N_LOOPED = 100
DAYS = 90
N_INTERVALS = 100_000


def _seconds(call: Callable[[], object]) -> tuple[float, object]:
    """Return processor time [s] and what the call gave."""
    start = time.process_time()
    result = call()
    return time.process_time() - start, result


def _line(name: str, own: float, loop: float, difference: float) -> None:
    print(f"{name:44} {own:9.3f} s, library {loop:9.2f} s, {loop / own:7.0f} times, differ {difference:.1e}")


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


def sizes(rng: np.random.Generator) -> None:
    """Thresholds on two grids of about 65 values: some 4,000 distinct pairs."""
    true = rng.lognormal(-0.5, 0.6, N_INTERVALS)
    grid = np.round(np.geomspace(0.1, 4.0, 64), 3)
    low_at = rng.integers(0, 64, N_INTERVALS)
    high_at = rng.integers(0, 64, N_INTERVALS)
    below = np.where(grid[low_at] < true, grid[low_at], 0.0)
    above = np.where(grid[high_at] >= true, grid[high_at], np.inf)
    low, high = np.minimum(below, above), above
    pairs, counts = np.unique(np.stack([low, high], axis=1), axis=0, return_counts=True)
    own, fit = _seconds(lambda: size_distribution(pairs[:, 0], pairs[:, 1], counts, 0.95))

    def library() -> KaplanMeierFitter:
        # The library takes intervals as closed: a hair above the lower end makes them (L, R].
        lower = np.where(low > 0, low + 1e-9, 0.0)
        return KaplanMeierFitter().fit_interval_censoring(lower, high, tol=1e-7)

    seconds, other = _seconds(library)
    curve = other.survival_function_.iloc[:, 0]  # type: ignore[attr-defined]
    # The library's curve drops after the upper end of an interval that carries mass: read it before the next one's.
    right, share = fit.right, fit.share_at_most  # type: ignore[attr-defined]
    read_at = np.append(right[1:], np.inf) - 1e-7
    there = curve.to_numpy()[np.searchsorted(curve.index.to_numpy(), read_at, side="right") - 1]
    worst = np.max(np.abs(1 - share[:-1] - there[:-1]), initial=0.0)
    _line(f"NPMLE, {N_INTERVALS} intervals, {len(pairs)} distinct", own, seconds, float(worst))


def main(n_groups: int) -> None:
    rng = np.random.default_rng(3)
    warnings.simplefilter("ignore")
    weibull(rng, n_groups)
    survival(rng, n_groups)
    sizes(rng)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
