"""How well a closed phase tells the vapor, where its readings are all alike."""

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing

from pipeline.settings import Settings
from pipeline.traces.measure import take
from pipeline.traces.ranges import squares
from pipeline.traces.recordings import gather


def closed(level_pa: float, step_pa: float = 25.0):
    """What a closed phase at one level shows, read by a sensor of 25 Pa steps; its zero lies beside the steps."""
    drawing = Drawing(10.0).rest().add(20, lambda s: 0 * s, True, 0.0)
    drawing.add(10, lambda s: -200.0 * s, True, 60.0).hold(40, 0.6, 0.0).release()
    samples = drawing.samples(noise=0.5)
    steps = (pl.col("tank_pressure_pa") / step_pa).round() * step_pa + level_pa
    headers = pl.DataFrame([HEADER], infer_schema_length=None)
    return take(
        gather(samples.with_columns(tank_pressure_pa=steps), headers["trace_id"]), headers, Settings()
    ).shown


@pytest.mark.parametrize("level_pa", [0.1, 1 / 3, 7.3, 1234.567])
def test_equal_readings_tell_the_vapor_as_well_at_one_level_as_at_another(level_pa):
    """The mean of equal readings may be off by a last bit: whether it is must not decide how much they tell."""
    at_zero, at_level = closed(0.0).closed, closed(level_pa).closed
    assert at_zero.rate[0] == 0
    assert at_level.rate_sd[0] == pytest.approx(at_zero.rate_sd[0], rel=1e-6)
    assert at_zero.rate_sd[0] > 0.3 * 25.0 / 20


def test_squares_are_those_of_numpy():
    x = np.random.default_rng(2).normal(3, 2, 50)
    assert squares(x, 5, 40) == pytest.approx(35 * np.var(x[5:40]))
