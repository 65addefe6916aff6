"""A clock that jumps inside a hold is mended where the pressure tells, and doubted where it does not."""

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from pipeline.traces.hold_clock import mend_clock
from tests.unit.traces.drawing import Drawing, judged

STEP_S = 2.0


def _decay(t):
    return -((50 - 0.25 * t) ** 2)


def _mended(t, p, scatter=1.0):
    t, room = t.copy(), np.zeros(len(t))
    return t, mend_clock(t, p.copy(), len(t), scatter, room)


@pytest.mark.parametrize("leap_s", [5.0, 9.0, 40.0])
def test_a_clock_that_leapt_is_put_back(leap_s):
    true = np.arange(30) * STEP_S
    told = true + np.where(true > 20, leap_s, 0.0)
    mended, doubt = _mended(told, _decay(true))
    assert_allclose(mended, true, atol=0.15)
    assert doubt == 0


def test_a_gap_in_the_samples_stays_a_gap():
    true = np.delete(np.arange(30) * STEP_S, [12, 13, 14])
    mended, doubt = _mended(true, _decay(true))
    assert_allclose(mended, true, atol=1e-9)
    assert doubt == 0


def test_a_clock_that_stood_still_is_moved_on():
    true = np.arange(30) * STEP_S
    true[15:] += 6.0
    told = true - np.where(true > 29, 6.0, 0.0)
    mended, _ = _mended(told, _decay(true))
    assert_allclose(mended, true, atol=0.4)


def test_a_gap_in_a_flat_hold_is_left_and_doubted():
    true = np.delete(np.arange(30) * STEP_S, [12, 13, 14])
    mended, doubt = _mended(true, -2500 + 0.1 * true, scatter=1.0)
    assert_allclose(mended, true)
    assert doubt == pytest.approx(4 * STEP_S)


def test_fuel_that_sloshes_moves_no_clock():
    """A lead technician's tanks sloshed by 60 to 100 Pa: the clock of 3 of 3 had been told to have stood still."""
    true = np.arange(32) * STEP_S
    for k in range(60):
        slosh = (
            60 * np.sin(2 * np.pi * (true / (3.1 + 0.13 * k) + 0.1 * k)) * np.exp(-(((true - 20) / 15) ** 2))
        )
        mended, _ = _mended(true, -1800 + 5 * true + slosh, scatter=2.0)
        assert_allclose(mended, true)


def test_noise_moves_no_clock():
    rng = np.random.default_rng(3)
    true = np.arange(32) * STEP_S
    for _ in range(50):
        mended, doubt = _mended(true, _decay(true) + rng.normal(0, 2.0, 32), scatter=2.0)
        assert_allclose(mended, true)
        assert doubt == 0


@pytest.mark.parametrize("leap_s", [12.0, 35.0])
def test_gas_is_as_cold_as_the_draw_left_it_where_the_clock_leaps_just_behind_it(leap_s):
    drawing = Drawing().rest().closed(rate=0.0).draw(-1800.0, seconds=6.0)
    shut = drawing.t[-1]
    drawing.add(90, lambda s: -1800 + 400 * (1 - np.exp(-s / 9.0)), True, 0.0).release()
    samples = drawing.samples(noise=1.0)
    leapt = pl.col("t_s") + pl.when(pl.col("t_s") > shut + 0.5).then(leap_s).otherwise(0.0)
    told, as_it_was = judged(samples.with_columns(leapt)), judged(samples)
    assert told["verdict"] == as_it_was["verdict"] == "holds"
    # Without the leap mended the limits lay at 0.18 and 0.32 mm.
    assert told["leak_diameter_high_mm"] == pytest.approx(as_it_was["leak_diameter_high_mm"], rel=0.02)


def test_gas_warms_while_samples_are_lost():
    """The tank is tight, and all its heat comes back in the gap: what rises behind it is a leak."""
    drawing = Drawing().rest().closed(rate=0.0).draw(-1800.0, seconds=6.0)
    shut = drawing.t[-1]
    drawing.add(90, lambda s: -1800 + 200 * (1 - np.exp(-s / 9.0)) + 5 * s, True, 0.0).release()
    samples = drawing.samples(noise=1.0)
    lost = pl.col("t_s").is_between(shut + 0.5, shut + 35.5)
    assert judged(samples.filter(~lost))["verdict"] == "leak"
