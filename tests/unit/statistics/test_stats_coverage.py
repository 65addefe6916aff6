"""Bounds hold the truth as often as they say; by hand with many samples: `tests.benchmarks.cover_floor`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.comparison import conditional_rate_test
from pipeline.statistics.forecast import count_quantile, prediction_interval
from pipeline.statistics.intervals import poisson_interval
from tests.covering import ABOUT, AT_LEAST

#: Samples of each estimator: the standard error of a share of 95 % is then 0.5 to 0.8 %.
N_SAMPLES = {"mean cumulative number": 800, "exact rate": 4000}
#: The other estimators of `tests.covering` have such tests in the files of their own.
LARGE_SAMPLE = ("Nelson-Aalen", "mean cumulative number")
EXACT = ("exact rate", "stock")


def held(name: str) -> np.ndarray:
    return (ABOUT | AT_LEAST)[name](np.random.default_rng(11), N_SAMPLES.get(name, 1500))


@pytest.mark.parametrize("name", LARGE_SAMPLE)
def test_bounds_for_large_samples_hold_the_truth_in_93_to_97_of_100(name: str) -> None:
    assert 0.93 <= held(name).mean() <= 0.97


@pytest.mark.parametrize("name", EXACT)
def test_exact_bounds_hold_the_truth_at_least_as_often_as_they_say(name: str) -> None:
    assert held(name).mean() >= 0.95


@pytest.mark.parametrize("mean", [0.05, 0.4, 1.0, 3.7, 12.0, 60.0, 400.0])
def test_poisson_bounds_and_forecast_of_a_known_mean_by_enumeration(mean: float) -> None:
    """Summed over all counts: never below the level, exact Garwood bounds and prediction bounds alike."""
    counts = np.arange(int(mean + 12 * np.sqrt(mean) + 30))
    chance = stats.poisson.pmf(counts, mean)
    garwood = poisson_interval(counts)
    assert chance[(garwood.low <= mean) & (mean <= garwood.high)].sum() >= 0.95
    low, high = prediction_interval([mean], [0.0])
    assert chance[(low[0] <= counts) & (counts <= high[0])].sum() >= 0.95
    stocked = count_quantile([mean], [0.0], 0.98)[0]
    assert chance[counts <= stocked].sum() >= 0.98
    assert chance[counts <= stocked - 1].sum() < 0.98


@pytest.mark.parametrize("n", [1, 2, 7, 30, 400])
@pytest.mark.parametrize("share", [0.02, 0.125, 0.5, 0.9])
def test_the_test_of_a_model_against_the_rest_keeps_its_level_by_enumeration(n: int, share: float) -> None:
    """However n failures fall on a model with that share of the exposure: p <= a has a chance of at most a."""
    on_it = np.arange(n + 1)
    p = conditional_rate_test(on_it, share, n - on_it, 1 - share)
    chance = stats.binom.pmf(on_it, n, share)
    for level in (0.001, 0.01, 0.05, 0.2):
        assert chance[p <= level * (1 + 1e-9)].sum() <= level * (1 + 1e-6)
