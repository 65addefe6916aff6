"""Censored sizes on degenerate input, invariances, certificates and coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.statistics import lognormal
from pipeline.statistics.censored_sizes import (
    ABOVE_RANGE,
    BELOW_DETECTION,
    NO_SIZES,
    NOT_RESOLVED,
    median,
    share_over,
    size_distribution,
)
from pipeline.statistics.lognormal import lognormal_fit
from pipeline.statistics.npmle import cells_of, distinct_intervals, maximize

INF = float("inf")
INTERVALS = st.lists(
    st.tuples(st.integers(0, 12), st.one_of(st.integers(0, 8), st.just(INF)), st.integers(1, 5)),
    min_size=1,
    max_size=25,
)


def columns(rows):
    low, width, count = np.array(rows, float).T
    return low, low + width, count


def measured(rng, n, precise=0.1):
    """Sizes as traces give them: each within its own bounds, under 0.3 only that, over 2 only that."""
    size = rng.lognormal(-0.3, 0.7, n)
    below = rng.uniform(0, 2 * precise, n)
    low, high = size * np.exp(-below), size * np.exp(2 * precise - below)
    low, high = np.where(size < 0.3, 0, low), np.where(size < 0.3, 0.3, high)
    return np.where(size > 2, 2, low), np.where(size > 2, INF, high)


def test_no_sizes_say_so():
    """Nothing, and rows that say nothing or cannot be: no distribution, no median, no share, a reason."""
    for low, high in (([], []), ([np.nan, 0, 3, -1, INF], [1, INF, 2, 2, INF])):
        sizes = size_distribution(low, high)
        assert (len(sizes.mass), sizes.n) == (0, 0)
        for answer in (median(sizes), share_over(sizes, 0.5)):
            assert np.isnan([answer.value, answer.low, answer.high]).all()
            assert answer.reason == NO_SIZES


def test_all_too_tight_to_tell():
    """Ten traces under 0.3 mm: no median, but an upper bound; none over 0.5 mm, with what ten can prove."""
    sizes = size_distribution([0] * 10, [0.3] * 10)
    middle, over = median(sizes), share_over(sizes, 0.5)
    assert np.isnan(middle.value)
    assert (middle.high, middle.reason) == (0.3, BELOW_DETECTION)
    assert over[:3] == pytest.approx((0.0, 0.0, 1 - np.exp(-3.841458820694124 / 20)), abs=1e-9)


def test_all_too_large_to_tell():
    """Ten gross leaks over 2 mm: no median, a lower bound; all over 1 mm; over 3 mm nobody knows."""
    sizes = size_distribution([2] * 10, [INF] * 10)
    middle = median(sizes)
    assert np.isnan(middle.value)
    assert (middle.low, middle.reason) == (2.0, ABOVE_RANGE)
    assert share_over(sizes, 1.0).value == 1.0
    beyond = share_over(sizes, 3.0)
    assert (beyond.low, beyond.high, beyond.reason) == (0.0, 1.0, NOT_RESOLVED)
    assert np.isnan(beyond.value)


def test_a_size_inside_a_wide_interval_has_bounds_but_no_value():
    """Tight-to-0.7 says nothing of 0.5: no invented split."""
    answer = share_over(size_distribution([0] * 6, [0.7] * 6), 0.5)
    assert np.isnan(answer.value)
    assert (answer.low, answer.high) == (0.0, 1.0)


def test_one_size():
    """One trace between 0.4 and 0.6 mm."""
    sizes = size_distribution([0.4], [0.6])
    assert median(sizes).value == pytest.approx(0.5)
    assert share_over(sizes, 0.3).value == 1.0
    assert share_over(sizes, 0.3).low == pytest.approx(np.exp(-3.841458820694124 / 2), abs=1e-9)


def test_ends_belong_to_the_left():
    """(1, 2] and (2, 3] share nothing: a size of 2 lies in the first."""
    sizes = size_distribution([1, 2], [2, 3])
    assert sizes.right.tolist() == [2.0, 3.0]
    assert share_over(sizes, 2.0).value == pytest.approx(0.5)


@settings(max_examples=60)
@given(rows=INTERVALS)
def test_every_fit_is_certified(rows):
    """Whatever the intervals, the masses add up to 1 and the optimum is at most 1e-7 away."""
    low, high, count = columns(rows)
    intervals = distinct_intervals(low, high, count)
    if not len(intervals.low):
        return
    cells = cells_of(intervals)
    fit = maximize(cells)
    assert fit.mass.sum() == pytest.approx(1, abs=1e-12)
    assert (fit.mass >= 0).all()
    assert fit.gap < 1e-7
    ends = zip(intervals.low, intervals.high, strict=True)
    probability = [fit.mass[(cells.left >= a) & (cells.right <= b)].sum() for a, b in ends]
    assert fit.log_likelihood == pytest.approx(float(intervals.weight @ np.log(probability)), abs=1e-9)


@settings(max_examples=25)
@given(rows=INTERVALS, scale=st.sampled_from([0.0254, 4.0, 1000.0]), order=st.randoms(use_true_random=False))
def test_unit_order_and_counts_change_nothing(rows, scale, order):
    """Millimeters or inches, any order, a count or that many rows: the same distribution."""
    low, high, count = columns(rows)
    sizes = size_distribution(low, high, count, n_bounds=0)
    each = [(a, b) for a, b, k in zip(low, high, count, strict=True) for _ in range(int(k))]
    order.shuffle(each)
    again = size_distribution(*(np.array(each).T * scale), n_bounds=0)
    assert again.log_likelihood == pytest.approx(sizes.log_likelihood, abs=1e-8, nan_ok=True)
    assert again.n == sizes.n


@settings(max_examples=25)
@given(rows=INTERVALS, size=st.floats(0.5, 25))
def test_bounds_hold_the_estimate_and_narrow_with_the_level(rows, size):
    """Low <= value <= high for shares, median and curve; the 50 % bounds lie inside the 95 % ones."""
    low, high, count = columns(rows)
    wide, narrow = (size_distribution(low, high, count, level) for level in (0.95, 0.5))
    outer, inner = share_over(wide, size), share_over(narrow, size)
    if not wide.n:
        return
    assert 0 <= outer.low <= inner.low + 1e-6
    assert inner.low <= inner.high + 1e-9
    assert inner.high <= outer.high + 1e-6 <= 1 + 2e-6
    if not np.isnan(outer.value):
        assert inner.low - 1e-6 <= outer.value <= inner.high + 1e-6
    known = np.isfinite(wide.low)
    assert (wide.low[known] <= wide.share_at_most[known] + 1e-6).all()
    assert (wide.share_at_most[known] <= wide.high[known] + 1e-6).all()
    middle = median(wide)
    if not np.isnan(middle.value):
        assert np.isnan(middle.low) or middle.low <= middle.value + 1e-9
        assert np.isnan(middle.high) or middle.value <= middle.high + 1e-9


def test_many_distinct_intervals_are_fast_and_certified():
    """20,000 traces, each with bounds of its own to three decimals: certified."""
    low, high = measured(np.random.default_rng(5), 20_000)
    sizes = size_distribution(low.round(3), high.round(3) + 0.001, n_bounds=2)
    assert sizes.gap < 1e-6
    assert share_over(sizes, 1.0).value == pytest.approx(0.334, abs=0.02)


def likeliest_with_share_below(low, high, size, share):
    """Log-likelihood of the best distribution with that share at or below a size: plain EM over every stretch
    between two ends, each side scaled to its share."""
    ends = np.unique(np.concatenate([[0, size], low, high]))
    left, right = ends[:-1], ends[1:]
    inside = ((low[:, None] <= left) & (right <= high[:, None])).astype(float)
    below = right <= size
    mass = np.where(below, share / below.sum(), (1 - share) / (~below).sum())
    for _ in range(6000):
        mass = mass * (inside / (inside @ mass)[:, None]).sum(axis=0)
        mass *= np.where(below, share / mass[below].sum(), (1 - share) / mass[~below].sum())
    return np.log(inside @ mass).sum()


@pytest.mark.parametrize("size", [0.35, 0.5, 0.77, 1.0, 1.6])
def test_bounds_lie_where_the_likelihood_ratio_is_chi_square(size):
    """At either bound twice the drop of the log-likelihood, found by another algorithm, is 3.8415."""
    low, high = measured(np.random.default_rng(3), 60, precise=0.25)
    sizes = size_distribution(low, high, n_bounds=0)
    answer = share_over(sizes, size)
    for share in (1 - answer.low, 1 - answer.high):
        drop = sizes.log_likelihood - likeliest_with_share_below(low, high, size, share)
        assert 2 * drop == pytest.approx(3.841459, abs=2e-3)


def test_bounds_cover_sizes_known_to_an_interval():
    """120 groups of 80 traces: 95 % bounds of the share over 1.0 mm hold the truth in at least 93 %."""
    rng = np.random.default_rng(67)
    truth = 1 - lognormal.special.ndtr((np.log(1.0) + 0.3) / 0.7)
    answers = [share_over(size_distribution(*measured(rng, 80), n_bounds=0), 1.0) for _ in range(120)]
    assert np.mean([a.low <= truth <= a.high for a in answers]) >= 0.93
    assert np.mean([a.high - a.low for a in answers]) < 0.26


def test_median_bounds_cover():
    """60 groups of 60 traces: 95 % bounds of the median hold exp(-0.3) in at least 93 %."""
    rng = np.random.default_rng(71)
    answers = [median(size_distribution(*measured(rng, 60), n_bounds=0)) for _ in range(60)]
    assert np.mean([a.low <= np.exp(-0.3) <= a.high for a in answers]) >= 0.93


def test_lognormal_bounds_cover():
    """600 groups of 60 traces in one pass: 95 % bounds of median and sigma hold the truth in 93 to 97 %."""
    rng = np.random.default_rng(73)
    fit = lognormal_fit(*measured(rng, 36_000), groups=np.repeat(np.arange(600), 60))
    assert (fit.reason == "").all()
    for estimate, truth in ((fit.median, np.exp(-0.3)), (fit.sigma, 0.7)):
        assert 0.93 <= np.mean((estimate.low <= truth) & (truth <= estimate.high)) <= 0.97


@pytest.mark.parametrize(
    ("low", "high", "reason"),
    [
        ([], [], lognormal.NO_SIZES),
        ([np.nan, 0], [1, INF], lognormal.NO_SIZES),
        ([0.5], [0.7], lognormal.ONE_POINT),
        ([1, 1, 1], [1, 1, 1], lognormal.ONE_POINT),
        ([0, 0], [0.3, 0.4], lognormal.ONE_POINT),
        ([0, 1], [1, INF], lognormal.ONE_POINT),
        ([0, 5], [1, INF], lognormal.TOO_WIDE),
    ],
)
def test_lognormal_says_when_there_is_no_fit(low, high, reason):
    """Nothing, one size, all tight, one threshold, nothing between two far ones: no number, a reason."""
    fit = lognormal_fit(low, high)
    assert fit.reason.tolist() == [reason]
    assert np.isnan([fit.mu, fit.sigma.value, fit.median.low, fit.median.high, fit.log_likelihood]).all()
    assert np.isnan(fit.share_at_most([0.5])).all()


def test_lognormal_of_known_sizes_is_mean_and_standard_deviation_of_logs():
    """All sizes known: the closed form, and scipy's log-likelihood."""
    x = np.random.default_rng(79).lognormal(-0.4, 0.6, 200)
    fit = lognormal_fit(x, x)
    mu, sigma = np.log(x).mean(), np.log(x).std()
    assert (float(fit.mu[0]), float(fit.sigma.value[0])) == pytest.approx((mu, sigma), rel=1e-9)
    log_density = -np.log(x * sigma * np.sqrt(2 * np.pi)) - (np.log(x) - mu) ** 2 / (2 * sigma**2)
    assert float(fit.log_likelihood[0]) == pytest.approx(log_density.sum(), rel=1e-12)
    assert fit.share_at_most([np.exp(mu), 0.0])[0].tolist() == pytest.approx([0.5, 0.0])


@pytest.mark.parametrize("n_told", [2, 5, 9])
def test_half_of_the_last_intervals_mass_without_an_upper_end_is_not_most_of_it(n_told):
    """One size with an upper end in the last interval, one without: exactly half, whatever rounding makes of it."""
    low = np.append(np.linspace(0.2, 0.3, n_told), [2.25, 2.29])
    high = np.append(np.linspace(0.4, 0.5, n_told), [2.68, np.inf])
    assert not size_distribution(low, high).is_tail_open
    assert size_distribution(np.append(low, 2.3), np.append(high, np.inf)).is_tail_open
