"""Compiled readings of a stretch against NumPy's."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.traces.ranges import MOST_SORTED, ROOM, extremes, least_step, line, mean, median, middle_of

RNG = np.random.default_rng(6)
KINDS = {
    "spread evenly": lambda n: RNG.uniform(-3e3, 40, n),
    "in steps": lambda n: np.round(RNG.normal(0, 2, n)) * 12.5,
    "two levels": lambda n: RNG.choice([-2000.0, 0.0], n),
    "two levels, as many of each": lambda n: np.arange(n) % 2 * 5.0,
    "one level": lambda n: np.full(n, -7.25),
    "with spikes": lambda n: np.abs(RNG.standard_cauchy(n)),
    "one far away": lambda n: np.append(RNG.normal(size=n - 1), 1e12),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("n", [1, 2, 3, 32, 33, 34, 100, MOST_SORTED - 1, MOST_SORTED])
def test_the_median_is_that_of_numpy(kind, n):
    for _ in range(5):
        values, room = KINDS[kind](n), np.full(ROOM, np.nan)
        room[:n] = values
        assert middle_of(room, n) == np.median(values)


def test_a_median_of_many_is_that_of_evenly_spread_ones_and_of_finite_ones():
    values = RNG.normal(size=3 * MOST_SORTED)
    values[::9] = np.nan
    assert median(values, 0, len(values), np.empty(ROOM)) == np.nanmedian(values[::3])
    assert np.isnan(median(np.full(40, np.nan), 0, 40, np.empty(ROOM)))


def test_mean_extremes_and_line_are_those_of_numpy():
    x, y = np.sort(RNG.uniform(0, 60, 501)), RNG.normal(-1500, 30, 501)
    assert_allclose(mean(y, 3, 490), y[3:490].mean(), rtol=1e-14)
    assert np.isnan(mean(y, 5, 5))
    assert_array_equal(extremes(y, 3, 490), (y[3:490].min(), y[3:490].max()))
    slope, error, _, r2 = line(x, y, 3, 490)
    (expected, _), covariance = np.polyfit(x[3:490], y[3:490], 1, cov=True)
    assert_allclose(slope, expected, rtol=1e-9)
    assert_allclose(error, np.sqrt(covariance[0, 0]), rtol=1e-9)
    assert_allclose(r2, np.corrcoef(x[3:490], y[3:490])[0, 1] ** 2, rtol=1e-9)
    assert np.isnan(line(x, y, 3, 5)[0])


def test_the_least_step_is_that_between_unequal_neighbors():
    stairs = np.repeat([0.0, 12.5, 50.0, 37.5 + 5.0, 42.5], 4)
    assert least_step(stairs, 0, len(stairs)) == 7.5
    assert least_step(stairs, 0, 12) == 12.5
    for even in (stairs[:4], stairs[:1], stairs[:0]):
        assert least_step(even, 0, len(even)) == 0.0
