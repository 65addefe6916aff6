"""How well a closed phase tells the vapor, where its readings are all alike."""

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing

from pipeline.settings import Settings
from pipeline.traces.measure import take
from pipeline.traces.ranges import line, line_in_pieces
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


@pytest.mark.parametrize(
    ("ahead_s", "lost_s"), [(30.0, 0.0), (0.0, 8.0)], ids=["clock leaps", "samples lost"]
)
def test_a_gap_in_the_closed_phase_tells_no_time(ahead_s, lost_s):
    """Vapor of 6 Pa/s: a clock that leaps by 30 s in the middle would make it 2.4, and a tight tank a leak."""
    drawing = Drawing(4.0).rest().add(20, lambda s: 6.0 * s, True, 0.0)
    drawing.add(10, lambda s: 120 - 200.0 * s, True, 60.0).hold(40, 0.05, 6.0).release()
    t = pl.col("t_s")
    samples = drawing.samples(noise=2).filter(~t.is_between(16.0, 16.0 + lost_s, closed="none"))
    leapt = samples.with_columns(t_s=t + pl.when(t > 16.0).then(ahead_s).otherwise(0.0))
    shown, whole = shown_of(leapt).closed, shown_of(drawing.samples(noise=2)).closed
    assert shown.rate[0] == pytest.approx(6.0, abs=2 * shown.rate_sd[0])
    assert whole.rate_sd[0] < shown.rate_sd[0] < 4 * whole.rate_sd[0]


def shown_of(samples: pl.DataFrame):
    headers = pl.DataFrame([HEADER], infer_schema_length=None)
    return take(gather(samples, headers["trace_id"]), headers, Settings()).shown


def test_pieces_of_a_line_share_their_slope():
    """Three lines of one slope, apart in x and y; without a gap it is `line`."""
    x = np.concatenate([np.arange(10.0), 50 + np.arange(12.0), 90 + np.arange(7.0)])
    y = 0.7 * x + np.repeat([3.0, -40.0, 8.0], [10, 12, 7])
    slope, error, rest, spread = line_in_pieces(x, y, 0, len(x))
    assert slope == pytest.approx(0.7, abs=1e-12)
    assert max(error, rest) < 1e-6
    assert spread == pytest.approx(sum(np.var(x[a:b]) * (b - a) for a, b in ((0, 10), (10, 22), (22, 29))))
    noisy = y[:10] + np.random.default_rng(3).normal(0, 1, 10)
    *fitted, spread = line_in_pieces(x[:10], noisy, 0, 10)
    assert tuple(fitted) == line(x[:10], noisy, 0, 10)[:3]
    assert spread == pytest.approx(10 * np.var(x[:10]))
