"""A reading that stands at the sensor's end tells of the sensor, not of the tank."""

import numpy as np
import polars as pl
import pytest
from drawing import Drawing, judged

from pipeline.physics.blow_down import pressure_after
from pipeline.traces.verdict import REASONS

FULL_PA = 3500.0


def _filled(end_pa: float, leak_coefficient: float) -> pl.DataFrame:
    """Fill a tank to 14 inches of water before a sensor that reads up to `end_pa`; read on for two minutes."""
    drawing = Drawing().rest(8).closed(3, 0.0).add(8, lambda s: FULL_PA * s / 8, True, 0.0)
    drawing = drawing.add(
        120, lambda s: -pressure_after(-FULL_PA, s, leak_coefficient, 0.0), True, 0.0
    ).release()
    return drawing.samples(noise=4).with_columns(pl.col("tank_pressure_pa").clip(upper_bound=end_pa))


@pytest.mark.parametrize("leak_coefficient", [0.0, 0.15])
def test_a_filled_tank_that_the_sensor_cannot_follow_is_not_said_to_hold(leak_coefficient: float) -> None:
    told = judged(_filled(1850.0, leak_coefficient))
    assert told["verdict"] == "not_judged"
    assert "the sensor stood at the end of its range" in told["evidence"]


def test_a_leak_is_read_from_where_the_pressure_comes_back_into_range() -> None:
    inside, beyond = judged(_filled(9000.0, 0.6)), judged(_filled(1850.0, 0.6))
    assert inside["verdict"] == beyond["verdict"] == "leak"
    assert beyond["leak_diameter_mm"] == pytest.approx(inside["leak_diameter_mm"], rel=0.05)


def test_a_filled_tank_within_range_holds() -> None:
    """What was pressed in is warm, and cools by some percents of the pressure."""
    filled = _filled(9000.0, 0.0)
    since_full = (pl.col("t_s") - 19.0).clip(lower_bound=0.0)
    is_full = (pl.col("t_s") > 19.0) & pl.col("is_vent_closed")
    cooling = pl.when(is_full).then(-80.0 * (1 - (-since_full / 8.0).exp())).otherwise(0.0)
    assert judged(filled.with_columns(pl.col("tank_pressure_pa") + cooling))["verdict"] == "holds"


@pytest.mark.parametrize("hold_pa", [2500.0, FULL_PA])
def test_a_pressure_that_stands_dead_still_may_be_fed_and_passes_no_test(hold_pa: float) -> None:
    """A supply that was left on makes up for any leak."""
    drawing = Drawing().rest(8).closed(3, 0.0).add(12, lambda s: hold_pa * s / 12, True, 0.0)
    fed = drawing.add(120, lambda s: hold_pa + 2 * np.sin(s / 7), True, 0.0).release()
    told = judged(fed.samples(noise=4))
    assert told["verdict"] == "not_judged"
    assert REASONS["fed"] in told["evidence"]
    assert told["pressure_test"] is None


def test_a_sensor_in_steps_of_percents_is_not_blamed_on_a_supply() -> None:
    filled = _filled(9000.0, 0.0).with_columns((pl.col("tank_pressure_pa") / 250).round() * 250)
    told = judged(filled)
    assert REASONS["fed"] not in told["evidence"]
