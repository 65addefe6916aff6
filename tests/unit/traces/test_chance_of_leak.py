"""How likely there is a hole: the weighing against the same integral by scipy, and what it does at its ends."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from pipeline.traces import chance_of_leak as asked

#: Cd A / V [1/m] of a hole of 1 mm in 45 l.
PER_MM2 = 0.61 * np.pi / 4 * 1e-6 / 0.045


def chance(leak_mm2: float, sd_mm2: float, start_above: float = -2000.0, change: float = 0.0) -> float:
    """`leak_mm2` and `sd_mm2` : squares of the diameters [mm2] that fit and standard deviation come to."""
    one = np.ones(1)
    mean = leak_mm2 * PER_MM2 * one
    fit = SimpleNamespace(leak=np.maximum(mean, 0), leak_mean=mean, leak_sd=sd_mm2 * PER_MM2 * one)
    shown = SimpleNamespace(
        hold=SimpleNamespace(start_above=start_above * one, seconds=60 * one, change=change * one),
        closed=SimpleNamespace(rate=0.5 * one, rate_sd=0.2 * one),
        sensor=SimpleNamespace(sd=3 * one),
    )
    return float(asked.chance_of_leak(fit, shown, 0.25 * one, PER_MM2 * one, ~np.isfinite(mean))[0])


def expected(leak_mm2: float, sd_mm2: float, law: asked._Tight) -> float:
    def of_hole(log_mm: float) -> float:
        mm2 = np.exp(2 * log_mm)
        return np.exp(-log_mm) * norm.pdf(leak_mm2, mm2, np.hypot(sd_mm2, asked._OFF_SHARE * mm2))

    # Each of the sizes that are tried stands for those half a step about it.
    half = np.log(asked.WIDEST_MM / asked.LEAST_MM) / (asked._N_SIZES - 1) / 2
    ends = np.log([asked.LEAST_MM, asked.WIDEST_MM]) + np.array([-half, half])
    weight = quad(lambda log_mm: np.exp(-log_mm), *ends)[0]
    at = np.log(np.clip(np.sqrt(max(leak_mm2, 0.0)), asked.LEAST_MM, asked.WIDEST_MM))
    for_leak = quad(of_hole, *ends, points=[at])[0] / weight
    off, seeps = max(leak_mm2 - law.mean * sd_mm2, 0.0), asked._SEEPS_MM**2
    usual, wide = (np.hypot(times * law.sd * sd_mm2, seeps) for times in (1.0, asked._WILD_TIMES))
    for_none = (1 - law.wild_share) * norm.pdf(off, 0, usual) + law.wild_share * norm.pdf(off, 0, wide)
    return for_leak / (for_leak + for_none)


@pytest.mark.parametrize("mm", [0.0, 0.2, 0.3, 0.35])
@pytest.mark.parametrize("sd_mm2", [0.02, 0.05, 0.15])
def test_the_weighing_is_the_integral_over_sizes(mm, sd_mm2):
    """Odds to a tenth: sums over sizes stand for integrals."""
    for start, law in ((-2000.0, asked._DRAWN), (3400.0, asked._FILLED)):
        ours, theirs = chance(mm**2, sd_mm2, start), expected(mm**2, sd_mm2, law)
        assert np.log(ours / (1 - ours)) == pytest.approx(np.log(theirs / (1 - theirs)), abs=0.1)


def test_a_fit_below_what_tight_tanks_come_to_speaks_no_more_for_none():
    assert chance(-0.5, 0.05) < 0.02
    assert chance(-0.5, 0.05) < chance(0.0, 0.05) < chance(0.06, 0.05) < chance(0.12, 0.05)


def test_what_seeps_as_any_system_does_is_no_leak_however_well_it_is_told():
    """0.14 mm, known to a tenth of its area: nearer to what seeps than to the smallest hole."""
    assert chance(0.14**2, 0.002) < 0.25 < 0.9 < chance(0.25**2, 0.002)


def test_what_vapor_cannot_have_given_is_a_leak():
    """A quarter of vapor gives back a quarter of 2 kPa and what gas warms, 0.7 kPa; 1.8 kPa went."""
    assert chance(0.03, 0.05, change=500.0) < 0.4 < 0.9 < chance(0.03, 0.05, change=1800.0)


def test_a_sensor_at_its_end_tells_nothing_and_a_vacuum_gone_at_once_a_hole():
    one, none = np.ones(1), np.full(1, np.nan)
    fit = SimpleNamespace(leak=none, leak_mean=none, leak_sd=none)
    shown = SimpleNamespace(
        hold=SimpleNamespace(start_above=-2000 * one, seconds=60 * one, change=none),
        closed=SimpleNamespace(rate=none, rate_sd=none),
        sensor=SimpleNamespace(sd=3 * one),
    )
    for is_at_end, told in ((True, 0.5), (False, 1.0)):
        assert asked.chance_of_leak(fit, shown, 0.25 * one, PER_MM2 * one, np.array([is_at_end]))[0] == told
