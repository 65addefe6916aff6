"""Chances and the order of looking against SciPy and against every other order."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.cause_shares import cause_shares, log_likelihood
from pipeline.statistics.search_order import search_order, time_to_fault


def test_the_likelihood_is_that_of_scipy() -> None:
    """Reference library: scipy.stats.dirichlet_multinomial, whose probabilities hold the multinomial coefficient."""
    rng = np.random.default_rng(3)
    expected = rng.dirichlet(np.ones(4), size=20)
    counts = rng.multinomial(rng.integers(1, 40, 20), expected).astype(float)
    precision = rng.uniform(0.5, 200, 20)
    ours = log_likelihood(counts, expected, precision)
    for i in range(20):
        n = counts[i].astype(int)
        theirs = stats.dirichlet_multinomial.logpmf(n, precision[i] * expected[i], n.sum())
        coefficient = stats.multinomial.logpmf(n, n.sum(), np.full(4, 0.25)) + n.sum() * np.log(4)
        assert ours[i] == pytest.approx(theirs - coefficient, rel=1e-9)


def test_the_whole_has_the_reference_posterior() -> None:
    """Prior 1/k (Berger, Bernardo, Sun 2015, see `cause_shares`); bounds of the marginal from scipy.stats.beta."""
    whole = np.array([7.0, 2.0, 0.0, 1.0])
    one = whole[None, :]
    got = cause_shares(one, np.array([0]), np.array([0]), one, one, whole, 0.9).whole
    law = stats.beta(whole + 0.25, whole.sum() + 1 - whole - 0.25)
    np.testing.assert_allclose(got.mean[0], law.mean(), rtol=1e-12)
    np.testing.assert_allclose(got.low[0], np.where(law.ppf(0.05) < 1e-12, 0, law.ppf(0.05)), rtol=1e-8)
    np.testing.assert_allclose(got.high[0], law.ppf(0.95), rtol=1e-8)


@pytest.mark.parametrize("seed", range(20))
def test_no_order_finds_the_fault_sooner(seed: int) -> None:
    """W. E. Smith, Naval Research Logistics Quarterly 3 (1956) 59-66, from memory: ratio rule; here all 720 orders."""
    rng = np.random.default_rng(seed)
    chance, minutes, group = rng.dirichlet(np.ones(6)), rng.uniform(1, 60, 6), np.zeros(6, int)
    ours = time_to_fault(chance, minutes, group, search_order(chance, minutes, group))[0]
    every = [np.dot(chance[list(o)], np.cumsum(minutes[list(o)])) for o in permutations(range(6))]
    assert ours == pytest.approx(min(every), rel=1e-12)
