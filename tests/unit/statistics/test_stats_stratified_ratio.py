"""Rates compared stratum by stratum: one stratum is the exact test, many keep their level and hold the truth."""

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.stratified_ratio import stratified_ratio

ONE = np.zeros(1, np.int64)


def test_one_stratum_is_the_exact_conditional_comparison():
    found = stratified_ratio([30], [200.0], [10], [330.0], ONE, 1, 0.95)
    exact = stats.binomtest(30, 40).proportion_ci(0.95, "exact")
    assert found.ratio[0] == pytest.approx((30 / 200) / (10 / 330), rel=1e-9)
    assert found.expected[0] == pytest.approx(10 * 200 / 330, rel=1e-9)
    assert found.p_value[0] == pytest.approx(stats.binomtest(30, 40, 200 / 530).pvalue, rel=1e-9)
    for got, share in ((found.low, exact.low), (found.high, exact.high)):
        assert got[0] == pytest.approx(share / (1 - share) * 330 / 200, rel=1e-9)


def test_a_mix_of_ages_makes_no_difference_where_each_age_has_none():
    """The group is old and old ones fail ten times as often: taken together it fails more, age for age it does not."""
    own, others = np.array([2, 90]), np.array([18, 10])
    found = stratified_ratio(own, [100.0, 450.0], others, [900.0, 50.0], np.array([0, 0]), 1, 0.95)
    assert found.ratio[0] == pytest.approx(1.0, abs=1e-9)
    assert found.expected[0] == pytest.approx(92, abs=1e-6)
    assert found.p_value[0] == pytest.approx(1.0)


def test_strata_in_which_one_side_was_not_there_tell_nothing():
    alone = stratified_ratio([5, 40], [10.0, 10.0], [5, 0], [10.0, 0.0], np.array([0, 0]), 1, 0.95)
    assert (alone.n[0], alone.n_own[0], alone.ratio[0]) == (10, 5, pytest.approx(1.0))


def test_none_on_one_side_and_nothing_at_all():
    found = stratified_ratio([0, 4, 0], [1.0] * 3, [6, 0, 0], [2.0] * 3, np.arange(3), 3, 0.95)
    assert found.ratio[:2].tolist() == [0.0, np.inf]
    assert found.expected[:2].tolist() == [3.0, 0.0]
    assert (found.low[0], found.high[1]) == (0.0, np.inf)
    assert np.isnan([found.ratio[2], found.expected[2], found.low[2], found.p_value[2]]).all()


def test_bounds_hold_the_ratio_and_the_test_keeps_its_level():
    """Ages at which the group is rare and ages at which it is nearly alone; 4000 comparisons of each ratio."""
    rng = np.random.default_rng(3)
    t, u = np.array([5.0, 20, 60, 90, 30]), np.array([95.0, 80, 40, 10, 3])
    rate = np.array([0.02, 0.05, 0.1, 0.2, 0.4])
    n, row = 4000, np.repeat(np.arange(4000), 5)
    for ratio in (1.0, 3.0):
        own, others = rng.poisson(ratio * rate * t, (n, 5)), rng.poisson(rate * u, (n, 5))
        found = stratified_ratio(own.ravel(), np.tile(t, n), others.ravel(), np.tile(u, n), row, n, 0.95)
        held = ((found.low <= ratio) & (ratio <= found.high)).mean()
        assert 0.95 <= held <= 0.99
        assert np.median(found.ratio) == pytest.approx(ratio, rel=0.05)
        rejected = (found.p_value < 0.05).mean()
        assert rejected <= 0.05 if ratio == 1.0 else rejected > 0.8
