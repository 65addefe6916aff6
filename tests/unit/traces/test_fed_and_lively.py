"""Supplies that a leak outruns, fuel that lifts the pressure past the vented level, recordings that end at once: what a
fourteenth author's recordings were told wrongly, or left unjudged."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pipeline.traces.signs import CAME_TIMES
from tests.unit.traces.drawing import Drawing, judged, leak_coefficient_of
from tests.unit.traces.test_steady_flow import fed

VOLUME_L = 39.5


def outrun(hole_mm: float, level_pa: float, fed_s: float, after_s: float) -> Drawing:
    """Fed up to a level that the hole keeps (p' = (level - p) / 8 s), for `fed_s`; shut off, and watched."""
    drawing = Drawing(5.0).rest().closed(12, rate=0.0)
    drawing.add(fed_s, lambda s: level_pa * -np.expm1(-s / 8), True, 0.0)
    return drained(drawing, hole_mm, VOLUME_L, after_s).add(8, lambda s: 0 * s, False, 0.0)


def drained(drawing: Drawing, hole_mm: float, volume_l: float, seconds: float) -> Drawing:
    """Let what stands go through a hole, nothing else open: its root falls evenly."""
    start, fall = np.sqrt(drawing.pa[-1]), leak_coefficient_of(hole_mm, volume_l) / 2
    return drawing.add(seconds, lambda s: np.maximum(start - fall * s, 0) ** 2, True, 0.0)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("hole_mm", "level_pa"), [(1.5, 2200.0), (2.2, 1200.0), (2.5, 3300.0)])
def test_a_leak_that_outran_its_supply_is_sized_by_what_follows(hole_mm, level_pa, seed):
    """The hold begins where the supply was shut off, not where the pressure first stood."""
    row = judged(outrun(hole_mm, level_pa, 90.0, 100.0).samples(noise=5, seed=seed))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < hole_mm < row["leak_diameter_high_mm"]
    assert row["leak_diameter_mm"] == pytest.approx(hole_mm, rel=0.2)


@pytest.mark.parametrize("hole_mm", [0.6, 0.8])
def test_a_supply_that_was_left_on_a_small_leak_is_found_by_the_bend(hole_mm):
    """A minute of an even pressure at 14 inches of water, then a minute and a half of a leak that leaves most of it."""
    row = judged(outrun(hole_mm, 3480.0, 70.0, 95.0).samples(noise=5))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < hole_mm < row["leak_diameter_high_mm"]


@pytest.mark.parametrize("closed_s", [0.6, 1.4, 12.0])
def test_a_short_closed_phase_does_not_excuse_a_pressure_that_is_lost(closed_s):
    """What the fuel does was told so poorly that any loss could have been its own."""
    drawing = Drawing(5.0).rest().closed(closed_s, rate=0.0).add(20, lambda s: 3480 * s / 20, True, 0.0)
    drawing.add(90, lambda s: 3480 * np.exp(-s / 30), True, 0.0).release()
    assert judged(drawing.samples(noise=8, step=10.0))["verdict"] == "leak"


def test_what_goes_in_the_end_only_is_not_watched_after_it():
    """Two minutes of a pressure that stands, and ten seconds of one that goes: nobody says what shut that off."""
    row = judged(outrun(2.2, 1200.0, 130.0, 10.0).samples(noise=5))
    assert row["verdict"] == "not_judged"


def test_a_plateau_that_sinks_a_little_under_its_supply_is_no_small_leak():
    """It went within seconds with the vent shut: through a hole of 3 mm, or by a hose that was pulled off a fitting as
    narrow. What sank before that may have been the supply's."""
    drawing = (
        Drawing(5.0).rest().closed(12, rate=0.0).add(15, lambda s: 1300 * -np.expm1(-s / 2.5), True, 0.0)
    )
    drawing.add(30, lambda s: 1300 - 4 * s, True, 0.0)
    drained(drawing, 2.9, 15.0, 120.0).rest()
    row = judged(drawing.samples(noise=2), fuel_tank_l=21.4, fuel_level_pct=53.0)
    assert row["verdict"] == "not_judged"
    assert "the supply may have been on until then" in row["evidence"]


@pytest.mark.parametrize("level_pa", [500.0, 900.0, 1700.0])
def test_a_filling_that_never_came_near_that_of_a_test_and_is_gone_at_once_does_not_hold(level_pa):
    """Beside a hole of 8 mm a supply keeps that up, until it is shut off: it had been told to hold, up to 0.98."""
    drawing = (
        Drawing(5.0).rest().closed(12, rate=0.0).add(12, lambda s: level_pa * -np.expm1(-s / 1.5), True, 0.0)
    )
    drawing.add(40, lambda s: level_pa * (1 + 0.004 * np.sin(s / 3)) - 0.2 * s, True, 0.0)
    drained(drawing, 8.0, VOLUME_L, 100.0).rest()
    row = judged(drawing.samples(noise=2))
    assert row["verdict"] == "not_judged"
    assert row["pressure_test"] is None


@pytest.mark.parametrize("time_constant_s", [6.0, 12.0, 20.0])
def test_a_pressure_that_goes_as_through_a_porous_wall_is_a_leak(time_constant_s):
    """Through fine cracks flow goes with the pressure, not with its root: no orifice fits, nor does a tight tank."""
    drawing = Drawing(5.0).rest().closed(12, rate=0.0).add(20, lambda s: 3480 * s / 20, True, 0.0)
    drawing.add(100, lambda s: 3480 * np.exp(-s / time_constant_s), True, 0.0).release()
    assert judged(drawing.samples(noise=5))["verdict"] == "leak"


@pytest.mark.parametrize("time_constant_s", [25.0, 45.0])
def test_a_tight_tank_whose_fuel_lifts_it_past_the_vented_level_holds(time_constant_s):
    """It rises there as it did before the draw, where a hole would let the gas out again."""
    drawn, rate = -265.0, 2.0

    def warms(s: np.ndarray) -> np.ndarray:
        """Two fifths of the small vacuum are cold gas that warms."""
        return drawn * (1 - 0.4 * -np.expm1(-s / time_constant_s)) + rate * s

    drawing = Drawing(5.0).rest().closed(12, rate=rate).draw(drawn, 4.0, 20.0)
    row = judged(drawing.add(115, warms, True, 0.0).release().samples(noise=3))
    assert row["verdict"] == "holds"
    assert row["confidence"] > 0.95


def test_a_hole_under_lively_fuel_stays_one_on_both_sides():
    """0.6 mm at 6 Pa/s: it comes to rest above the vented level, soon."""
    drawing = Drawing(5.0).rest().closed(12, rate=2.0).draw(-2500.0)
    row = judged(drawing.hold(100, 0.6, 6.0).release().samples(noise=3))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 0.6 < row["leak_diameter_high_mm"]


def test_a_recording_that_ends_as_the_purge_shuts_tells_no_valve_that_passes():
    """Valve and sensor answer late: the vacuum grows by 250 Pa for a second after a fast draw."""
    drawing = Drawing(5.0).rest().closed(6, rate=0.0).add(3, lambda s: -800 * s, True, 60.0)
    drawing.add(2.6, lambda s: -2400 - 250 * -np.expm1(-s / 0.5), True, 0.0)
    assert judged(drawing.samples(noise=3))["verdict"] == "not_judged"


@pytest.mark.parametrize(("hole_mm", "verdict"), [(3.0, "leak"), (9.0, "gross_leak")])
def test_a_steady_flow_through_more_than_any_leak_is_a_gross_one(hole_mm, verdict):
    """A vacuum would not build: the word is the same whichever way it was tested, and the size is a lower bound."""
    row = judged(fed(hole_mm, 15.0 if hole_mm > 4 else 12.0))
    assert row["verdict"] == verdict
    assert row["leak_diameter_low_mm"] < hole_mm
    assert (row["leak_diameter_high_mm"] is None) == (verdict == "gross_leak")


def beside_a_gross_leak(hole_mm: float, level_pa: float, slower: float = 1.0) -> Drawing:
    """A steady supply into a tank with a hole, p' = k (sqrt(level) - sqrt(p)), `slower` times as slowly as it is;
    half a minute later it is shut off, the vent still commanded shut."""
    k = leak_coefficient_of(hole_mm, VOLUME_L) / slower

    def fed_by(s: np.ndarray) -> np.ndarray:
        rises = solve_ivp(
            lambda _, p: k * (np.sqrt(level_pa) - np.sqrt(np.maximum(p, 0))), (0, s[-1]), [0.0], t_eval=s
        )
        return rises.y[0]

    drawing = Drawing(10.0).rest().closed(12, rate=0.0).add(30 + 4 * slower, fed_by, True, 0.0)
    return drained(drawing, hole_mm, VOLUME_L, 60.0).rest()


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("hole_mm", "level_pa"), [(4.5, 500.0), (6.0, 900.0), (7.5, 1500.0)])
def test_a_supply_that_a_gross_leak_outran_comes_as_fast_as_it_goes(hole_mm, level_pa, seed):
    """No vacuum and no pressure builds behind such a hole: it is told by how the little that came went again."""
    row = judged(beside_a_gross_leak(hole_mm, level_pa).samples(noise=4, seed=seed))
    assert row["verdict"] == "gross_leak"
    assert row["leak_censoring"] == "right"
    assert 2.5 < row["leak_diameter_low_mm"] < hole_mm
    assert "The supply brought the system to no more than" in row["evidence"]
    assert "was left out" not in row["evidence"]
    assert row["pressure_test"] is None


def test_what_came_many_times_as_slowly_as_it_went_may_be_an_opened_cap():
    """A tight tank, filled to some inches of water only, and opened by hand, goes as fast as through a gross leak."""
    row = judged(beside_a_gross_leak(6.0, 900.0, slower=12.0).samples(noise=4))
    assert row["verdict"] == "not_judged"
    assert "or the supply was taken off" in row["evidence"]


def test_a_steady_supply_beside_a_hole_rises_in_a_time_that_its_fall_tells():
    """0.83: p' = 1 - sqrt(p) from a tenth to half over p' = -sqrt(p) from 1 to a fifth, both integrated by scipy."""

    def seconds(rate, start, end):
        end_of = [lambda _, p, level=level: p[0] - level for level in (start[1], end)]
        walk = solve_ivp(rate, (0, 20), [start[0]], events=end_of, rtol=1e-9, atol=1e-12)
        return walk.t_events[1][0] - (walk.t_events[0][0] if start[1] != start[0] else 0.0)

    rise = seconds(lambda _, p: 1 - np.sqrt(np.maximum(p, 0)), (0.0, 0.1), 0.5)
    fall = seconds(lambda _, p: -np.sqrt(np.maximum(p, 0)), (1.0, 1.0), 0.2)
    assert rise / fall == pytest.approx(0.83, abs=0.005)
    assert rise / fall < 0.5 * CAME_TIMES


@pytest.mark.parametrize("level_pa", [180.0, 320.0])
def test_little_that_came_and_went_at_once_was_put_in(level_pa):
    """A hundred pascals and more that stand in a shut tank between one step up and one step down: no fuel does that."""
    row = judged(beside_a_gross_leak(8.0, level_pa).samples(noise=4))
    assert row["verdict"] == "gross_leak"


def test_little_that_warm_fuel_brings_is_no_test():
    """It neither hurries, nor stops, nor goes before the vent opens."""
    drawing = Drawing(5.0).rest().closed(90, rate=4.0).rest(20)
    row = judged(drawing.samples(noise=4))
    assert (row["verdict"], "no test was run" in row["evidence"]) == ("not_judged", True)


def test_a_filling_is_told_by_its_own_rise_and_not_by_all_that_followed():
    """Watched for two minutes after it went: the highest reading lies late in the plateau, which creeps."""
    drawing = Drawing(5.0).rest().closed(5, rate=0.0)
    drawing.add(0.8, lambda s: 570 * s / 0.8, True, 0.0).add(110, lambda s: 570 + 0.7 * s, True, 0.0)
    row = judged(drained(drawing, 8.0, VOLUME_L, 130.0).rest().samples(noise=6))
    assert row["verdict"] == "gross_leak"
