"""Recordings as shops make them: parts missing, clocks uneven, draws repeated, sensors clipped."""

import re

import numpy as np
import polars as pl
import pytest
from drawing import VOLUME_L, Drawing, judged, leak_coefficient_of, whole_test

from pipeline.physics.blow_down import pressure_after
from pipeline.settings import Settings


def test_missing_rest_and_closed_phases_still_give_the_leak():
    drawing = Drawing().draw(-2500).hold(60, 0.6).release()
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 0.6 < row["leak_diameter_high_mm"]
    assert row["vapor_rise_pa_s"] is None


def test_a_recording_that_ends_in_the_hold_is_judged():
    drawing = Drawing().rest().closed().draw(-2500).hold(45, 0.508)
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_mm"] == pytest.approx(0.508, rel=0.1)


def test_a_vent_opened_early_leaves_a_short_hold_that_still_shows_a_leak():
    drawing = Drawing().rest().closed().draw(-2500).hold(9, 1.016).release()
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 1.016 < row["leak_diameter_high_mm"]


def test_a_hold_too_short_to_tell_is_not_judged():
    drawing = Drawing(2.0).rest().closed().draw(-2500).hold(3).release()
    assert judged(drawing.samples(noise=20))["verdict"] == "not_judged"


def test_the_best_of_several_holds_is_used():
    drawing = Drawing().rest().closed().draw(-800).hold(5, 0.508).draw(-2600).hold(60, 0.508).release()
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "leak"
    assert row["hold_s"] == pytest.approx(60, abs=0.5)
    assert row["leak_diameter_mm"] == pytest.approx(0.508, rel=0.1)


def test_partial_and_ramped_duty_is_a_draw():
    drawing = Drawing().rest().closed().draw(-2200, 40, duty=40.0).hold(60, 0.508).release()
    samples = drawing.samples(noise=3)
    ramp = (
        pl.when(pl.col("purge_duty_pct") > 0)
        .then(pl.lit(5.0) + (pl.col("t_s") - 20).clip(0, 35))
        .otherwise(0.0)
    )
    assert judged(samples.with_columns(purge_duty_pct=ramp))["verdict"] == "leak"


def test_uneven_and_lost_samples_do_not_move_the_diameter():
    whole = whole_test(0.508, rate_hz=10.0).samples(noise=3)
    rng = np.random.default_rng(3)
    gap = whole.filter((pl.col("t_s") < 60) | (pl.col("t_s") > 68))
    thin = gap.filter(pl.Series(rng.random(gap.height) > 0.5))
    assert judged(thin)["leak_diameter_mm"] == pytest.approx(judged(whole)["leak_diameter_mm"], rel=0.06)


def test_missing_pressures_are_left_out_and_not_filled():
    samples = whole_test(0.508).samples(noise=3)
    holed = samples.with_columns(
        tank_pressure_pa=pl.when(pl.int_range(pl.len()) % 7 == 0).then(None).otherwise("tank_pressure_pa")
    )
    row = judged(holed)
    assert row["verdict"] == "leak"
    assert row["n_samples"] == holed["tank_pressure_pa"].count()


def test_the_clock_has_no_say_in_the_phases():
    samples = whole_test(0.508).samples(noise=3)
    moved = samples.with_columns(pl.col("t_s") + 4321.5)
    assert judged(moved)["leak_diameter_mm"] == pytest.approx(judged(samples)["leak_diameter_mm"], rel=1e-3)


def test_a_sensor_at_the_end_of_its_range_does_not_hide_the_leak():
    drawing = Drawing().rest().closed().draw(-3400, 20).hold(60, 0.7).release()
    clipped = drawing.samples(noise=3).with_columns(pl.col("tank_pressure_pa").clip(lower_bound=-2500))
    row = judged(clipped)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 0.7 < row["leak_diameter_high_mm"]


def test_coarse_steps_and_noise_do_not_turn_a_tight_system_into_a_leak():
    for seed in range(4):
        row = judged(whole_test(rate_hz=2.0).samples(noise=12, step=30, seed=seed))
        assert row["verdict"] == "holds"


@pytest.mark.parametrize("hole_mm", [0.0, 0.508])
def test_a_hold_under_applied_pressure_is_judged_alike(hole_mm):
    drawing = Drawing().rest(5).add(12, lambda s: 3487 * np.minimum(s / 10, 1), True, 0.0)
    k = leak_coefficient_of(hole_mm, VOLUME_L)
    drawing.add(120, lambda s: pressure_after(3487.0, s, k, 0.3), True, 0.0).release()
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == ("leak" if hole_mm else "holds")
    if hole_mm:
        assert row["leak_diameter_mm"] == pytest.approx(hole_mm, rel=0.12)
    assert "under 3" in row["evidence"]


def test_without_a_tank_size_there_is_a_verdict_and_no_diameter():
    row = judged(whole_test(0.8).samples(noise=3), fuel_tank_l=None)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_mm"] is None
    assert row["leak_diameter_low_mm"] is None
    assert row["vapor_volume_l"] is None
    assert "needs the tank's size, which is not known" in row["evidence"]
    said = re.search(
        r"mm² for each m³ of gas \((.*) to (.*) at 95%; discharge coefficient 0.61\)", row["evidence"]
    )
    true_mm2_m3 = np.pi / 4 * 0.8**2 / (VOLUME_L * 1e-3)
    assert float(said[1]) < true_mm2_m3 < float(said[2])


def test_a_tight_tank_of_no_known_size_is_told_what_would_have_shown_by_its_gas():
    row = judged(whole_test(0.0).samples(noise=3), fuel_tank_l=None)
    assert row["verdict"] == "holds"
    said = re.search(r"a hole of more than (.*) mm² for each m³ of gas would have shown", row["evidence"])
    # Smaller than the monitor's smallest, 0.508 mm, in the volume that it really holds.
    assert 0 < float(said[1]) < np.pi / 4 * 0.508**2 / (VOLUME_L * 1e-3)
    assert float(said[1]) == pytest.approx(row["leak_area_per_volume_high_mm2_m3"], rel=0.06)


def test_without_a_fuel_level_the_interval_is_wide_and_holds_the_truth():
    known = judged(whole_test(0.8).samples(noise=3))
    row = judged(whole_test(0.8).samples(noise=3), fuel_level_pct=None)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 0.8 < row["leak_diameter_high_mm"]
    width = row["leak_diameter_high_mm"] - row["leak_diameter_low_mm"]
    assert width > 2 * (known["leak_diameter_high_mm"] - known["leak_diameter_low_mm"])


def test_altitude_is_taken_from_the_barometer():
    samples = whole_test(0.8).samples(noise=3)
    low, high = judged(samples), judged(samples, barometric_kpa=80.0)
    assert high["leak_diameter_mm"] / low["leak_diameter_mm"] == pytest.approx(
        (101.325 / 80) ** 0.25, rel=0.01
    )


@pytest.mark.parametrize(
    ("start_in", "end_in", "settings", "verdict"),
    [
        (14.0, 8.4, Settings(), "pass"),
        (14.0, 7.6, Settings(), "fail"),
        (13.6, 7.8, Settings(), "fail"),
        (13.6, 7.8, Settings(pressure_test_wording="loss"), "pass"),
        (13.2, 12.0, Settings(), "invalid"),
        (26.5, 25.0, Settings(), "invalid"),
        (13.2, 12.0, Settings(pressure_test_tolerance_inh2o=1.0), "pass"),
    ],
)
def test_a_pressure_test_is_judged_by_the_published_criterion_too(start_in, end_in, settings, verdict):
    """14 +/- 0.5 inches of water, above 8 after 2 minutes (40 CFR 51.357 as of 1992, from memory), or not more than 6
    lost from 14 +/- 1 (a bulletin of 2000 that quotes EPA guidance)."""
    inch = 249.0889
    drawing = Drawing().rest().closed(rate=0.3)
    drawing.add(125, lambda s: inch * (start_in + (end_in - start_in) * np.minimum(s / 120, 1)), True, 0.0)
    row = judged(drawing.release().samples(noise=1), settings)
    assert row["pressure_test"] == verdict
    if verdict == "invalid":
        assert ("never goes above 26" if start_in > 26 else "did not start") in row["evidence"]
        return
    is_loss = settings.pressure_test_wording == "loss"
    asked = "no more than 6 lost in 2 minutes" if is_loss else "still above 8 after 2 minutes"
    tolerance = settings.pressure_test_tolerance_inh2o
    assert (
        f"By the published criterion (14 ± {tolerance:g} in of water, {asked}) it {verdict}"
        in row["evidence"]
    )
    read = start_in - end_in if is_loss else end_in if verdict == "pass" else 8.0
    said = re.search(r"it (?:passes|fails): ([\d.]+) in were", row["evidence"])
    assert float(said[1]) == pytest.approx(read, abs=0.1)


def test_the_criterion_starts_where_the_source_was_closed_though_a_leak_falls_at_once():
    """A lead technician's 1.42 mm at 1 Hz: said to have started at 12.9 inches, on the way up."""
    up = [0.0, 228.0, 860.0, 1442.0, 2215.0, 2722.0, 3218.0, 3510.0]
    drawing = Drawing(1.0).rest(12).closed(5, rate=0.0)
    drawing.add(len(up), lambda s: np.array(up)[s.astype(int)], True, 0.0)
    drawing.add(120, lambda s: np.maximum(59.2 - 3.4 * (s + 1), 0) ** 2, True, 0.0)
    row = judged(drawing.release().samples())
    assert row["pressure_test"] == "fail"
    assert "was put under 3510 Pa (14.1 in of water)" in row["evidence"]


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0])
@pytest.mark.parametrize(
    ("start_in", "end_in", "hold_s", "verdict"),
    [(14.2, 11.5, 119.5, "pass"), (14.2, 11.5, 120.0, "pass"), (12.5, 12.0, 80.0, "no_verdict")],
)
def test_a_reading_of_the_opened_vent_is_not_held(start_in, end_in, hold_s, verdict, rate_hz):
    """14 inches of water, above 8 after 2 minutes (40 CFR 51.357 as of 1992, from memory): the vent opened at the end
    of the two minutes, or long before, and at once nothing is left."""
    inch = 249.0889
    drawing = Drawing(rate_hz).rest().closed(rate=0.3)
    drawing.add(hold_s, lambda s: inch * (start_in + (end_in - start_in) * s / hold_s), True, 0.0)
    drawing.add(8, lambda s: 0 * s, False, 0.0)
    row = judged(drawing.samples(noise=1), Settings(pressure_test_tolerance_inh2o=1.6))
    assert row["pressure_test"] == verdict


def test_a_draw_is_no_pressure_test():
    assert judged(whole_test().samples(noise=3))["pressure_test"] is None


@pytest.mark.parametrize("hole_mm", [2.0, 2.6, 3.4])
def test_a_decay_of_a_second_or_two_is_fitted_as_what_it_is(hole_mm: float) -> None:
    """Shut before the draw the tank stands still: taken for no leak, it would hold the fit at none."""
    volume_l = 18.0
    drawing = Drawing(8.0).rest().closed(18, 0.0).draw(-1900, 2.0).hold(40, hole_mm, 0.0, volume_l).release()
    row = judged(drawing.samples(noise=5), fuel_tank_l=volume_l - 3.5, fuel_level_pct=0.0)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < hole_mm < row["leak_diameter_high_mm"]
    assert row["leak_diameter_mm"] == pytest.approx(hole_mm, rel=0.2)


@pytest.mark.parametrize(("hole_mm", "verdict"), [(0.0, "holds"), (0.9, "leak")])
@pytest.mark.parametrize("time_constant", [0.1, 0.5])
def test_a_hold_ends_where_something_opens_whatever_is_commanded(hole_mm, verdict, time_constant):
    drawing = Drawing().rest().closed().draw(-2500).hold(20, hole_mm)
    level = drawing.pa[-1]
    drawing.add(40, lambda s: level * np.exp(-s / time_constant), True, 0.0).release()
    row = judged(drawing.samples(noise=5))
    assert row["verdict"] == verdict
    assert re.search(r"After (19|20) s of the hold something opened", row["evidence"])
    if hole_mm:
        assert row["leak_diameter_low_mm"] < hole_mm < row["leak_diameter_high_mm"]


@pytest.mark.parametrize("hole_mm", [0.5, 1.0, 2.0, 3.5])
@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_a_decay_through_a_hole_opens_nothing(hole_mm, rate_hz):
    """Also where the clock stood still for a while, so that the pressure seems to fall in an instant."""
    samples = whole_test(hole_mm, 90.0, rate_hz).samples(noise=10)
    for at in (52.0, 55.0, 60.0, 80.0):
        stood = samples.with_columns(
            pl.when(pl.col("t_s") > at).then(pl.col("t_s") - 4).otherwise("t_s").alias("t_s")
        )
        kept = stood.filter(pl.col("t_s") > pl.col("t_s").shift(1).cum_max().fill_null(-1))
        assert "something opened" not in judged(kept)["evidence"]


def _put_under(
    pa: float, bled_to_pa: float, hole_mm: float, volume_l: float, hold_s: float = 125.0
) -> Drawing:
    """Filled to a pressure in ten seconds, bled by hand in four where it is to be less, held, let go by the vent."""
    drawing = Drawing(2.0).rest().closed(rate=0.3).add(10, lambda s: pa * s / 10, True, 0.0)
    if bled_to_pa < pa:
        drawing.add(4, lambda s: pa + (bled_to_pa - pa) * s / 4, True, 0.0)
    # Without vapor the root of the pressure falls evenly: dp/dt = -K sqrt(p).
    fall = leak_coefficient_of(hole_mm, volume_l) / 2
    drawing.add(hold_s, lambda s: np.maximum(np.sqrt(bled_to_pa) - fall * s, 0) ** 2, True, 0.0)
    return drawing.add(8, lambda s: 0 * s, False, 0.0)


@pytest.mark.parametrize("volume_l", [20.0, 35.0, 60.0])
@pytest.mark.parametrize("hole_mm", [0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
def test_a_pressure_that_goes_through_a_hole_was_not_let_go(hole_mm, volume_l):
    """It keeps still for four seconds, as one does that is let go, and then goes on as before: 14 inches of water."""
    for seed in range(3):
        samples = _put_under(3487.0, 3487.0, hole_mm, volume_l).samples(noise=5, seed=seed)
        row = judged(samples, fuel_tank_l=volume_l - 3.5, fuel_level_pct=0.0)
        assert "let go" not in row["evidence"]
        assert row["hold_s"] > 122
        # Drawn with air; the vapor that is taken to flow out makes a hole 9 % larger (`sizes._outflow`).
        assert row["leak_diameter_low_mm"] < hole_mm * 1.09 < row["leak_diameter_high_mm"]


def test_a_pressure_that_was_put_in_too_high_and_bled_by_hand_was_not_let_go():
    """26.6 inches of water bled to 14.2, then a leak: the hold is what follows, to its end."""
    inch = 249.0889
    samples = _put_under(26.6 * inch, 14.2 * inch, 0.45, VOLUME_L).samples(noise=5)
    row = judged(samples)
    assert "let go" not in row["evidence"]
    assert row["hold_s"] > 122
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 0.45 < row["leak_diameter_high_mm"]


@pytest.mark.parametrize(("hole_mm", "lag_s"), [(1.6, 0.7), (2.0, 0.7)])
def test_a_sensor_that_follows_late_makes_a_large_hole_look_small_and_the_bound_knows(hole_mm, lag_s):
    """What smooths a reading by half a second and more stretches a decay of two seconds by half."""
    drawing = Drawing(10.0).rest().closed(rate=0.0).draw(-300).hold(60, hole_mm, 0.0).release()
    followed = np.array(drawing.pa)
    for i in range(1, len(followed)):
        followed[i] = followed[i - 1] + (drawing.pa[i] - followed[i - 1]) * 0.1 / lag_s
    quick = judged(drawing.samples(noise=2))
    drawing.pa = followed.tolist()
    late = judged(drawing.samples(noise=2))
    assert late["verdict"] == "leak"
    assert late["leak_diameter_mm"] < 0.95 * hole_mm
    assert late["leak_diameter_low_mm"] < hole_mm < late["leak_diameter_high_mm"]
    assert quick["leak_diameter_low_mm"] < hole_mm < quick["leak_diameter_high_mm"]


def test_lateness_says_nothing_of_a_decay_that_takes_a_minute():
    """1.5 s of 60 s are one part in 40 of the area, far below what the volume leaves open."""
    row = judged(whole_test(0.6, hold_s=120).samples(noise=2))
    down = np.log(row["leak_diameter_mm"] / row["leak_diameter_low_mm"])
    up = np.log(row["leak_diameter_high_mm"] / row["leak_diameter_mm"])
    assert up == pytest.approx(down, rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_a_decay_over_in_three_samples_is_sized_by_the_time_it_took(seed):
    drawing = Drawing(1.0).rest(8).closed(15, 0.0).draw(-300, 20).hold(60, 2.0, 0.0, 20.0).release()
    header = {"fuel_tank_l": 30.0, "fuel_level_pct": 45.0}
    row = judged(drawing.samples(noise=12, step=12.0, seed=seed), **header)
    assert row["verdict"] in ("leak", "gross_leak")
    if row["verdict"] == "leak":
        assert row["leak_diameter_low_mm"] < 2.0
        assert row["leak_diameter_high_mm"] is None or row["leak_diameter_high_mm"] > 2.0


@pytest.mark.parametrize("leap_s", [90.0, 600.0, 3600.0])
@pytest.mark.parametrize("hole_mm", [0.0, 0.8])
def test_a_clock_that_leaps_by_more_than_the_hold_ends_it_and_is_told(hole_mm, leap_s):
    """Of an hour that never passed a hole of 0.8 mm was told as one of 0.1 mm, for sure."""
    whole = whole_test(hole_mm).samples(noise=3)
    at = whole.filter(pl.col("purge_duty_pct") > 0)["t_s"].max() + 28.0
    leapt = whole.with_columns(pl.col("t_s") + pl.when(pl.col("t_s") > at).then(leap_s).otherwise(0.0))
    row = judged(leapt)
    assert row["verdict"] == ("leak" if hole_mm else "holds")
    assert row["leak_diameter_low_mm"] <= hole_mm <= row["leak_diameter_high_mm"]
    assert row["hold_s"] == pytest.approx(28, abs=0.5)
    assert f"After 28 s of the hold the clock leapt by {leap_s:.0f} s, or" in row["evidence"]


@pytest.mark.parametrize("period", [2, 5, 10])
@pytest.mark.parametrize("hole_mm", [0.0, 0.8])
def test_a_purge_that_is_seen_pulse_by_pulse_is_one_draw(hole_mm, period):
    """Of a valve in pulses a recorder sees open and shut by turns: that had been told as no test at all."""
    samples = whole_test(hole_mm, rate_hz=10.0).samples(noise=3)
    pulse = pl.int_range(pl.len()) % period == 0
    seen = samples.with_columns(
        purge_duty_pct=pl.when(pulse).then(0.3 * pl.col("purge_duty_pct")).otherwise(0.0)
    )
    row = judged(seen)
    assert row["verdict"] == ("leak" if hole_mm else "holds")
    assert row["draw_rate_pa_s"] == pytest.approx(judged(samples)["draw_rate_pa_s"], rel=0.2)


@pytest.mark.parametrize("hole_mm", [0.0, 0.8])
def test_a_reading_that_freezes_in_the_hold_blocks_no_vent(hole_mm):
    """A recorder that repeats the last answer goes on doing so when the vent opens."""
    samples = whole_test(hole_mm, 90).samples(noise=3)
    at = samples.filter(pl.col("purge_duty_pct") > 0)["t_s"].max() + 30.0
    last = samples.filter(pl.col("t_s") <= at)["tank_pressure_pa"][-1]
    frozen = pl.when(pl.col("t_s") > at).then(last).otherwise("tank_pressure_pa")
    row = judged(samples.with_columns(tank_pressure_pa=frozen))
    assert row["verdict"] == ("leak" if hole_mm else "holds")
    assert row["leak_diameter_low_mm"] <= hole_mm <= row["leak_diameter_high_mm"]
    assert "In the last 68 s the reading stood dead still" in row["evidence"]


def test_a_tank_that_has_nothing_left_to_lose_is_no_reading_that_stood_still():
    """In coarse steps an emptied tank reads what the open vent reads, also when the vent opens."""
    whole = whole_test(3.0, 90)
    lively = whole.samples(noise=25, step=20.0, seed=3)
    at = lively.filter(pl.col("purge_duty_pct") > 0)["t_s"].max() + 30.0
    emptied = pl.when(pl.col("t_s") > at).then(0.0).otherwise("tank_pressure_pa")
    row = judged(lively.with_columns(tank_pressure_pa=emptied))
    assert row["verdict"] == "leak"
    assert "stood dead still" not in row["evidence"]
    # One that stands off the open vent's level is dead.
    stuck = pl.when(pl.col("t_s") > at).then(-700.0).otherwise("tank_pressure_pa")
    assert "stood dead still" in judged(lively.with_columns(tank_pressure_pa=stuck))["evidence"]


@pytest.mark.parametrize(("step", "noise"), [(10.0, 3.0), (25.0, 8.0)])
def test_a_reading_that_keeps_to_one_step_while_the_vent_stays_shut_is_no_recorder_that_hung(step, noise):
    """In a tight tank without vapor the vacuum comes to rest within a step, and stays there when the vent is opened."""
    drawing = Drawing().rest().closed(rate=0.0).draw(-2000).hold(60, vapor=0.0).release(12, 1e6)
    samples = drawing.samples(noise=noise, step=step, seed=2)
    at = samples.filter(pl.col("purge_duty_pct") > 0)["t_s"].max() + 45.0
    still = pl.when(pl.col("t_s") > at).then(-2000.0).otherwise("tank_pressure_pa")
    row = judged(samples.with_columns(tank_pressure_pa=still))
    assert row["verdict"] == "vent_restricted"
    assert "dead still" not in row["evidence"]


def test_a_rise_is_told_from_the_greatest_vacuum_on_also_where_the_valve_shut_late():
    """The purge is commanded shut, and the vacuum grows for another half second."""
    drawing = Drawing().rest().closed().draw(-2000)
    late = drawing.add(0.6, lambda s: -2000 - 700 * s / 0.6, True, 0.0)
    late.add(60, lambda s: -2700 + 2 * s, True, 0.0)
    row = judged(late.release().samples(noise=1))
    rose = float(re.search(r"the pressure rose by (\d+) Pa", row["evidence"])[1])
    # Up to the middle of the hold's last fifth.
    assert rose == pytest.approx(0.9 * 60 * 2, abs=15)


def test_one_step_of_a_coarse_sensor_is_nothing_that_opened():
    """Whole kilopascals: a tank that warms by some hundred pascals is read as one that loses a third at once."""
    drawing = Drawing().rest().closed().draw(-2700)
    drawing.add(90, lambda s: -2300 - 400 * np.exp(-s / 12), True, 0.0)
    row = judged(drawing.release().samples(noise=3, step=1000.0))
    assert "something opened" not in row["evidence"]
    assert row["hold_s"] == pytest.approx(90, abs=0.5)


def test_times_of_a_clock_that_leapt_are_said_to_be_the_clocks():
    whole = whole_test(0.8, 90).samples(noise=3)
    at = whole.filter(pl.col("purge_duty_pct") > 0)["t_s"].max() + 28.0
    leapt = whole.with_columns(pl.col("t_s") + pl.when(pl.col("t_s") > at).then(40.0).otherwise(0.0))
    assert "Times are the clock's, which leapt ahead by about 40 s" in judged(leapt)["evidence"]
    assert "clock" not in judged(whole)["evidence"]


def test_a_reading_that_freezes_before_the_draw_is_no_test_and_is_told_so():
    samples = whole_test(0.8).samples(noise=3)
    frozen = pl.when(pl.col("t_s") > 12.0).then(1.5).otherwise("tank_pressure_pa")
    row = judged(samples.with_columns(tank_pressure_pa=frozen))
    assert row["verdict"] == "not_judged"
    assert "the reading stood dead still before there was a test" in row["evidence"]
    assert "never opened" not in row["evidence"]


def test_what_a_sensor_at_its_end_saw_of_a_draw_is_the_least_of_it():
    clipped = whole_test(1.2).samples(noise=3).with_columns(pl.col("tank_pressure_pa").clip(-1500, 1500))
    row = judged(clipped)
    assert row["verdict"] == "leak"
    assert "Purge pulled at least 15" in row["evidence"]
    assert "at least" not in judged(whole_test(1.2).samples(noise=3))["evidence"]


@pytest.mark.parametrize("hole_mm", [0.0, 0.8])
def test_a_vacuum_that_is_drawn_without_a_command_accuses_no_valve_of_passing(hole_mm):
    """What passes a shut valve goes on passing: a pump, or a purge whose command was not recorded, stops."""
    samples = whole_test(hole_mm).samples(noise=3).with_columns(purge_duty_pct=pl.lit(0.0))
    row = judged(samples)
    assert row["verdict"] == "not_judged"
    assert "a vacuum came and stopped while the purge was commanded shut" in row["evidence"]


@pytest.mark.parametrize("passes_pa_s", [-5.0, -60.0, -300.0])
def test_a_valve_that_passes_from_the_moment_the_vent_shuts_is_still_accused(passes_pa_s):
    drawing = Drawing().rest().add(60, lambda s: 6000 * np.expm1(s * passes_pa_s / 6000), True, 0.0).release()
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "purge_passes_closed"
