"""Intervals against published tables and second libraries."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from pipeline.statistics.intervals import (
    clopper_pearson_interval,
    poisson_interval,
    rate_interval,
    wilson_interval,
)

# F. Garwood, Biometrika 28 (1936) 437-442; 3 digits are the classic table [recalled], 6 digits agree between
# scipy's chi2, statsmodels and R epitools [two libraries].
GARWOOD = [
    (0, 0, 3.688879, 0, 5.298317),
    (1, 0.025318, 5.571643, 0.005013, 7.430130),
    (2, 0.242209, 7.224688, 0.103495, 9.273792),
    (3, 0.618672, 8.767273, 0.337863, 10.977477),
    (5, 1.623486, 11.668332, 1.077928, 14.149759),
    (10, 4.795389, 18.390356, 3.716922, 21.397827),
    (20, 12.216520, 30.888378, 10.353268, 34.667999),
    (50, 37.110964, 65.918767, 33.663782, 71.266088),
    (100, 81.363991, 121.626794, 76.120496, 128.760580),
]

# R. Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I: Wilson 81/263 is 0.2553-0.3662 [recalled];
# 6 digits by statsmodels and scipy [two libraries].
WILSON = [
    (81, 263, 0.255289, 0.366210),
    (15, 148, 0.062386, 0.160487),
    (0, 20, 0.0, 0.161125),
    (1, 29, 0.006113, 0.171755),
    (5, 20, 0.111862, 0.468701),
]

# L. Brown, T. Cai, A. DasGupta, Statistical Science 16 (2001) section 2: coverage of the Wald interval
# [recalled]; Wilson's at the same points by exact enumeration [one computation].
COVERAGE = [
    (17, 0.5, 0.951, 0.9510),
    (18, 0.5, 0.904, 0.9691),
    (19, 0.5, 0.936, 0.9364),
    (20, 0.5, 0.959, 0.9586),
    (40, 0.5, 0.919, 0.9615),
    (30, 0.2, 0.946, 0.9639),
    (98, 0.2, 0.928, 0.9576),
    (591, 0.005, 0.945, 0.9691),
    (592, 0.005, 0.792, 0.9688),
]


@pytest.mark.parametrize(("x", "low95", "high95", "low99", "high99"), GARWOOD)
def test_garwood_table(x, low95, high95, low99, high99):
    """The exact Poisson limits are Garwood's at 95 and 99 %."""
    got = [float(b[0]) for level in (0.95, 0.99) for b in poisson_interval([x], level)]
    assert got == pytest.approx([low95, high95, low99, high99], abs=6e-7)


def test_garwood_equals_statsmodels_over_a_range():
    """Every count up to 400 gets statsmodels' exact limits; 0 has its closed form."""
    x = np.arange(1, 401)
    low, high = poisson_interval(x)
    want = np.array([confint_poisson(k, 1, method="exact-c") for k in x])
    assert low == pytest.approx(want[:, 0], rel=1e-10)
    assert high == pytest.approx(want[:, 1], rel=1e-10)
    assert float(poisson_interval([0]).high[0]) == pytest.approx(-np.log(0.025), rel=1e-12)


def test_garwood_is_not_byar():
    """Byar's approximation (Breslow and Day 1987) is near at x = 10 and told apart."""
    low, high = poisson_interval([10])
    assert abs(float(low[0]) - 4.787450) > 5e-3
    assert abs(float(high[0]) - 18.391459) > 5e-4


@pytest.mark.parametrize(("k", "n", "low", "high"), WILSON)
def test_wilson_table(k, n, low, high):
    """Wilson's limits are Newcombe's, and statsmodels'."""
    got = [float(b[0]) for b in wilson_interval([k], [n])]
    assert got == pytest.approx([low, high], abs=6e-7)
    assert got == pytest.approx(proportion_confint(k, n, method="wilson"), abs=1e-12)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_clopper_pearson_table(k, n, low, high):
    """The limits of Newcombe (1998), table I, method 5, and of scipy."""
    got = [float(b[0]) for b in clopper_pearson_interval([k], [n])]
    assert got == pytest.approx([low, high], abs=6e-5)
    exact = stats.binomtest(k, n).proportion_ci(0.95, "exact")
    assert got == pytest.approx([exact.low, exact.high], abs=1e-12)


@pytest.mark.parametrize(("n", "p", "wald", "wilson"), COVERAGE)
def test_exact_coverage_of_wilson(n, p, wald, wilson):
    """Enumerated coverage: the Wald interval's is as published, which proves the yardstick; ours is Wilson's."""
    x = np.arange(n + 1)
    share = x / n
    half = stats.norm.ppf(0.975) * np.sqrt(share * (1 - share) / n)
    chance = stats.binom.pmf(x, n, p)
    assert chance[(share - half <= p) & (p <= share + half)].sum() == pytest.approx(wald, abs=6e-4)
    low, high = wilson_interval(x, n)
    assert chance[(low <= p) & (p <= high)].sum() == pytest.approx(wilson, abs=6e-5)


@pytest.mark.parametrize("mean", [0.3, 1.0, 3.7, 12.0, 60.0])
def test_exact_coverage_of_garwood(mean):
    """Garwood's interval covers with at least its level at every mean (its definition)."""
    x = np.arange(400)
    low, high = poisson_interval(x)
    assert stats.poisson.pmf(x, mean)[(low <= mean) & (mean <= high)].sum() >= 0.95


def test_rate_interval_is_garwood_over_exposure():
    """A rate's bounds are the count's over the exposure: 10 failures in 4 vehicle-years."""
    rate, low, high = (float(v[0]) for v in rate_interval([10], [4.0]))
    assert (rate, low, high) == pytest.approx((2.5, 4.795389 / 4, 18.390356 / 4), abs=2e-7)
