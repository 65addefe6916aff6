"""Where a tank was filled under pressure: rows with a known course."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing, bench, judged

from pipeline.settings import Settings
from pipeline.simulate.trace_physics import CV, IS_SHUT, STAGES, Rig, Script, integrate
from pipeline.traces.landmarks import find_landmarks
from pipeline.traces.measure import take
from pipeline.traces.phases import CLOSED, REST
from pipeline.traces.recordings import gather

RATE_HZ = 5.0
NOT_FED = np.zeros(0, bool)


def _landmarks(own_pa_s: float, fill_pa_s: float, after_pa_s: float, closed_s: float = 12.0):
    """Return the marks of a tank that rises by itself, is filled to 3.5 kPa, and then moves at `after_pa_s`."""
    full_at = closed_s + (3500 - own_pa_s * closed_s) / fill_pa_s
    t = np.arange(0.0, 5.0 + full_at + 120, 1 / RATE_HZ)
    since = t - 5.0
    before = own_pa_s * np.clip(since, 0, closed_s)
    p = before + fill_pa_s * np.clip(since - closed_s, 0, full_at - closed_s)
    p = p + after_pa_s * np.maximum(since - full_at, 0) + np.random.default_rng(3).normal(0, 3, len(t))
    shut = int(np.searchsorted(t, 5.0))
    phase, first = np.array([REST, CLOSED, 0]), np.array([0, shut, len(t)])
    return find_landmarks(t, p, phase, first, 2, NOT_FED, 0.25)[0], 5.0 + closed_s, 5.0 + full_at


@pytest.mark.parametrize("own", [0.0, 12.0])
@pytest.mark.parametrize("after", [0.0, -20.0, 8.0])
def test_filling_is_found_whatever_follows_it(own: float, after: float) -> None:
    """A tank that warms goes on rising: the greatest pressure of all is no sign of its filling."""
    marks, begun, full = _landmarks(own, 200.0, after)
    assert marks.is_pressure_test == 1.0
    assert begun - 1.5 <= marks.closed_end <= begun
    assert full + 0.5 <= marks.hold_start <= full + 2.5


def test_without_a_closed_phase_nothing_is_taken_for_one() -> None:
    marks, _, full = _landmarks(0.0, 150.0, -15.0, closed_s=0.0)
    assert marks.closed_end - marks.closed_start < 1.0
    assert full + 0.5 <= marks.hold_start <= full + 2.5


def _let_go(rate_hz: float, fill_s: float, decay_pa_s: float, hold_s: float = 120.0):
    """Return times, pressures and the marks of a tank that is filled at once, held, and let go by the filling's port,
    with the vent commanded shut from the filling to the end."""
    t = np.arange(0.0, 6.0 + fill_s + hold_s + 15, 1 / rate_hz)
    full_at, let_go_at = 6.0 + fill_s, 6.0 + fill_s + hold_s
    held = 3500 - decay_pa_s * np.maximum(t - full_at, 0)
    p = np.where(t < full_at, 3500 * np.clip((t - 6.0) / fill_s, 0, 1), np.where(t < let_go_at, held, 0.0))
    p = p + np.random.default_rng(5).normal(0, 3, len(t))
    shut = int(np.searchsorted(t, 5.0))
    phase, first = np.array([REST, CLOSED, 0]), np.array([0, shut, len(t)])
    return find_landmarks(t, p, phase, first, 2, NOT_FED, 0.25)[0], full_at, let_go_at


@pytest.mark.parametrize("decay", [0.5, 4.0, 14.0, 24.0])
@pytest.mark.parametrize(("rate_hz", "fill_s"), [(1.0, 1.5), (1.0, 20.0), (5.0, 4.0)])
def test_a_pressure_that_is_let_go_in_the_end_was_held_until_then(rate_hz, fill_s, decay) -> None:
    """The cap is loosened at the end, "look for a sudden drop" (40 CFR 51.357 as published in 1992, from memory)."""
    marks, full, let_go = _let_go(rate_hz, fill_s, decay)
    assert marks.is_pressure_test == 1.0
    assert full - 0.1 <= marks.hold_start <= full + 2.1 / rate_hz + 1.0
    assert let_go - 2.1 / rate_hz <= marks.hold_end <= let_go
    assert marks.is_opened == 1.0


def _feed(hole_mm: float, std_l_min: float, seconds: float, warms_kg_s: float = 0.0):
    """A supply that a hole of so many mm in 45 l keeps from its pressure, shut off in the end with the vent shut."""
    plain = {"volume_m3": 0.045, "barometric_pa": 101_325.0, "start_gauge_pa": 0.0, "wall_k": 293.15}
    plain |= {"leak_m": hole_mm / 1e3, "vent_open_m": 8e-3, "vent_shut_m": 0.0, "purge_m": 0.0}
    plain |= {"purge_shut_m": 0.0, "purge_delay_s": 0.0, "manifold_pa": 35e3, "vapor_kg_s": warms_kg_s}
    plain |= {
        "vapor_scale_pa": 5e3,
        "wall_time_s": 8.0,
        "relief_pa": 5e4,
        "gas_g_mol": 38.0,
        "gas_cv": 2 * CV,
    }
    plain |= {"feed_kg_s": std_l_min * 1.2041 / 60_000}
    one, never = np.ones(1), np.full(1, np.inf)
    stages = {"rest": 6.0, "closed": 8.0, "feed": seconds, "hold": 125.0, "release": 8.0}
    script = Script(
        np.array([[stages.get(name, 0.0) for name in STAGES]]),
        *(-never, -never, 3487 * one, 4500 * one, 0 * one, 0 * one, one, 0 * one, -never, 40 * one),
    )
    history = integrate(Rig(**{name: value * one for name, value in plain.items()}), script)
    t = np.arange(0, history.starts_s[0, -1], 0.25)
    stage = (t[:, None] >= history.starts_s[0, 1:-1]).sum(axis=1)
    pa = np.interp(t, np.arange(history.gauge_pa.shape[1]) * history.every_s, history.gauge_pa[0])
    samples = bench(t, np.round((pa + np.random.default_rng(7).normal(0, 4, len(t))) / 2.5) * 2.5)
    return judged(samples.with_columns(is_vent_closed=pl.Series(IS_SHUT[stage])), fuel_tank_l=68.0)


@pytest.mark.parametrize(("seconds", "warms"), [(60, 0.0), (60, 1e-6), (100, 0.0), (100, 1e-6)])
def test_a_supply_that_was_on_until_the_fall_holds_nothing(seconds: float, warms: float) -> None:
    """2.8 mm beside 6 l/min: 560 Pa, as even as in a tight tank whose fuel is warm, then gone as through 2.8 mm.

    It had been told to hold, 0.97 to 0.99 sure (a simulated shop whose supply could not keep up with the leak).
    """
    row = _feed(2.8, 6.0, seconds, warms)
    assert row["verdict"] == "not_judged"
    assert "the supply may have been on" in row["evidence"]
    assert row["pressure_test"] is None


@pytest.mark.parametrize(
    ("level_pa", "verdict"), [(3400.0, "holds"), (2500.0, "holds"), (560.0, "not_judged")]
)
def test_what_is_let_go_by_an_opened_cap_was_held_where_it_stood_near_that_of_a_test(
    level_pa, verdict
) -> None:
    """Of 560 Pa nobody knows whether a supply kept them up beside a gross leak, though it looks like gas that cools."""
    drawing = Drawing(4.0).rest().closed(8, rate=0.0).add(3, lambda s: level_pa * 1.04 * s / 3, True, 0.0)
    drawing.add(60, lambda s: level_pa * (1 + 0.04 * np.exp(-s / 6)) + 0.3 * s, True, 0.0)
    drawing.add(20, lambda s: 0 * s, True, 0.0)
    assert judged(drawing.release().samples(noise=4))["verdict"] == verdict


@pytest.mark.parametrize("seed", range(4))
def test_a_noisy_filling_that_a_leak_outruns_begins_where_it_begins(seed: int) -> None:
    """The highest reading stands so far above the one before it that a filling seemed to begin and end there."""
    drawing = Drawing(20.0).rest().closed(4, rate=0.0)
    drawing.add(57, lambda s: 760 * (1 - np.exp(-s / 9)), True, 0.0).hold(100, 1.4, vapor=0.0)
    row = judged(drawing.release().samples(noise=12, seed=seed))
    assert row["verdict"] == "leak"
    # Air is drawn here, and the gas of a tank is heavier: it would take a hole a twelfth wider.
    assert 1.4 < row["leak_diameter_mm"] < 1.15 * 1.4
    assert row["leak_diameter_low_mm"] < 1.4 < row["leak_diameter_high_mm"]


@pytest.mark.parametrize("waits_s", [9.0, 18.0])
@pytest.mark.parametrize(("hole_mm", "verdict"), [(0.0, "holds"), (0.5, "leak")])
def test_what_settled_and_was_topped_up_is_held_from_there(waits_s, hole_mm, verdict) -> None:
    """A technician lets the gas cool, and tops it up to 14 inches of water: what stood before is no hold."""
    drawing = Drawing(4.0).rest().closed(4, rate=0.0).add(12, lambda s: 3487 * s / 12, True, 0.0)
    drawing.hold(waits_s, hole_mm + 0.2, vapor=-4.0)
    low = drawing.pa[-1]
    drawing.add(5, lambda s: low + (3487 - low) * s / 5, True, 0.0).hold(125, hole_mm, vapor=0.0)
    row = judged(drawing.release().samples(noise=4))
    assert row["verdict"] == verdict
    if hole_mm:
        assert row["leak_diameter_mm"] == pytest.approx(hole_mm, rel=0.12)


def test_what_a_leak_let_go_before_it_was_topped_up_is_no_closed_phase() -> None:
    """A wide leak empties the tank within seconds of the first filling: what went up and down then is no fuel's."""
    drawing = Drawing(4.0).rest().closed(6, rate=0.0).add(8, lambda s: 3000 * s / 8, True, 0.0)
    drawing.hold(14, 1.7, vapor=0.0)
    low = drawing.pa[-1]
    drawing.add(8, lambda s: low + (3300 - low) * s / 8, True, 0.0).hold(120, 1.5, vapor=0.0)
    row = judged(drawing.samples(noise=4))
    assert row["verdict"] == "leak"
    assert row["leak_diameter_mm"] == pytest.approx(1.5, rel=0.1)


@pytest.mark.parametrize("order", ["filled alone", "filled first", "shut first"])
def test_what_the_tank_did_before_it_was_filled_is_told_by_no_other_closed_phase(order: str) -> None:
    """A filling after 8 s shut, beside 150 s shut without one: its closed phase had lasted -76 or 168 s."""
    drawing = Drawing().rest()
    if order == "shut first":
        drawing.closed(150, rate=0.5).release(10)
    drawing.closed(8, rate=0.5).add(6, lambda s: 4 + 3483 * s / 6, True, 0.0)
    drawing.add(60, lambda s: 3487 * np.exp(-s / 2000), True, 0.0).release(10)
    if order == "filled first":
        drawing.closed(150, rate=0.5).release(10)
    samples = drawing.samples(noise=3)
    headers = pl.DataFrame([HEADER], infer_schema_length=None)
    marks = take(gather(samples, headers["trace_id"]), headers, Settings()).marks
    assert marks.closed_end[0] - marks.closed_start[0] == pytest.approx(7.5, abs=0.5)
