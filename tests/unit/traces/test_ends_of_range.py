"""A reading that stands at the sensor's end tells of the sensor, not of the tank."""

import polars as pl
import pytest
from drawing import Drawing, judged

from pipeline.physics.blow_down import pressure_after

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
    assert judged(_filled(9000.0, 0.0))["verdict"] == "holds"
