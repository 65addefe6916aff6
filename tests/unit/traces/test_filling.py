"""Where a tank was filled under pressure: rows with a known course."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.traces.landmarks import find_landmarks
from pipeline.traces.phases import CLOSED, REST

RATE_HZ = 5.0
NOT_FED = np.zeros(0, bool)


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
    return find_landmarks(t, p, phase, first, 2, NOT_FED, 0.25)[0], 5.0 + closed_s, 5.0 + full_at


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


def _let_go(rate_hz: float, fill_s: float, decay_pa_s: float, hold_s: float = 120.0):
    """Return times, pressures and the marks of a tank that is filled at once, held, and let go by the filling's port,
    with the vent commanded shut from the filling to the end."""
    t = np.arange(0.0, 6.0 + fill_s + hold_s + 15, 1 / rate_hz)
    full_at, let_go_at = 6.0 + fill_s, 6.0 + fill_s + hold_s
    held = 3500 - decay_pa_s * np.maximum(t - full_at, 0)
    p = np.where(t < full_at, 3500 * np.clip((t - 6.0) / fill_s, 0, 1), np.where(t < let_go_at, held, 0.0))
    p = p + np.random.default_rng(5).normal(0, 3, len(t))
    shut = int(np.searchsorted(t, 5.0))
    phase, first = np.array([REST, CLOSED, 0]), np.array([0, shut, len(t)])
    return find_landmarks(t, p, phase, first, 2, NOT_FED, 0.25)[0], full_at, let_go_at


@pytest.mark.parametrize("decay", [0.5, 4.0, 14.0, 24.0])
@pytest.mark.parametrize(("rate_hz", "fill_s"), [(1.0, 1.5), (1.0, 20.0), (5.0, 4.0)])
def test_a_pressure_that_is_let_go_in_the_end_was_held_until_then(rate_hz, fill_s, decay) -> None:
    """The cap is loosened at the end, "look for a sudden drop" (40 CFR 51.357 as published in 1992, from memory)."""
    marks, full, let_go = _let_go(rate_hz, fill_s, decay)
    assert marks.is_pressure_test == 1.0
    assert full - 0.1 <= marks.hold_start <= full + 2.1 / rate_hz + 1.0
    assert let_go - 2.1 / rate_hz <= marks.hold_end <= let_go
    assert marks.is_opened == 1.0
