"""Purge flow of a model, and the hole that a steady vacuum means."""

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing, judged
from scipy.integrate import solve_ivp
from test_model_norms import norms_with

from pipeline.physics.orifice import air_density, air_viscosity, discharge_at, hole_area_m2, leak_speed
from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces, take
from pipeline.traces.recordings import gather

MODEL = {"make": "Kestin", "model": "210"}
#: Cold that a fall of pressure leaves in a tank's gas [share of the fall], and the time in which it fades [s].
COLD, WARMS_S = 0.15, 7.0
AIR, CELSIUS, VOLUME_L = 101_325.0, 20.0, 33.5


def through(vacuum: float, hole_mm: float) -> float:
    """Pressure rise [Pa/s] that the air through a hole causes, its discharge falling with the Reynolds number."""
    if vacuum <= 0:
        return 0.0
    density, viscosity = float(air_density(AIR, CELSIUS)), float(air_viscosity(CELSIUS))
    coefficient = float(discharge_at(hole_mm, vacuum, density, viscosity, 0.61))
    speed = float(leak_speed(-vacuum, AIR, CELSIUS))
    return coefficient * float(hole_area_m2(hole_mm)) / (VOLUME_L * 1e-3) * speed


def cooling(gas: float, cold: float) -> tuple[float, float]:
    """Rates of vacuum and of its part that is cold [Pa/s], where gas leaves at `gas` [Pa/s] at the walls' temperature:
    cold' = COLD vacuum' - cold / WARMS_S, and vacuum' = gas + cold'."""
    fall = (gas - cold / WARMS_S) / (1 - COLD)
    return fall, COLD * fall - cold / WARMS_S


def fallen(pull: float, since: np.ndarray) -> np.ndarray:
    """Vacuum [Pa] of a tight tank at evenly spaced times [s] after gas began to leave it at `pull` [Pa/s]."""
    step, vacuum, cold = since[1] - since[0], np.zeros(len(since)), 0.0
    for i in range(1, len(since)):
        fall, colder = cooling(pull, cold)
        vacuum[i], cold = vacuum[i - 1] + fall * step, cold + colder * step
    return vacuum


def drawn(flow_l_min: float, hole_mm: float, duty: float = 100.0, draw_s: float = 12.0) -> pl.DataFrame:
    """A tank of 33.5 l of gas, with a hole, drawn down at a constant flow, then held: SciPy's integrator.

    Its gas cools as it is drawn, and takes heat from the walls.
    """
    pull = flow_l_min * duty / 100 / 60 / VOLUME_L * AIR
    t = np.arange(0, 60, 0.1)

    def course(times, start, taken_out):
        def slope(_, state):
            return cooling(taken_out - through(state[0], hole_mm), state[1])

        span = times[0], times[-1]
        return solve_ivp(slope, span, start, t_eval=times, method="LSODA", rtol=1e-7, atol=1e-4).y

    in_draw = np.append(t[t < draw_s - 0.01], draw_s)
    in_hold = np.append(draw_s, t[t > draw_s + 0.01])
    pulled = course(in_draw, [0.0, 0.0], pull)
    held = course(in_hold, pulled[:, -1], 0.0)[0]
    drawing = Drawing(10.0).rest().closed(rate=0.0)
    drawing.add(draw_s, lambda s: -np.interp(s, in_draw, pulled[0]), True, duty)
    drawing.add(47, lambda s: -np.interp(s + draw_s, in_hold, held), True, 0.0)
    return drawing.release().samples(noise=3)


@pytest.mark.parametrize(("flow", "hole", "duty"), [(6.0, 0.0, 100.0), (9.0, 0.5, 60.0), (4.0, 0.4, 100.0)])
def test_the_purge_flow_at_full_duty_is_read_from_the_draw_of_a_system_that_holds(flow, hole, duty):
    headers = pl.DataFrame([HEADER | MODEL], infer_schema_length=None)
    taken = take(gather(drawn(flow, hole, duty), headers["trace_id"]), headers, Settings())
    told = taken.for_norms().row(0, named=True)
    volume = taken.volume.known_l[0]
    assert told["purge_flow_l_min"] == pytest.approx(flow * volume / VOLUME_L, rel=0.06)
    assert (told["make"], told["model"]) == ("Kestin", "210")


@pytest.mark.parametrize("volume_l", [12.0, 25.0, 50.0])
def test_a_late_purge_valve_makes_no_small_volume_large(volume_l):
    """Read by the time of the whole draw, 0.2 s of delay in a draw of 1.4 s are a fifth of its flow."""
    pull = 12.0 / 60 / volume_l * AIR
    drawing = Drawing(20.0).rest().closed(rate=0.0)
    since = np.arange(0, 400, 0.005)
    vacuum = fallen(pull, since)
    drawing.add(
        np.interp(2400, vacuum, since) + 0.2, lambda s: -np.interp(s - 0.2, since, vacuum), True, 100.0
    )
    drawing.add(60, lambda s: -2400.0 + 0 * s, True, 0.0)
    headers = pl.DataFrame([HEADER | MODEL], infer_schema_length=None)
    samples = drawing.release().samples(noise=1)
    taken = take(gather(samples, headers["trace_id"]), headers, Settings())
    told = taken.for_norms()["purge_flow_l_min"][0] / taken.volume.known_l[0] * volume_l
    assert told == pytest.approx(12.0, rel=0.06)


def test_a_vacuum_that_is_lost_at_once_tells_no_purge_flow():
    headers = pl.DataFrame([HEADER | MODEL], infer_schema_length=None)
    taken = take(gather(drawn(20.0, 5.0), headers["trace_id"]), headers, Settings())
    assert np.isnan(taken.for_norms()["purge_flow_l_min"][0])


@pytest.mark.parametrize("hole", [6.0, 7.5, 9.0])
def test_the_vacuum_at_which_a_gross_leak_settles_gives_its_hole(hole):
    headers = pl.DataFrame([HEADER | MODEL | {"fuel_tank_l": None}], infer_schema_length=None)
    row = measure_traces(drawn(25.0, hole), headers, Settings(), norms_with(purge_flow_l_min=25.0)).row(
        0, named=True
    )
    assert row["verdict"] == "gross_leak"
    assert row["equilibrium_diameter_mm"] == pytest.approx(hole, rel=0.08)
    assert row["equilibrium_diameter_low_mm"] < hole < row["equilibrium_diameter_high_mm"]
    # It needs no tank size, and bounds the censored diameter from below.
    assert row["leak_censoring"] == "right"
    assert row["leak_diameter_mm"] is None
    assert row["equilibrium_diameter_low_mm"] <= row["leak_diameter_low_mm"] < hole
    assert "usual purge flow" in row["evidence"]


def test_the_steady_vacuum_belongs_to_the_duty_at_its_end_not_to_the_ramp():
    """Behind a large hole half of the vacuum is there while the duty still rises."""
    headers = pl.DataFrame([HEADER | MODEL | {"fuel_tank_l": None}], infer_schema_length=None)
    samples = drawn(25.0, 7.5)
    ramp = pl.col("t_s") - samples.filter(pl.col("purge_duty_pct") > 0)["t_s"].min() + 0.1
    ramped = samples.with_columns(
        purge_duty_pct=pl.when(pl.col("purge_duty_pct") > 0)
        .then((50 * ramp).clip(upper_bound=100))
        .otherwise(0)
    )
    row = measure_traces(ramped, headers, Settings(), norms_with(purge_flow_l_min=25.0)).row(0, named=True)
    assert row["verdict"] == "gross_leak"
    assert row["equilibrium_diameter_mm"] == pytest.approx(7.5, rel=0.08)


@pytest.mark.parametrize("opens_pct", [0.0, 15.0])
def test_a_valve_that_opens_late_lets_less_through_at_a_small_duty(opens_pct):
    headers = pl.DataFrame([HEADER | MODEL | {"fuel_tank_l": None}], infer_schema_length=None)
    norms = norms_with(purge_flow_l_min=60.0, purge_opens_pct=opens_pct)
    flow = 60.0 * (40 - opens_pct) / (100 - opens_pct) / 0.4
    row = measure_traces(drawn(flow, 7.5, 40.0), headers, Settings(), norms).row(0, named=True)
    assert row["verdict"] == "gross_leak"
    assert row["equilibrium_diameter_mm"] == pytest.approx(7.5, rel=0.08)


def test_a_vacuum_that_never_was_bounds_no_hole():
    still = Drawing().rest(10).closed(15, 0.0).draw(0.0).hold(90, vapor=0.0).release()
    row = judged(still.samples(noise=4, seed=3))
    assert row["verdict"] == "gross_leak"
    assert row["leak_diameter_low_mm"] is None or row["leak_diameter_low_mm"] > 0.1
    assert "larger than 0.0 mm" not in row["evidence"]


def test_without_a_norm_a_gross_leak_has_no_size_by_equilibrium():
    row = judged(drawn(25.0, 6.0), **MODEL)
    assert row["verdict"] == "gross_leak"
    assert row["equilibrium_diameter_mm"] is None


@pytest.mark.parametrize(("spread_l_min", "is_told"), [(10.0, True), (15.0, False)])
def test_draws_of_a_model_that_have_no_flow_in_common_size_no_hole(spread_l_min, is_told):
    headers = pl.DataFrame([HEADER | MODEL], infer_schema_length=None)
    norms = norms_with(purge_flow_l_min=25.0).with_columns(purge_flow_l_min_spread=pl.lit(spread_l_min))
    row = measure_traces(drawn(25.0, 7.5), headers, Settings(), norms).row(0, named=True)
    assert row["verdict"] == "gross_leak"
    assert (row["equilibrium_diameter_mm"] is not None) == is_told


@pytest.mark.parametrize(("hole", "volume_l"), [(0.5, 18.0), (0.8, 60.0)])
def test_where_no_level_is_known_the_models_purge_flow_tells_the_volume(hole, volume_l):
    """The flow is that of the other recordings; the volume is then a matter of how fast the draw takes hold.

    The purge valve answers after 0.2 s, as valves do.
    """
    pull = 12.0 / 60 / volume_l * AIR
    drawing = Drawing(10.0).rest().closed(rate=0.0)
    since = np.arange(0, 60, 0.005)
    vacuum = np.minimum(fallen(pull, since), 2400)
    drawing.add(30, lambda s: -np.interp(s - 0.2, since, vacuum), True, 100.0)
    drawing.hold(60, hole, 0.0, volume_l).release()
    told = drawing.samples(noise=3)
    header = HEADER | MODEL | {"fuel_level_pct": None, "fuel_tank_l": 90.0}
    headers = pl.DataFrame([header], infer_schema_length=None)
    norms = norms_with(purge_flow_l_min=12.0)
    alone = measure_traces(told, headers, Settings(), norms_with()).row(0, named=True)
    row = measure_traces(told, headers, Settings(), norms).row(0, named=True)
    assert row["leak_diameter_low_mm"] < hole < row["leak_diameter_high_mm"]
    assert row["leak_diameter_mm"] == pytest.approx(hole, rel=0.12)
    wide, narrow = (np.log(r["leak_diameter_high_mm"] / r["leak_diameter_low_mm"]) for r in (alone, row))
    assert narrow < 0.5 * wide
    assert "usual purge flow" in row["evidence"]
    assert "usual purge flow" not in alone["evidence"]
    assert row["vapor_volume_l"] is None


def test_a_known_level_is_left_as_it_is():
    headers = pl.DataFrame([HEADER | MODEL], infer_schema_length=None)
    samples = drawn(6.0, 0.5)
    with_flow, without = (
        measure_traces(samples, headers, Settings(), norms).row(0, named=True)
        for norms in (norms_with(purge_flow_l_min=9.0), norms_with())
    )
    assert with_flow["leak_diameter_mm"] == without["leak_diameter_mm"]
