"""The self-learning CUSUM: its identity with the Poisson one, what it pays, how soon it finds a doubling."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.watch import cusum, log_ratio, paid_limit, usual_level


def charts(rng, n, months, mean, shape=4.0, rise_from=None, ratio=2.0):
    """Counts of n series whose levels scatter about 1 as a gamma of that shape, and their expectations."""
    expected = np.full((n, months), float(mean))
    level = rng.gamma(shape, 1 / shape, n)[:, None] * np.ones((1, months))
    if rise_from is not None:
        level[:, rise_from:] *= ratio
    return rng.poisson(level * expected), expected


def signals(counts, expected, paid, shape=4.0, ratio=2.0):
    prior = np.full(len(counts), shape)
    usual = usual_level(counts, expected, prior, prior)
    ratios = log_ratio(counts, expected, usual, ratio)
    return cusum(ratios, 0.0, paid.limit, paid.head_start).is_signal


def test_the_ratio_is_that_of_two_negative_binomial_chances():
    rng = np.random.default_rng(1)
    x, e = rng.poisson(2.0, (3, 8)), rng.uniform(0.2, 3, (3, 8))
    usual = usual_level(x, e, [2.0, 3.0, 4.0], [1.0, 3.0, 5.0])
    chance = [stats.nbinom.logpmf(x, usual.shape, usual.rate / (usual.rate + r * e)) for r in (1.0, 1.7)]
    assert log_ratio(x, e, usual, 1.7) == pytest.approx(chance[1] - chance[0])


def test_with_the_level_known_it_is_the_poisson_cusum():
    """Lucas 1985: C = max(0, C + x - k), k = (m1 - m0)/ln(m1/m0), in units of 1/ln(m1/m0)."""
    x, e = np.array([[1, 3, 0, 2, 5, 4, 2, 6, 1, 3]]), np.full((1, 10), 2.0)
    sure = np.array([1e9])
    mine = cusum(log_ratio(x, e, usual_level(x, e, sure, sure), 2.0), 0.0, 50.0)
    lucas = cusum(x, (4 - 2) / np.log(4 / 2), 50.0)
    assert mine.value / np.log(2) == pytest.approx(lucas.value, abs=1e-5)


def test_nothing_is_learned_from_the_present_month():
    x = np.array([[4, 0, 7]])
    usual = usual_level(x, np.ones((1, 3)), [1.0], [1.0])
    assert usual.expected[0].tolist() == [1.0, 2.5, 5 / 3]


def test_all_charts_together_pay_no_more_than_stated():
    """1000 fleets of 40 charts over 48 months without any change, 20 % paid for so that the test can see it."""
    rng = np.random.default_rng(11)
    paid = paid_limit(40, 48, 0.2)
    counts, expected = charts(rng, 40_000, 48, 1.5)
    false = signals(counts, expected, paid).any(axis=1).reshape(1000, 40).any(axis=1)
    assert 0 < false.mean() <= 0.2


def test_a_doubling_is_found_and_how_soon():
    """100 charts, 5 % paid for over 60 months; the rate of one doubles after 24. Median months until the signal:
    8 at 8 failures a month, 17 at 4; at 1 a month fewer than half are found within three years."""
    rng = np.random.default_rng(12)
    paid = paid_limit(100, 60, 0.05)
    delay = {}
    for mean in (8.0, 4.0, 1.0):
        flags = signals(*charts(rng, 2000, 60, mean, rise_from=24), paid)[:, 24:]
        delay[mean] = np.median(np.where(flags.any(axis=1), flags.argmax(axis=1) + 1, np.inf))
    assert delay[8.0] <= 9
    assert delay[4.0] <= 20
    assert delay[1.0] > 36


def test_limits_grow_with_what_they_must_keep():
    few, many = paid_limit(1, 12, 0.05), paid_limit(1000, 12, 0.05)
    assert few.limit < many.limit
    for n, months, chance in ((1, 12, 0.05), (1000, 120, 0.01)):
        paid = paid_limit(n, months, chance)
        assert n * (months + np.exp(paid.head_start)) * np.exp(-paid.limit) == pytest.approx(chance)
        assert paid.run_length == pytest.approx(np.exp(paid.limit) - np.exp(paid.head_start))


def test_chart_starts_again_after_a_signal_and_skips_missing_months():
    """After a signal the sum begins at the head start; a month without a count changes nothing."""
    chart = cusum([6, 0, np.nan, 5], 2, 4, head_start=1)
    assert chart.value.tolist() == [5.0, 0.0, 0.0, 3.0]
    assert chart.is_signal.tolist() == [True, False, False, False]


def test_changing_expectation_changes_the_reference():
    """Many charts at once, a reference for every month of each."""
    chart = cusum([[3, 3], [3, 3]], [[1, 2], [3, 4]], [3, 3])
    assert chart.value.tolist() == [[2.0, 3.0], [0.0, 0.0]]
    assert chart.is_signal.tolist() == [[False, True], [False, False]]
