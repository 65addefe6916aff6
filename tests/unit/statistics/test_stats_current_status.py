"""Readings at which a share shows a state: exactness against brute force, coverage, and what is degenerate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import isotonic_regression
from scipy.special import xlogy

from pipeline.statistics import current_status, status_curve
from pipeline.statistics.current_status import status_quantiles
from pipeline.statistics.status_curve import status_curves

MEDIAN, SIGMA = 190.0, 0.8
Z = np.array([0.0, 0.8416212, 1.2815516])


def looks(rng: np.random.Generator, n: int, median: float = MEDIAN) -> tuple[np.ndarray, np.ndarray]:
    """Distances of n vehicles since a clear [km], and whether each has its monitor complete."""
    km = np.floor(rng.exponential(np.where(rng.random(n) < 0.5, 500.0, 15_000.0)))
    return km, np.exp(np.log(median) + SIGMA * rng.standard_normal(n)) <= km


def capped_by_hand(shows: np.ndarray, looked: np.ndarray, cap: float) -> float:
    share = np.minimum(isotonic_regression(shows / looked, weights=looked).x, cap) if len(shows) else shows
    return float(np.sum(xlogy(shows, share) + xlogy(looked - shows, 1 - share)))


@pytest.mark.parametrize("seed", range(4))
def test_bounds_are_the_readings_whose_likelihood_ratio_is_not_too_large(seed: int) -> None:
    """Every split is judged anew with scipy's isotonic regression; the accepted ones are the same."""
    rng = np.random.default_rng(seed)
    x = np.arange(1.0, 31.0)
    looked = rng.integers(1, 9, 30).astype(float)
    shows = rng.binomial(looked.astype(int), np.clip(x / 30, 0, 0.95)).astype(float)
    found = status_quantiles(x, shows, looked, shares=(0.5, 0.7))
    best = capped_by_hand(shows, looked, 1.0)
    for j, p in enumerate((0.5, 0.7)):
        accepted = []
        for k in range(31):
            left = capped_by_hand(shows[:k], looked[:k], p)
            right = capped_by_hand((looked - shows)[k:][::-1], looked[k:][::-1], 1 - p)
            if 2 * (best - left - right) <= 1.2 * 2.26916:
                accepted.append(k)
        edges = [0.0, *x, np.nan]
        assert found.size.low[0, j] == edges[accepted[0]]
        assert found.size.high[0, j] == pytest.approx(edges[accepted[-1] + 1], nan_ok=True)


def test_bounds_cover_the_true_reading_as_often_as_they_say() -> None:
    """95 % bounds of the 50, 80 and 90 % distance cover in at least 93 % of 250 registers of 300 vehicles."""
    rng = np.random.default_rng(7)
    km, ready = zip(*(looks(rng, 300) for _ in range(250)), strict=True)
    register = np.repeat(np.arange(250), 300)
    found = status_quantiles(np.concatenate(km), np.concatenate(ready), np.ones(register.size), register)
    truth = np.exp(np.log(MEDIAN) + SIGMA * Z)
    covered = (found.size.low <= truth) & ~(found.size.high < truth)
    assert (covered.mean(axis=0) >= 0.93).all()


def test_the_pooled_curve_covers_and_is_closer_than_a_model_alone() -> None:
    """Nine models of 20 to 500 vehicles, medians apart by 20 %: bounds cover in 93 %, errors shrink."""
    hits, errors, n_seen = np.zeros(3), np.zeros(2), 0
    sizes = np.array([20, 40, 60, 100, 150, 200, 250, 300, 500])
    for seed in range(40):
        rng = np.random.default_rng(seed)
        medians = MEDIAN * np.exp(0.2 * rng.standard_normal(9))
        parts = [looks(rng, n, m) for n, m in zip(sizes, medians, strict=True)]
        km, ready = (np.concatenate(c) for c in zip(*parts, strict=True))
        model = np.repeat(np.arange(9), sizes)
        pooled = status_curves(km + 0.5, ready, np.ones(len(km)), model).quantile([0.5, 0.8, 0.9])
        truth = np.exp(np.log(medians)[:, None] + SIGMA * Z)
        hits += ((pooled.low <= truth) & (truth <= pooled.high)).sum(axis=0)
        alone = status_quantiles(km, ready, np.ones(len(km)), model).size.value
        seen = np.isfinite(alone[:, 2]) & (alone[:, 2] > 0)
        for place, value in enumerate((pooled.value, alone)):
            errors[place] += np.sum(np.log(value[seen, 2] / truth[seen, 2]) ** 2)
        n_seen += 9
    assert (hits / n_seen >= 0.93).all()
    assert errors[0] < 0.5 * errors[1]


def test_a_counter_at_its_end_counts_as_larger_than_all_others() -> None:
    """A share reached only beyond the counter's end has no reading and says why."""
    found = status_quantiles([10, 20, np.inf], [0, 1, 50], [20, 20, 50], shares=(0.5,))
    assert np.isnan(found.size.value[0, 0])
    assert found.reason[0, 0] == current_status.NOT_REACHED
    assert np.isnan(found.size.high[0, 0])
    assert found.size.low[0, 0] == 20


@pytest.mark.parametrize(
    ("shows", "looked", "reason"),
    [
        ([5, 5], [5, 5], current_status.ALL_SHOW),
        ([0, 0], [5, 5], current_status.NONE_SHOWS),
        ([0, 0], [0, 0], current_status.NO_UNITS),
        ([], [], current_status.NO_UNITS),
    ],
)
def test_what_cannot_be_told_is_missing_with_its_reason(shows, looked, reason) -> None:
    """All ready, none ready, nobody looked at: no reading and no curve."""
    size = np.arange(1, len(shows) + 1)
    found = status_quantiles(size, shows, looked, shares=(0.9,))
    assert np.isnan(found.size.value[0, 0])
    assert found.reason[0, 0] == reason
    fit = status_curves(size, shows, looked)
    assert np.isnan(fit.quantile([0.9]).value[0, 0])
    assert fit.reason in (status_curve.ALL_ALIKE, status_curve.NO_UNITS)


def test_a_model_in_which_all_are_ready_leans_on_the_others() -> None:
    """It has a curve and no reading of its own; a share that falls has no curve at all."""
    size, shows, looked = [50, 100, 200, 400, 100, 200], [1, 6, 14, 19, 3, 3], [20, 20, 20, 20, 3, 3]
    fit = status_curves(size, shows, looked, ["a"] * 4 + ["b"] * 2)
    assert np.isfinite(fit.quantile([0.9]).value).all()
    assert np.isfinite(fit.share([0, 1, -1], [150.0, 150.0, 150.0]).value).all()
    falling = status_curves([10, 20, 30], [9, 5, 1], [10, 10, 10])
    assert falling.reason == status_curve.NO_RISE


def test_shares_rise_with_distance_and_bounds_hold_them() -> None:
    """The curve's share is between its bounds, and rises."""
    rng = np.random.default_rng(3)
    km, ready = looks(rng, 400)
    share = status_curves(km + 0.5, ready, np.ones(400)).share(np.zeros(5, int), [50, 100, 200, 400, 800])
    assert (np.diff(share.value) > 0).all()
    assert ((share.low <= share.value) & (share.value <= share.high)).all()
