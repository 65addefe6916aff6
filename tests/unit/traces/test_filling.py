"""Where a tank was filled under pressure: rows with a known course."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.traces.landmarks import find_landmarks
from pipeline.traces.phases import CLOSED, REST

RATE_HZ = 5.0


def _landmarks(own_pa_s: float, fill_pa_s: float, after_pa_s: float, closed_s: float = 12.0):
    """Return the marks of a tank that rises by itself, is filled to 3.5 kPa, and then moves at `after_pa_s`."""
    full_at = closed_s + (3500 - own_pa_s * closed_s) / fill_pa_s
    t = np.arange(0.0, 5.0 + full_at + 120, 1 / RATE_HZ)
    since = t - 5.0
    before = own_pa_s * np.clip(since, 0, closed_s)
    p = before + fill_pa_s * np.clip(since - closed_s, 0, full_at - closed_s)
    p = p + after_pa_s * np.maximum(since - full_at, 0) + np.random.default_rng(3).normal(0, 3, len(t))
    shut = int(np.searchsorted(t, 5.0))
    phase, first = np.array([REST, CLOSED, 0]), np.array([0, shut, len(t)])
    return find_landmarks(t, p, phase, first, 2)[0], 5.0 + closed_s, 5.0 + full_at


@pytest.mark.parametrize("own", [0.0, 12.0])
@pytest.mark.parametrize("after", [0.0, -20.0, 8.0])
def test_filling_is_found_whatever_follows_it(own: float, after: float) -> None:
    """A tank that warms goes on rising: the greatest pressure of all is no sign of its filling."""
    marks, begun, full = _landmarks(own, 200.0, after)
    assert marks.is_pressure_test == 1.0
    assert begun - 1.5 <= marks.closed_end <= begun
    assert full + 0.5 <= marks.hold_start <= full + 2.5


def test_without_a_closed_phase_nothing_is_taken_for_one() -> None:
    marks, _, full = _landmarks(0.0, 150.0, -15.0, closed_s=0.0)
    assert marks.closed_end - marks.closed_start < 1.0
    assert full + 0.5 <= marks.hold_start <= full + 2.5
