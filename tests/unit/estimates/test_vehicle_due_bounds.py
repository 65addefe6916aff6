"""The chance to be ready then, given not ready when seen, lies within its bounds whatever the curve says."""

from __future__ import annotations

import numpy as np

from pipeline.estimates.vehicle_due import _given_not_yet
from pipeline.statistics.intervals import Estimate


def test_bounds_of_a_conditional_chance_never_cross() -> None:
    """Random shares with bounds, seen before then: low <= chance <= high, all within 0 and 1."""
    rng = np.random.default_rng(11)
    seen_low, seen, seen_high = np.sort(rng.uniform(0, 1, (3, 4000)), axis=0)
    ahead = 1 - (1 - np.stack([seen, seen_low, seen_high])) * rng.uniform(0, 1, (3, 4000))
    low, value, high = np.sort(
        np.vstack([ahead[0], np.minimum(ahead[1], ahead[0]), np.maximum(ahead[2], ahead[0])]), 0
    )
    chance = _given_not_yet(Estimate(seen, seen_low, seen_high), Estimate(value, low, high))
    known = np.isfinite(chance.value)
    assert known.all()
    assert np.all(chance.low <= chance.value + 1e-12)
    assert np.all(chance.value <= chance.high + 1e-12)
    assert np.all((chance.low >= 0) & (chance.high <= 1))


def test_a_share_of_one_when_seen_gives_no_lower_bound_above_zero() -> None:
    """Where all may have been ready when seen, nothing can be promised: the lower bound is 0."""
    one = np.array([1.0])
    chance = _given_not_yet(Estimate(one * 0.5, one * 0.2, one), Estimate(one * 0.8, one * 0.6, one * 0.9))
    assert (float(chance.low[0]), round(float(chance.value[0]), 6)) == (0.0, 0.6)
