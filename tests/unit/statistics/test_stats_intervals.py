"""Intervals and tests on degenerate input, and what must hold for any input."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.statistics.comparison import benjamini_hochberg, conditional_rate_test
from pipeline.statistics.intervals import (
    clopper_pearson_interval,
    normal_quantile,
    poisson_interval,
    rate_interval,
    wilson_interval,
)

COUNTS = st.integers(0, 10_000)
LEVELS = st.floats(0.5, 0.999)


@pytest.mark.parametrize("level", [0.0, 1.0, -1.0, 95.0])
def test_level_is_a_probability(level):
    """A level of 95 is a mistake and is told."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_quantile(level)


def test_missing_is_nan_never_a_number():
    """NaN, negative counts, no exposure, no trials, more successes than trials: NaN."""
    assert np.isnan(poisson_interval([np.nan, -1])).all()
    assert np.isnan(rate_interval([3, 3, 3, 0], [0.0, -1.0, np.nan, 0.0])).all()
    assert np.isnan(wilson_interval([0, 5, np.nan, -1], [0, 3, 10, 10])).all()
    assert np.isnan(clopper_pearson_interval([5, np.nan, -1], [3, 10, 10])).all()


def test_no_rows_give_no_rows():
    """Empty input is ordinary."""
    assert all(len(v) == 0 for v in (*poisson_interval([]), *rate_interval([], []), *wilson_interval([], [])))
    assert len(conditional_rate_test([], [], [], [])) == 0
    assert len(benjamini_hochberg([])) == 0


def test_ends_are_exact():
    """No event has lower bound 0; no success 0 and no failure 1, exactly."""
    assert poisson_interval([0]).low[0] == 0
    low, high = wilson_interval([0, 7], [7, 7])
    assert (low[0], high[1]) == (0.0, 1.0)
    low, high = clopper_pearson_interval([0, 7, 0], [7, 7, 0])
    assert (low[0], high[1], low[2], high[2]) == (0.0, 1.0, 0.0, 1.0)


@given(x=COUNTS, level=LEVELS)
def test_garwood_holds_the_count_and_grows_with_the_level(x, level):
    """The interval holds the count, lies at or above 0, and widens with the level."""
    low, high = (float(b[0]) for b in poisson_interval([x], level))
    wider = [float(b[0]) for b in poisson_interval([x], (1 + level) / 2)]
    assert 0 <= wider[0] <= low <= x < high <= wider[1]


@given(n=st.integers(1, 5000), data=st.data(), level=LEVELS)
def test_wilson_is_symmetric_and_holds_the_share(n, data, level):
    """Counting failures instead of successes mirrors the interval; it holds k/n and stays within 0..1."""
    k = data.draw(st.integers(0, n))
    low, high = (float(b[0]) for b in wilson_interval([k], [n], level))
    mirror_low, mirror_high = (float(b[0]) for b in wilson_interval([n - k], [n], level))
    assert 0 <= low <= k / n <= high <= 1
    assert (low, high) == pytest.approx((1 - mirror_high, 1 - mirror_low), abs=1e-12)


@given(x=st.integers(0, 200), rest=st.integers(0, 200), t=st.floats(0.01, 100), t_rest=st.floats(0.01, 100))
def test_conditional_test_does_not_depend_on_the_unit_or_the_side(x, rest, t, t_rest):
    """p is a probability, the same in years and in days, and the same with the two sides exchanged."""
    p = float(conditional_rate_test([x], [t], [rest], [t_rest])[0])
    if x + rest == 0:
        assert np.isnan(p)
        return
    assert 0 < p <= 1 or p == pytest.approx(0, abs=1e-200)
    assert float(conditional_rate_test([rest], [t_rest], [x], [t])[0]) == pytest.approx(p, rel=1e-6)
    assert float(conditional_rate_test([x], [t * 512], [rest], [t_rest * 512])[0]) == p


def test_conditional_test_says_nothing_without_exposure():
    """No exposure on a side, no events at all, half a count, an endless one: NaN."""
    inf = np.inf
    p = conditional_rate_test(
        [1, 1, 0, 0.5, np.nan, inf], [0, 1, 1, 1, 1, 1], [1, 1, 0, 1, 1, 1], [1, 0, 1, 1, 1, 1]
    )
    assert np.isnan(p).all()


def test_conditional_test_rejects_equal_rates_no_more_often_than_it_says():
    """2000 pairs with the same rate: at most 5 % have p < 0.05 (exact tests are conservative)."""
    rng = np.random.default_rng(21)
    t, t_rest = rng.uniform(1, 40, 2000), rng.uniform(1, 400, 2000)
    p = conditional_rate_test(rng.poisson(0.4 * t), t, rng.poisson(0.4 * t_rest), t_rest)
    assert np.nanmean(p < 0.05) <= 0.05


@given(st.lists(st.one_of(st.floats(0, 1), st.just(float("nan"))), max_size=40))
def test_q_values_keep_order_and_missing(p):
    """q >= p, keeps the order of p, and what was not tested changes nothing."""
    p = np.array(p, float)
    q = benjamini_hochberg(p)
    tested = ~np.isnan(p)
    assert np.array_equal(np.isnan(q), ~tested)
    assert (q[tested] >= p[tested]).all()
    assert (q[tested] <= 1).all()
    assert (np.diff(q[tested][np.argsort(p[tested], kind="stable")]) >= 0).all()
    assert q[tested] == pytest.approx(benjamini_hochberg(p[tested]))


def test_families_are_corrected_each_by_itself():
    p, family = np.array([0.01, 0.02, 0.03, np.nan, 0.04]), np.array([1, 0, 1, 1, 0])
    q = benjamini_hochberg(p, family)
    for label in (0, 1):
        assert q[family == label] == pytest.approx(benjamini_hochberg(p[family == label]), nan_ok=True)
