"""Do bounds hold the truth as often as they say? Samples whose truth is known, and what each estimator made of them.

Every function draws `n` independent samples, or samples until it has `n` answers, and says of each whether the bounds
held the truth. `tests/unit/statistics/test_stats_coverage.py` runs what is quick; all of it at many samples is run
by hand: `python -m tests.benchmarks.cover_floor`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.statistics.censored_sizes import median, share_over, size_distribution
from pipeline.statistics.forecast import count_quantile, prediction_interval, weibull_forecast
from pipeline.statistics.hazard_curve import hazard_curve
from pipeline.statistics.hazard_ratio import cox_regression
from pipeline.statistics.intervals import rate_interval
from pipeline.statistics.life import WeibullLife, weibull_life
from pipeline.statistics.lognormal import lognormal_fit
from pipeline.statistics.recurrence import mean_cumulative_function
from pipeline.statistics.shrinkage import gamma_poisson
from pipeline.statistics.survival import kaplan_meier

Held = NDArray[np.bool_]
Rng = np.random.Generator

SHAPE, SCALE = 1.5, 5.0
N_UNITS = 150


def _within(low: object, truth: object, high: object) -> Held:
    return np.asarray((np.asarray(low) <= truth) & (truth <= np.asarray(high)))


def lives(
    rng: Rng, n: int, shape: float = SHAPE, scale: float = SCALE, seen: float = 3.0
) -> tuple[NDArray, ...]:
    """Units under observation from a late age on: age, event, group, entry [years]."""
    group = np.repeat(np.arange(n), N_UNITS)
    entry = rng.uniform(0, 6, len(group))
    life = scale * ((entry / scale) ** shape + rng.exponential(size=len(group))) ** (1 / shape)
    return np.minimum(life, entry + seen), life <= entry + seen, group, entry


def _weibull(rng: Rng, n: int) -> WeibullLife:
    age, event, group, entry = lives(rng, n)
    return weibull_life(age, event, group, entry)


def weibull_shape(rng: Rng, n: int) -> Held:
    fit = _weibull(rng, n).shape
    return _within(fit.low, SHAPE, fit.high)


def weibull_scale(rng: Rng, n: int) -> Held:
    fit = _weibull(rng, n).scale
    return _within(fit.low, SCALE, fit.high)


def weibull_b10(rng: Rng, n: int) -> Held:
    fit = _weibull(rng, n).b10
    return _within(fit.low, SCALE * (-np.log(0.9)) ** (1 / SHAPE), fit.high)


def constant_hazard_test(rng: Rng, n: int) -> Held:
    """The likelihood-ratio test of shape = 1 at 5 %, of lives whose shape is 1: held when it does not reject."""
    age, event, group, entry = lives(rng, n, shape=1.0)
    return weibull_life(age, event, group, entry).p_constant >= 0.05


def hazard_at_six_years(rng: Rng, n: int) -> Held:
    """Nelson-Aalen, half of the units from a late age on: H(6) = (6/scale)^shape."""
    group = np.repeat(np.arange(n), N_UNITS)
    entry = np.where(rng.random(len(group)) < 0.5, 0.0, rng.uniform(0, 6, len(group)))
    life = SCALE * ((entry / SCALE) ** SHAPE + rng.exponential(size=len(entry))) ** (1 / SHAPE)
    age, event = np.minimum(life, entry + 9.0), life <= entry + 9.0
    curve = hazard_curve(age, event, group, entry)
    last = np.array([np.flatnonzero((curve.group == g) & (curve.age <= 6.0))[-1] for g in range(n)])
    return _within(curve.low[last], (6.0 / SCALE) ** SHAPE, curve.high[last])


def kaplan_meier_share(rng: Rng, n: int) -> Held:
    group = np.repeat(np.arange(n), 60)
    life, cut = rng.exponential(120, len(group)), rng.uniform(20, 200, len(group))
    fit = kaplan_meier(np.minimum(life, cut), life <= cut, group, at=90)
    return _within(fit.low, np.exp(-90 / 120), fit.high)


def recurrence_of_unlike_vehicles(rng: Rng, n: int) -> Held:
    """Vehicles whose rates differ and half of which enter late: mean number by age 3 is 3."""
    n_units = 80
    start = np.where(rng.random(n * n_units) < 0.5, 0.0, rng.uniform(0, 2, n * n_units))
    end = start + rng.uniform(1.5, 4, len(start))
    rate = rng.gamma(0.7, 1 / 0.7, len(start))
    count = rng.poisson(rate * (end - start))
    unit = np.repeat(np.arange(len(start)), count)
    age = rng.uniform(start[unit], end[unit])
    mcf = mean_cumulative_function(end, unit, age, np.arange(len(start)) // n_units, start)
    at = np.array([np.flatnonzero((mcf.group == g) & (mcf.age <= 3.0))[-1] for g in range(n)])
    return _within(mcf.low[at], 3.0, mcf.high[at])


def exact_rate(rng: Rng, n: int) -> Held:
    exposure = rng.uniform(0.1, 30, n)
    fit = rate_interval(rng.poisson(0.4 * exposure), exposure)
    return _within(fit.low, 0.4, fit.high)


def shrunk_rate(rng: Rng, n: int) -> Held:
    exposure, truth = rng.uniform(0.5, 60, n), rng.gamma(1.5, 0.08, n)
    fit = gamma_poisson(rng.poisson(truth * exposure), exposure, np.arange(n) // 200)
    return _within(fit.low, truth, fit.high)


def hazard_ratio(rng: Rng, n: int) -> Held:
    held = []
    for _ in range(n):
        side, shop = rng.random(250) < 0.5, rng.integers(0, 6, 250)
        day = np.ceil(rng.exponential(1 / (0.01 * 1.5**shop * np.where(side, 0.6, 1.0))))
        fit = cox_regression(np.minimum(day, 90), day <= 90, side[:, None], shop).hazard_ratio
        held.append(fit.low[0] <= 0.6 <= fit.high[0])
    return np.array(held)


def measured_sizes(rng: Rng, n: int) -> tuple[NDArray, NDArray]:
    """Sizes as recordings give them: each within its own bounds, under 0.3 only that, over 2 only that."""
    size = rng.lognormal(-0.3, 0.7, n)
    below = rng.uniform(0, 0.2, n)
    low, high = size * np.exp(-below), size * np.exp(0.2 - below)
    low, high = np.where(size < 0.3, 0, low), np.where(size < 0.3, 0.3, high)
    return np.where(size > 2, 2, low), np.where(size > 2, np.inf, high)


def share_over_one(rng: Rng, n: int) -> Held:
    truth = 0.33412  # P(ln size > 0), ln size normal with mean -0.3 and standard deviation 0.7
    answers = (share_over(size_distribution(*measured_sizes(rng, 80), n_bounds=0), 1.0) for _ in range(n))
    return np.array([a.low <= truth <= a.high for a in answers])


def median_size(rng: Rng, n: int) -> Held:
    answers = (median(size_distribution(*measured_sizes(rng, 60), n_bounds=0)) for _ in range(n))
    return np.array([a.low <= np.exp(-0.3) <= a.high for a in answers])


def lognormal_median(rng: Rng, n: int) -> Held:
    fit = lognormal_fit(*measured_sizes(rng, 60 * n), groups=np.repeat(np.arange(n), 60)).median
    return _within(fit.low, np.exp(-0.3), fit.high)


def _next_year(rng: Rng, n: int) -> tuple[NDArray, NDArray, NDArray]:
    """Failures that came in the year after the fit, their forecast mean and its error."""
    age, event, group, entry = lives(rng, n)
    fit = weibull_life(age, event, group, entry)
    alive = ~event
    now, which = age[alive], group[alive]
    life = SCALE * ((now / SCALE) ** SHAPE + rng.exponential(size=len(now))) ** (1 / SHAPE)
    mean, error = weibull_forecast(now, 1.0, which, fit.shape.value, fit.scale.value, fit.covariance)
    return np.bincount(which, life <= now + 1.0, n), mean, error


def forecast_of_next_year(rng: Rng, n: int) -> Held:
    """Fit on all but the last year, predict it: the count that came lies within the bounds."""
    came, mean, error = _next_year(rng, n)
    low, high = prediction_interval(mean, error, 0.95)
    return _within(low, came, high)


def stock_for_next_year(rng: Rng, n: int) -> Held:
    """The parts stocked at a service level of 95 % last."""
    came, mean, error = _next_year(rng, n)
    return came <= count_quantile(mean, error, 0.95)


#: Bounds that promise 95 % about, as large samples do; by what they bound.
ABOUT: dict[str, Callable[[Rng, int], Held]] = {
    "Weibull shape": weibull_shape,
    "Weibull scale": weibull_scale,
    "Weibull B10": weibull_b10,
    "test of constant hazard": constant_hazard_test,
    "Nelson-Aalen": hazard_at_six_years,
    "Kaplan-Meier share": kaplan_meier_share,
    "mean cumulative number": recurrence_of_unlike_vehicles,
    "shrunk rate": shrunk_rate,
    "hazard ratio": hazard_ratio,
    "lognormal median": lognormal_median,
}
#: Bounds that promise at least 95 %: exact ones, whole counts, and the likelihood ratio of interval-censored sizes.
AT_LEAST: dict[str, Callable[[Rng, int], Held]] = {
    "exact rate": exact_rate,
    "share over 1 mm": share_over_one,
    "median size": median_size,
    "forecast": forecast_of_next_year,
    "stock": stock_for_next_year,
}
