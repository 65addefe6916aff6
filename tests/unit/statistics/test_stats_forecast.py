"""Forecasts and hazard curves: known values, degenerate input, coverage by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.forecast import count_quantile, prediction_interval, weibull_forecast
from pipeline.statistics.hazard_curve import hazard_curve
from pipeline.statistics.life import weibull_life


def test_quantiles_of_a_known_mean_are_those_of_the_poisson_distribution():
    mean = np.array([0.0, 0.02, 0.7, 5.0, 48.3, 900.0])
    for p in (0.025, 0.5, 0.95, 0.975):
        assert count_quantile(mean, 0.0, p).tolist() == stats.poisson.ppf(p, mean).clip(0).tolist()


def test_an_uncertain_mean_gives_the_mixture():
    """Against two million draws of a Poisson count whose mean is lognormal."""
    rng = np.random.default_rng(7)
    for mean, error in ((3.0, 0.4), (60.0, 0.15), (0.4, 1.0)):
        drawn = rng.poisson(mean * np.exp(error * rng.standard_normal(500_000)))
        low, high = prediction_interval([mean], [error], 0.95)
        assert np.mean(drawn < low[0]) <= 0.025 + 0.001
        assert np.mean(drawn > high[0]) <= 0.025 + 0.001
        assert np.mean(drawn > high[0] - 1) >= 0.025 - 0.001


def test_no_number_where_nothing_is_known():
    low, high = prediction_interval([np.nan, 4.0, 4.0], [0.1, np.nan, 9.0])
    assert np.isnan(low).all()
    assert np.isnan(high).all()
    nothing = weibull_forecast([], 1.0, np.zeros(0, int), [2.0, np.nan], [5.0, np.nan], np.full((3, 2), 0.01))
    assert nothing.mean[0] == 0
    assert np.isnan(nothing.mean[1])


def test_the_error_of_the_forecast_is_its_derivative():
    """Delta method against numerical derivatives by ln shape and ln scale."""
    age, group = np.array([0.0, 1.0, 7.5]), np.zeros(3, int)
    covariance = np.array([[0.04], [-0.01], [0.09]])

    def log_mean(shape, scale):
        return np.log(weibull_forecast(age, 0.5, group, [shape], [scale], covariance).mean[0])

    h = 1e-5
    by_shape = (log_mean(1.8 * np.exp(h), 9.0) - log_mean(1.8 * np.exp(-h), 9.0)) / (2 * h)
    by_scale = (log_mean(1.8, 9.0 * np.exp(h)) - log_mean(1.8, 9.0 * np.exp(-h))) / (2 * h)
    want = np.sqrt(by_shape**2 * 0.04 + 2 * by_shape * by_scale * -0.01 + by_scale**2 * 0.09)
    assert weibull_forecast(age, 0.5, group, [1.8], [9.0], covariance).log_error[0] == pytest.approx(want)


def test_rows_with_counts_are_as_many_rows():
    rng = np.random.default_rng(3)
    age, event = np.ceil(rng.exponential(4, 300)), rng.random(300) < 0.4
    entry = np.where(rng.random(300) < 0.5, 0.0, age - 1)
    once, n = np.unique(np.stack([age, event, entry]), axis=1, return_counts=True)
    every = weibull_life(age, event, None, entry)
    grouped = weibull_life(once[0], once[1], None, once[2], counts=n)
    for a, b in ((every.shape, grouped.shape), (every.b10, grouped.b10)):
        assert np.array(a) == pytest.approx(np.array(b), rel=1e-10)
    assert grouped.n.tolist() == [300]
    one, other = hazard_curve(age, event, None, entry), hazard_curve(*once[:2], None, once[2], n)
    assert one.hazard == pytest.approx(other.hazard)
    assert one.high == pytest.approx(other.high)


def test_hazard_goes_on_where_a_survival_curve_would_be_zero():
    """The risk set is emptied at age 2; failures at 8 and 9 still add 1/2 and 1."""
    curve = hazard_curve([2, 8, 9], [1, 1, 1], None, [0, 5, 5])
    assert curve.hazard.tolist() == [1.0, 1.5, 2.5]
    assert hazard_curve([3.0, 4.0], [0, 0]).hazard.tolist() == []


def test_back_test_on_many_fleets():
    """Fit on all but the last year, predict it, count: the 95 % bounds hold at least 93 % and at most 99 % of the
    time (a whole count lies within bounds that cover at least their level). 500 fleets of 400 vehicles, three
    years seen, late entry, wear (shape 1.8) and early failures (0.8)."""
    rng = np.random.default_rng(2024)
    for shape, scale in ((1.8, 12.0), (0.8, 25.0)):
        n_fleets, n = 500, 400
        group = np.repeat(np.arange(n_fleets), n)
        start = rng.uniform(0, 9, n_fleets * n)
        life = scale * ((start / scale) ** shape + rng.exponential(size=len(start))) ** (1 / shape)
        now = start + 2.0
        failed = life <= now
        fit = weibull_life(np.minimum(life, now), failed, group, start)
        alive = ~failed
        seen = np.bincount(group[alive & (life <= now + 1)], minlength=n_fleets)
        mean, error = weibull_forecast(
            now[alive], 1.0, group[alive], fit.shape.value, fit.scale.value, fit.covariance
        )
        low, high = prediction_interval(mean, error, 0.95)
        held = (low <= seen) & (seen <= high)
        assert 0.93 <= held.mean() <= 0.99
