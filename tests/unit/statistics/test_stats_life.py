"""Weibull life and recurrence on degenerate input, invariances, coverage and simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from pipeline.statistics import life
from pipeline.statistics.life import weibull_life
from pipeline.statistics.recurrence import greatest_age_with, mean_cumulative_function


def fleet(rng, n_groups, n, shape=1.5, scale=5.0, years=3.0):
    """Ages of parts seen for some years, half of them already old when the window began."""
    n_all = 4 * n_groups * n
    age = scale * rng.weibull(shape, n_all)
    entry = rng.uniform(0, 6, n_all) * (rng.random(n_all) < 0.5)
    seen = np.flatnonzero(age > entry)[: n_groups * n]
    age, entry = age[seen], entry[seen]
    return np.minimum(age, entry + years), age <= entry + years, np.repeat(np.arange(n_groups), n), entry


@pytest.mark.parametrize(
    ("age", "event", "reason"),
    [
        ([], [], life.TOO_FEW),
        ([1, 2, 3], [0, 0, 0], life.TOO_FEW),
        ([1, 2, 3], [0, 1, 0], life.TOO_FEW),
        ([2, 2, 1], [1, 1, 0], life.ALL_AT_THE_END),
        ([4, 4], [1, 1], life.ALL_AT_THE_END),
        ([0, np.nan, -2], [1, 1, 1], life.TOO_FEW),
    ],
)
def test_no_fit_has_a_reason_and_no_number(age, event, reason):
    """No failures, one, all at the greatest age, none usable."""
    fit = weibull_life(age, event)
    assert fit.reason.tolist() == [reason]
    assert np.isnan([*fit.shape, *fit.scale, *fit.b10, fit.log_likelihood, fit.p_constant]).all()
    assert fit.pattern().tolist() == [None]


def test_rows_that_cannot_be_used_are_counted():
    """Age 0, missing age, entry at or after the age: left out, counted, the rest fitted as if alone."""
    fit = weibull_life([0, 2, 3, np.nan, 5, 6], [1, 1, 1, 1, 1, 0], entry=[0, 0, 1, 0, 5, 2])
    alone = weibull_life([2, 3, 6], [1, 1, 0], entry=[0, 1, 2])
    assert (fit.n[0], fit.n_events[0], fit.n_left_out[0]) == (3, 2, 3)
    assert fit.shape.value == pytest.approx(alone.shape.value, rel=1e-12)


def test_weibull_is_the_maximum():
    """A direct search of the likelihood written out finds nothing better, with late entry and survivors."""
    age, event, _, entry = fleet(np.random.default_rng(89), 1, 150)

    def loss(log_params):
        k, c = np.exp(log_params)
        hazard = (np.log(k / c) + (k - 1) * np.log(age / c))[event].sum()
        return -(hazard - ((age / c) ** k - (entry / c) ** k).sum())

    fit = weibull_life(age, event, entry=entry)
    best = optimize.minimize(loss, [0, 1], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12})
    assert float(fit.log_likelihood[0]) == pytest.approx(-best.fun, abs=1e-9)
    assert [float(fit.shape.value[0]), float(fit.scale.value[0])] == pytest.approx(np.exp(best.x), rel=1e-6)


def test_information_is_the_curvature():
    """The covariance is the inverse of the numerical second derivative of the likelihood."""
    age, event, _, entry = fleet(np.random.default_rng(97), 1, 200)

    def loss(log_params):
        k, c = np.exp(log_params)
        hazard = (np.log(k / c) + (k - 1) * np.log(age / c))[event].sum()
        return -(hazard - ((age / c) ** k - (entry / c) ** k).sum())

    fit = weibull_life(age, event, entry=entry)
    top = np.log([fit.shape.value[0], fit.scale.value[0]])
    step = 1e-4 * np.eye(2)
    curve = np.array(
        [
            [loss(top + a + b) - loss(top + a - b) - loss(top - a + b) + loss(top - a - b) for a in step]
            for b in step
        ]
    )
    want = np.linalg.inv(curve / 4e-8)
    assert fit.covariance[:, 0] == pytest.approx([want[0, 0], want[0, 1], want[1, 1]], rel=1e-3)


@settings(max_examples=25)
@given(seed=st.integers(0, 10_000), scale=st.sampled_from([365.25, 1e-3, 40.0]))
def test_another_unit_of_time_rescales(seed, scale):
    """Years or days: the same shape, p-value and pattern, the scale and B10 in the other unit."""
    age, event, _, entry = fleet(np.random.default_rng(seed), 1, 40)
    fit, other = weibull_life(age, event, entry=entry), weibull_life(age * scale, event, entry=entry * scale)
    assert other.shape.value == pytest.approx(fit.shape.value, rel=1e-7, nan_ok=True)
    assert other.b10.high == pytest.approx(fit.b10.high * scale, rel=1e-6, nan_ok=True)
    assert other.p_constant == pytest.approx(fit.p_constant, rel=1e-6, nan_ok=True)
    assert other.pattern().tolist() == fit.pattern().tolist()


def test_weibull_bounds_cover_and_the_test_keeps_its_level():
    """600 groups of 150: 95 % bounds of shape, scale, B10 hold the truth in 93 to 97 %; with a constant rate the
    likelihood-ratio test rejects 3 to 7 %."""
    rng = np.random.default_rng(101)
    age, event, group, entry = fleet(rng, 600, 150)
    fit = weibull_life(age, event, group, entry)
    truths = (1.5, 5.0, 5 * (-np.log(0.9)) ** (1 / 1.5))
    for estimate, truth in zip((fit.shape, fit.scale, fit.b10), truths, strict=True):
        assert 0.93 <= np.mean((estimate.low <= truth) & (truth <= estimate.high)) <= 0.97
    age, event, group, entry = fleet(rng, 600, 150, shape=1.0)
    assert 0.03 <= np.mean(weibull_life(age, event, group, entry).p_constant < 0.05) <= 0.07


def test_patterns():
    """Clear wear, clear early failure, chance with enough data, and too little data to say."""
    rng = np.random.default_rng(103)
    said = [weibull_life(*fleet(rng, 1, 400, shape=k)).pattern()[0] for k in (3.0, 0.5, 1.0)]
    assert said == ["wear_out", "early", "random"]
    assert weibull_life([1, 2, 4, 4, 4], [1, 1, 0, 0, 0]).pattern()[0] == "unclear"


def slow_mcf(end, unit, age, entry, at):
    """The definition with a table of units by ages."""
    mean, residual = 0.0, np.zeros(len(end))
    for s in sorted(set(age)):
        if s > at:
            break
        present = (end >= s) & ((entry < s) | (entry == 0))
        d = np.bincount(unit[age == s], minlength=len(end))
        n = present.sum()
        mean += d.sum() / n
        residual += present * (d - d.sum() / n) / n
    return mean, np.sqrt((residual**2).sum())


@settings(max_examples=40)
@given(seed=st.integers(0, 100_000))
def test_recurrence_is_its_definition(seed):
    """Ties, several events of one unit on one day, late entries, two groups: mean and robust error as defined."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(14) < 0.5, 0, rng.integers(0, 20, 14)).astype(float)
    end, group = entry + rng.integers(1, 30, 14), np.array(["a", "b"])[rng.integers(0, 2, 14)]
    unit, age = rng.integers(0, 14, 40), rng.integers(0, 45, 40).astype(float)
    mcf = mean_cumulative_function(end, unit, age, group, entry)
    was_alone = dict.fromkeys("ab", False)
    seen = (age <= end[unit]) & ((age > entry[unit]) | ((entry[unit] == 0) & (age == 0)))
    unit, age = unit[seen], age[seen]
    assert mcf.n_events.sum() == len(unit)
    for row in range(len(mcf.age)):
        own = group == mcf.group[row]
        number = np.cumsum(own) - 1
        mine = own[unit]
        mean, error = slow_mcf(end[own], number[unit[mine]], age[mine], entry[own], mcf.age[row])
        assert float(mcf.mean[row]) == pytest.approx(mean, abs=1e-12)
        was_alone[mcf.group[row]] |= mcf.n_at_risk[row] == 1
        if not was_alone[mcf.group[row]] and error > 1e-9:
            assert float(mcf.standard_error[row]) == pytest.approx(error, abs=1e-9)
        else:
            assert np.isnan(mcf.standard_error[row])


def test_recurrence_has_no_bounds_once_a_single_unit_was_at_risk():
    """A step of one unit alone adds its whole event to the mean and nothing to the variance: bounds end there."""
    end, entry = [30, 40, 40, 40, 40], [0, 20, 20, 20, 20]
    mcf = mean_cumulative_function(end, [0, 1, 2], [10, 25, 35], entry=entry)
    assert mcf.n_at_risk.tolist() == [1, 5, 4]
    assert np.isnan(mcf.low).all()
    later = mean_cumulative_function(end, [1, 2, 0], [25, 35, 10], ["b"] + ["a"] * 4, entry)
    assert np.isfinite(later.low).tolist() == [True, True, False]


def test_recurrence_without_events_or_units():
    """No events, no units, events of unusable units: no rows."""
    assert len(mean_cumulative_function([5, 6], [], [], ["a", "b"]).age) == 0
    assert len(mean_cumulative_function([], [], []).age) == 0
    assert len(mean_cumulative_function([5], [0], [3], [None]).age) == 0
    assert len(mean_cumulative_function([np.nan, 5], [0, 1], [3, 9], entry=[0, 5]).age) == 0


def test_recurrence_bounds_cover_units_that_differ():
    """300 fleets whose vehicles differ in their rate: robust bounds hold the true mean in 92 to 98 %, where
    Poisson bounds would hold it clearly less often."""
    rng = np.random.default_rng(107)
    n_groups, n = 300, 50
    end = rng.uniform(1, 4, n_groups * n)
    rate = rng.gamma(0.7, 1 / 0.7, n_groups * n)
    count = rng.poisson(rate * end)
    unit = np.repeat(np.arange(n_groups * n), count)
    mcf = mean_cumulative_function(end, unit, rng.uniform(0, end[unit]), np.arange(n_groups * n) // n)
    at_one = np.array([np.flatnonzero((mcf.group == g) & (mcf.age <= 1.0))[-1] for g in range(n_groups)])
    assert 0.92 <= np.mean((mcf.low[at_one] <= 1) & (mcf.high[at_one] >= 1)) <= 0.98
    poisson = 1.96 / np.sqrt(mcf.mean[at_one] * n)
    assert np.mean(np.abs(np.log(mcf.mean[at_one])) <= poisson) < 0.9


@pytest.mark.parametrize(("least", "age"), [(1, 40), (2, 30), (3, 20), (4, np.nan)])
def test_the_greatest_age_at_which_enough_units_were_under_observation(least, age) -> None:
    """A unit is observed at the age at which it ends, not at the one after which it enters."""
    got = greatest_age_with([10, 20, 30, 40], [0, 10, 0, 15], least)
    assert got == pytest.approx(age, nan_ok=True)
    assert np.isnan(greatest_age_with([], [], 1))
