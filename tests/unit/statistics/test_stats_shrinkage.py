"""Shrinkage on degenerate input, groups in one pass, and its coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.statistics.dispersion_score import dispersion_score, log_likelihood
from pipeline.statistics.intervals import poisson_interval
from pipeline.statistics.shrinkage import NO_FAILURES, NO_OVER_DISPERSION, gamma_poisson


def test_no_failures_give_no_rate_and_a_reason():
    """A component that never failed anywhere has no shrunk rate."""
    fit = gamma_poisson([0, 0, 0], [10.0, 20.0, 5.0])
    assert np.isnan([*fit.mean, *fit.low, *fit.high, *fit.shape]).all()
    assert fit.reason[0] == NO_FAILURES


def test_no_rows():
    """Nothing in, nothing out."""
    assert len(gamma_poisson([], [], []).mean) == 0


@pytest.mark.parametrize(
    ("x", "t"), [([7], [2.0]), ([3, 3, 3], [1.0, 1.0, 1.0]), ([2, 5, 1], [20.0, 40.0, 15.0])]
)
def test_equal_rates_are_pooled_with_exact_bounds(x, t):
    """One model, or models that differ no more than chance: the pooled rate with Garwood's bounds."""
    fit = gamma_poisson(x, t)
    low, high = poisson_interval([sum(x)])
    want = [sum(x) / sum(t), float(low[0]) / sum(t), float(high[0]) / sum(t)]
    for row in range(len(x)):
        assert [float(v[row]) for v in (fit.mean, fit.low, fit.high)] == pytest.approx(want, rel=1e-12)
    assert fit.reason[0] == NO_OVER_DISPERSION
    assert np.isinf(fit.shape[0])


def test_rows_without_exposure_are_left_out_and_do_not_disturb():
    """Exposure 0, negative or missing, a missing count, no group: NaN there, the others as if alone."""
    x, t = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22], [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
    alone = gamma_poisson(x, t, ["pump"] * 10)
    extra = gamma_poisson([*x, 3, 3, np.nan, 3], [*t, 0, np.nan, 2, 5], ["pump"] * 13 + [None])
    assert extra.mean[:10] == pytest.approx(alone.mean, rel=1e-12)
    assert np.isnan([*extra.mean[10:], *extra.low[10:], *extra.high[10:]]).all()


def test_groups_in_one_pass_are_what_they_are_alone():
    """Thirty components fitted together equal thirty fits."""
    rng = np.random.default_rng(2)
    group = np.repeat([f"part {k}" for k in range(30)], 12)
    t = rng.uniform(0.1, 80, 360)
    x = rng.poisson(rng.gamma(0.8, 0.1, 360) * t * (group != "part 7"))
    together = gamma_poisson(x, t, group)
    for k, label in enumerate(together.groups):
        alone = gamma_poisson(x[group == label], t[group == label])
        assert together.shape[k] == pytest.approx(alone.shape[0], rel=1e-9, nan_ok=True)
        assert together.high[group == label] == pytest.approx(alone.high, rel=1e-9, nan_ok=True)


@settings(max_examples=25)
@given(
    x=st.lists(st.integers(0, 3000), min_size=2, max_size=12),
    seed=st.integers(0, 10_000),
    scale=st.sampled_from([1.0, 365.25, 1e-3]),
)
def test_shrunk_rates_lie_between_own_and_prior_and_follow_the_unit(x, seed, scale):
    """A shrunk rate lies between the model's own and the prior mean; another unit of time rescales it."""
    t = np.random.default_rng(seed).uniform(0.01, 500, len(x))
    fit, other = gamma_poisson(x, t), gamma_poisson(x, t * scale)
    assert other.mean * scale == pytest.approx(fit.mean, rel=1e-6, nan_ok=True)
    if np.isfinite(fit.shape[0]):
        prior = fit.shape[0] / fit.rate[0]
        own = np.array(x) / t
        assert (fit.mean >= np.minimum(own, prior) * (1 - 1e-9)).all()
        assert (fit.mean <= np.maximum(own, prior) * (1 + 1e-9)).all()
        assert (fit.low < fit.mean).all()
        assert (fit.mean < fit.high).all()


@pytest.mark.parametrize("f", [0.0, 1e-9, 1e-5, 1e-3, 0.02, 0.0499, 0.0501, 0.4, 7.0, 1e4])
@pytest.mark.parametrize("x", [0, 1, 2, 9, 250, 4000])
def test_dispersion_score_is_the_sum_it_stands_for(f, x):
    """Term by term in extended precision, over the whole range of the dispersion; ln(1 + f mu) as its series
    where that would cancel."""
    mu = np.longdouble(17.3)
    j = np.arange(x, dtype=np.longdouble)
    u = np.longdouble(f) * mu
    if u > 0.01:
        log_part = (np.log1p(u) - u / (1 + u)) / np.longdouble(f) ** 2
    else:
        log_part = mu**2 * sum((-u) ** k * np.longdouble(k + 1) / (k + 2) for k in range(12))
    want = (j / (1 + np.longdouble(f) * j)).sum() + log_part - x * mu / (1 + u)
    size = float((j / (1 + np.longdouble(f) * j)).sum() + log_part + x * mu / (1 + u))
    got = dispersion_score(np.array([f]), np.array([float(x)]), np.array([17.3]))[0]
    assert got == pytest.approx(float(want), abs=2e-12 * size)


@pytest.mark.parametrize("f", [1e-6, 1e-3, 0.03, 0.2, 3.0])
def test_log_likelihood_rises_as_its_score_says(f):
    """A small step in the dispersion changes the log-likelihood by score times step."""
    x, mu = np.array([0.0, 1.0, 4.0, 30.0]), np.array([2.0, 2.0, 2.0, 11.0])
    step = 1e-4 * f
    rise = log_likelihood(np.full(4, f + step), x, mu) - log_likelihood(np.full(4, f - step), x, mu)
    assert rise / (2 * step) == pytest.approx(dispersion_score(np.full(4, f), x, mu), rel=2e-5, abs=1e-5)


def test_posterior_bounds_cover():
    """Rates drawn from a gamma: 95 % bounds hold 93 to 97 % of 4000 true rates."""
    rng = np.random.default_rng(31)
    group = np.repeat(np.arange(20), 200)
    t = rng.uniform(0.5, 60, 4000)
    truth = rng.gamma(1.5, 0.08, 4000)
    fit = gamma_poisson(rng.poisson(truth * t), t, group)
    assert 0.93 <= np.mean((fit.low <= truth) & (truth <= fit.high)) <= 0.97
