"""Cox regression on degenerate input, and how often its bounds cover."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.statistics.hazard_ratio import NO_EVENTS, NO_MAXIMUM, NOBODY_ELSE, cox_regression

#: The third column repeats the others, but for rounding.
NEARLY_REPEATED = [[a, b, 0.1 * a + 0.7 * b] for a, b in [(1, 3), (2, 1), (3, 3), (5, 2), (1, 7), (4, 4)]]


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    ("time", "event", "x", "reason"),
    [
        ([], [], np.zeros((0, 1)), NO_EVENTS),
        ([3.0], [0], [[1.0]], NO_EVENTS),
        ([3.0], [1], [[1.0]], NOBODY_ELSE),
        ([1, 2, 3, 4], [1, 1, 0, 0], [[1], [1], [0], [0]], NO_MAXIMUM),
        ([1, 2, 3, 4], [1, 1, 1, 0], [[1], [1], [1], [1]], NO_MAXIMUM),
        ([1, 2, 3, 4], [1, 1, 1, 0], [[1, 1], [0, 0], [1, 1], [0, 0]], NO_MAXIMUM),
        ([1, 2, 3, 4, 5, 6], [1, 1, 1, 1, 1, 0], NEARLY_REPEATED, NO_MAXIMUM),
        ([5, 5, 5, 5], [1, 1, 1, 1], [[1], [0], [1], [0]], NOBODY_ELSE),
    ],
)
def test_no_ratio_has_a_reason_and_no_number(time, event, x, reason):
    fit = cox_regression(time, event, x)
    assert fit.reason == reason
    assert np.isnan(fit.log_ratio).all()


def test_rows_that_cannot_be_used_are_left_out():
    time, event = [1, 2, 3, 4, 5, 6, np.nan, 3], [1, 1, 1, 1, 1, 0, 1, 1]
    x = [[1], [0], [1], [0], [1], [0], [1], [np.nan]]
    fit = cox_regression(time, event, x)
    assert fit.n == 6
    assert fit.log_ratio == pytest.approx(cox_regression(time[:6], event[:6], x[:6]).log_ratio)


def test_bounds_cover_the_truth():
    """700 samples of 250 repairs in 6 shops of different hazard, ratio 0.6: 95 % bounds hold it in 93 to 97 %."""
    rng = np.random.default_rng(21)
    held = []
    for _ in range(700):
        side, shop = rng.random(250) < 0.5, rng.integers(0, 6, 250)
        day = np.ceil(rng.exponential(1 / (0.01 * 1.5**shop * np.where(side, 0.6, 1.0))))
        fit = cox_regression(np.minimum(day, 90), day <= 90, side[:, None], shop)
        held.append(fit.hazard_ratio.low[0] <= 0.6 <= fit.hazard_ratio.high[0])
    assert 0.93 <= np.mean(held) <= 0.97
