"""Recordings of which a telling part is hidden: at the sensor's end, in lost samples, behind a blocked vent."""

import numpy as np
import polars as pl
import pytest
from drawing import Drawing, judged


def _clipped(samples: pl.DataFrame, end: float) -> pl.DataFrame:
    return samples.with_columns(pl.col("tank_pressure_pa").clip(lower_bound=end))


def test_a_hold_at_the_sensors_end_is_not_judged_and_says_why():
    drawing = Drawing().rest().closed().draw(-2650).hold(60, vapor=0.0).release()
    row = judged(_clipped(drawing.samples(noise=3), -2500))
    assert row["verdict"] == "not_judged"
    assert "end of its range" in row["evidence"]


def test_a_quiet_tank_at_one_coarse_step_is_not_at_the_sensors_end():
    """Of a sensor whose neighbors are always equal a level that keeps still tells what it seems to tell."""
    drawing = Drawing().rest().closed(rate=0.0).add(30, lambda s: -2500 * s / 30, True, 100.0)
    drawing.hold(60, vapor=0.0).release()
    assert judged(drawing.samples(step=50.0))["verdict"] == "holds"


def test_vacuum_that_grows_to_the_sensors_end_passes_the_purge_valve():
    """It grows for 20 s only, as far as it can be seen: by less than cooling would do in the whole hold."""
    drawing = Drawing().rest().closed().draw(-2300)
    drawing.add(120, lambda s: -2300 - 10 * s, True, 0.0).release(8, 0.3)
    row = judged(_clipped(drawing.samples(noise=3), -2500))
    assert row["verdict"] == "purge_passes_closed"


def test_a_vacuum_beyond_the_sensors_end_does_not_make_the_vent_slow():
    """Half of what is seen is gone 5.6 s after the vent opened, 1.9 s after the reading left the sensor's end."""
    drawing = Drawing().rest().closed().draw(-2700).add(60, lambda s: -2700 - 65 * s, True, 0.0)
    drawing.add(14, lambda s: -6600 * np.maximum(1 - s / 10, 0) ** 2, False, 0.0)
    row = judged(_clipped(drawing.samples(noise=3), -2600))
    assert row["verdict"] != "vent_restricted"


def test_a_blocked_vent_is_seen_past_samples_that_were_lost_as_it_opened():
    samples = Drawing().rest().closed().draw(-2500).hold(40).release(9, 60.0).samples(noise=3)
    assert judged(samples.filter(~pl.col("t_s").is_between(85, 92.5)))["verdict"] == "vent_restricted"


@pytest.mark.parametrize(("first_s", "second_s"), [(75, 40), (40, 75), (60, 60)])
def test_a_vent_that_stays_shut_after_two_draws_is_seen_whichever_hold_is_read(first_s, second_s):
    """Only what followed the chosen hold had been asked: after the first of two, that is a draw, and no release."""
    drawing = Drawing().rest().closed().draw(-1800).hold(first_s).draw(-1900).hold(second_s)
    assert judged(drawing.release(9, 60.0).samples(noise=3))["verdict"] == "vent_restricted"


@pytest.mark.parametrize("level", [700.0, -700.0])
def test_pressure_that_moves_at_rest_accuses_the_vent_and_not_the_sensor(level):
    rate = 4.0
    drawing = Drawing().add(10, lambda s: level + rate * s, False, 0.0)
    drawing.closed(20, rate, level + 10 * rate).draw(-1800).hold(60, vapor=rate)
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "vent_restricted"
    assert "as in a shut one" in row["evidence"]


def test_without_a_release_an_offset_is_told_and_the_vent_named_beside_it():
    drawing = Drawing().rest(4, 700.0).draw(-1800).hold(60, vapor=0.0)
    row = judged(drawing.samples(noise=3))
    assert (row["verdict"], row["second_verdict"]) == ("sensor_offset", "vent_restricted")
    assert row["confidence"] < 0.9


def test_a_rest_that_keeps_still_where_the_shut_tank_creeps_clears_the_vent():
    drawing = Drawing().rest(10, 700.0).closed(20, 6.0, 700.0).draw(-1800).hold(60, vapor=6.0)
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "sensor_offset"
    assert row["confidence"] > 0.95


def test_two_readings_before_and_two_after_the_test_that_agree_are_a_zero():
    drawing = Drawing(1.0).rest(2, 430.0).closed(20, 1.0, 430.0).draw(-1600).hold(100).release(5, 0.1, 430.0)
    row = judged(drawing.samples(noise=3))
    assert row["verdict"] == "sensor_offset"
    assert row["rest_pressure_pa"] == pytest.approx(430, abs=5)


def test_a_hold_that_leaked_all_away_tells_the_vented_level():
    """Shut from its first sample on, and cut at the hold's end: 1.3 mm, read 70 Pa too low."""
    samples = Drawing().closed().draw(-1500).hold(90, 1.3).samples(noise=3, step=10.0)
    row = judged(samples.with_columns(pl.col("tank_pressure_pa") - 70))
    assert row["verdict"] == "leak"
    assert row["rest_pressure_pa"] == pytest.approx(-70, abs=8)
    # Nothing warms again in what is drawn here, as it does in a tank.
    assert row["leak_diameter_mm"] == pytest.approx(1.3, rel=0.1)


def test_a_vacuum_that_stays_tells_no_vented_level():
    samples = Drawing().closed().draw(-2500).hold(90, vapor=0.0).samples(noise=3)
    assert judged(samples)["rest_pressure_pa"] is None


def test_gas_that_cools_after_an_earlier_test_is_no_purge_that_passes():
    """Air that rushed in at the first release warmed it: shut again, it cools by some 80 Pa and then no more."""
    drawing = Drawing().rest().closed(15, 0.0).draw(-2500).hold(60, vapor=0.3).release(12)
    drawing.add(24, lambda s: -80 * (1 - np.exp(-s / 10)), True, 0.0)
    drawing.draw(-2500).hold(90, vapor=0.3).release()
    result = judged(drawing.samples(noise=3))
    assert result["verdict"] == "holds"


def test_a_vent_that_opens_a_second_before_its_command_shows_is_nothing_that_opened_by_itself():
    def evidence(early_s: float) -> str:
        drawing = Drawing(10.0).rest().closed().draw(-2500).hold(60, vapor=0.3)
        drawing.add(early_s, lambda s: drawing.pa[-1] * np.exp(-s / 0.15), True, 0.0).release(8, 0.1)
        return judged(drawing.samples(noise=3))["evidence"]

    assert "something opened" not in evidence(0.9)
    assert "something opened" in evidence(6.0)


@pytest.mark.parametrize(("time_constant", "verdict"), [(0.5, "holds"), (6.5, "vent_restricted")])
def test_a_vacuum_that_stays_when_the_purge_stops_under_the_open_vent_accuses_its_path(
    time_constant, verdict
):
    """Purge that flowed before the test, no release after it: behind a sound vent it is gone in a second."""
    drawing = Drawing(4.0).rest(8).add(6, lambda s: -420 * s / 6, False, 50.0)
    drawing.release(7, time_constant).closed(8, rate=0.5, level=drawing.pa[-1]).draw(-2300.0, 15)
    row = judged(drawing.hold(90, vapor=0.6).samples(noise=3))
    assert row["verdict"] == verdict
    is_told = "After the purge was shut, before any test and with the vent open, it took" in row["evidence"]
    assert is_told == (verdict == "vent_restricted")


def test_a_level_that_the_purge_neither_brought_nor_left_is_the_sensors():
    """Recorded from a purge that flows, with the sensor 230 Pa off: nothing tells the vented level, and it stays."""
    drawing = Drawing(4.0).add(9, lambda s: 0 * s - 230, False, 10.0).rest(4, -230.0)
    drawing.closed(20, rate=1.0, level=-230.0).draw(-2300.0, 12).hold(90, vapor=0.6)
    assert judged(drawing.samples(noise=3))["verdict"] != "vent_restricted"


@pytest.mark.parametrize("lost_s", [0.0, 9.5])
def test_samples_that_are_lost_as_the_vent_opens_make_no_vent_slow(lost_s):
    """Nothing was recorded while the vacuum went: it may have taken a second."""
    drawing = (
        Drawing(2.0).rest().closed().draw(-2300.0, 15).hold(60, vapor=0.6).release(20, time_constant=0.8)
    )
    samples = drawing.samples(noise=3)
    opened = drawing.t[-1] - 20
    gone = (pl.col("t_s") > opened + 0.6) & (pl.col("t_s") < opened + 0.6 + lost_s)
    assert judged(samples.filter(~gone))["verdict"] == "holds"


@pytest.mark.parametrize(("to", "verdict"), [(-2300.0, "purge_passes_closed"), (-20.0, "not_judged")])
def test_a_draw_that_a_pump_brought_proves_that_there_is_vacuum_to_pass(to, verdict):
    """The engine stood; what drew passes a valve that does not shut. Where nothing drew, cooling fuel falls so too."""
    drawing = Drawing(4.0).rest(8).closed(15, rate=-12.0).draw(to, 15).hold(70, vapor=-9.0)
    samples = drawing.samples(noise=3).with_columns(engine_rpm=pl.lit(0.0))
    assert judged(samples)["verdict"] == verdict
