"""Kaplan-Meier and Nelson-Aalen on degenerate input, invariances, and coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.statistics.risk_sets import risk_sets
from pipeline.statistics.survival import (
    ALL_EVENTS,
    NO_EVENTS,
    NO_UNITS,
    cumulative_hazard,
    kaplan_meier,
    survival_curve,
)

UNITS = st.lists(
    st.tuples(st.integers(0, 30), st.booleans(), st.sampled_from("abc"), st.integers(0, 12)),
    min_size=1,
    max_size=60,
)


def columns(units):
    time, event, group, entry = zip(*units, strict=True)
    return np.array(time, float), np.array(event), np.array(group), np.array(entry, float)


def slow_kaplan_meier(time, event, entry, at):
    """The definition, one event time after the other, in whole numbers."""
    share, variance = 1.0, 0.0
    for t in sorted(set(time[event])):
        if t > at:
            break
        n = int(((time >= t) & ((entry < t) | (entry <= 0))).sum())
        d = int(((time == t) & event).sum())
        share *= 1 - d / n
        variance += d / (n * (n - d)) if n > d else np.inf
    return share, variance


def test_share_of_one_has_no_bounds_and_says_why():
    """No event: the share is 1, Greenwood says nothing, and the reason is given."""
    fit = kaplan_meier([90, 90, 30], [0, 0, 0], at=90)
    assert float(fit.survival[0]) == 1.0
    assert np.isnan([fit.low[0], fit.high[0]]).all()
    assert fit.reason[0] == NO_EVENTS


def test_share_of_zero_has_no_bounds_and_says_why():
    """Everybody came back."""
    fit = kaplan_meier([3, 5, 5], [1, 1, 1], at=90)
    assert float(fit.survival[0]) == 0.0
    assert np.isnan([fit.low[0], fit.high[0]]).all()
    assert fit.reason[0] == ALL_EVENTS


def test_unusable_rows_are_left_out_and_a_group_of_them_says_so():
    """Missing or negative time, missing event, entry at or after exit: not used; no unit left: NaN."""
    time, event = [np.nan, -1, 5, 5, 7], [1, 1, np.nan, 1, 1]
    fit = kaplan_meier(time, event, ["x", "x", "x", "x", "y"], at=6, entry=[0, 0, 0, 5, 0])
    assert fit.n.tolist() == [0, 1]
    assert np.isnan(fit.survival[0])
    assert fit.reason[0] == NO_UNITS


def test_no_rows_anywhere():
    """Empty input gives empty output."""
    assert len(kaplan_meier([], [], [], at=90).survival) == 0
    assert len(survival_curve([], []).time) == 0
    assert len(cumulative_hazard(risk_sets([], []))) == 0


def test_day_zero_counts():
    """A comeback on day 0 is an event with everybody at risk; day 90 belongs to the window, day 91 does not."""
    assert float(kaplan_meier([0, 90, 90, 90], [1, 0, 0, 0], at=90).survival[0]) == 0.75
    assert float(kaplan_meier([90, 90, 90, 91], [1, 0, 0, 1], at=90).survival[0]) == 0.75


def test_event_before_censoring_at_a_tie():
    """A unit censored on the day of another's event was at risk."""
    assert float(kaplan_meier([10, 10], [1, 0], at=10).survival[0]) == 0.5


def test_share_holds_beyond_the_last_unit_and_at_risk_says_so():
    """Followed for 40 days at most: the share at 90 is that at 40, and nobody is at risk there."""
    fit = kaplan_meier([20, 40, 40], [1, 0, 0], at=90)
    assert (float(fit.survival[0]), float(fit.n_at_risk[0])) == (pytest.approx(2 / 3), 0.0)


@settings(max_examples=50)
@given(units=UNITS, at=st.integers(0, 35))
def test_equals_the_definition_group_by_group(units, at):
    """Grouped, with entries and ties: the textbook product and Greenwood sum of each group."""
    time, event, group, entry = columns(units)
    fit = kaplan_meier(time, event, group, at=at, entry=entry)
    for g, label in enumerate(fit.groups):
        rows = (group == label) & ((entry <= 0) | (entry < time))
        share, variance = slow_kaplan_meier(time[rows], event[rows], entry[rows], at)
        if not rows.any() or np.isnan(fit.survival[g]):
            continue
        assert float(fit.survival[g]) == pytest.approx(share, abs=1e-12)
        if 0 < share < 1:
            spread = 1.959963984540054 * np.sqrt(variance) / abs(np.log(share))
            want = [share ** np.exp(spread), share ** np.exp(-spread)]
            assert [float(fit.low[g]), float(fit.high[g])] == pytest.approx(want, abs=1e-12)


@settings(max_examples=50)
@given(units=UNITS)
def test_expected_events_of_a_stratum_are_its_own(units):
    """Nelson-Aalen at each unit's own time, summed over the stratum, is the number of events."""
    time, event, group, _ = columns(units)
    table = risk_sets(time, event, group)
    expected = cumulative_hazard(table)[table.row]
    for label in set(group):
        assert expected[group == label].sum() == pytest.approx(event[group == label].sum(), abs=1e-9)


@settings(max_examples=40)
@given(units=UNITS)
def test_at_risk_is_counted_directly(units):
    """The one-pass risk sets are what counting unit by unit gives."""
    time, event, group, entry = columns(units)
    table = risk_sets(time, event, group, entry)
    used = (entry <= 0) | (entry < time)
    for row in range(len(table.time)):
        t, label = table.time[row], table.labels[table.group[row]]
        present = used & (group == label) & (time >= t) & ((entry < t) | (entry <= 0))
        assert table.n_at_risk[row] == present.sum()
        assert table.n_events[row] == (used & (group == label) & (time == t) & event).sum()


def test_log_log_interval_covers():
    """800 samples of 60 units, a third censored: 95 % intervals hold the true share in 93 to 97 %."""
    rng = np.random.default_rng(17)
    group = np.repeat(np.arange(800), 60)
    life, cut = rng.exponential(120, 48_000), rng.uniform(20, 200, 48_000)
    fit = kaplan_meier(np.minimum(life, cut), life <= cut, group, at=90)
    truth = np.exp(-90 / 120)
    assert 0.93 <= np.mean((fit.low <= truth) & (truth <= fit.high)) <= 0.97
