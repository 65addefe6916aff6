"""Groups that are all there are get the limits of chance alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.funnel import funnel, student_p_value

OBSERVED, EXPECTED = [17, 152, 4, 2], [3.3, 154.3, 3.7, 13.6]


def test_without_dispersion_the_limits_are_those_of_chance() -> None:
    """Proved and disproved repairs differ so much that dispersion would call both ordinary."""
    ordinary = funnel(OBSERVED, EXPECTED)
    alone = funnel(OBSERVED, EXPECTED, allows_dispersion=False)
    assert alone.position.tolist() == ["beyond_above", "inside", "inside", "beyond_below"]
    assert ordinary.position.tolist() != alone.position.tolist()
    assert np.all(alone.tau2 == 0)


def test_student_p_value_is_that_of_scipy() -> None:
    """Two-sided t with n - 2 degrees of freedom; scipy.stats as the reference."""
    assert student_p_value([0.0, -3.0], 12) == pytest.approx([1.0, 2 * stats.t.cdf(-3.0, 10)], rel=1e-12)
