"""Pressure put in while the vent is commanded open: its hose is clamped by hand, and nothing recorded says so."""

from __future__ import annotations

import numpy as np
import pytest

from tests.unit.traces.drawing import Drawing, judged

INCH_OF_WATER_PA = 249.0889


def clamped(start_in: float, end_in: float, vent: bool = False, rate_hz: float = 2.0) -> Drawing:
    """Filled in 14 s, held for two minutes, let go where it came in; the vent's command stays as it is."""
    drawing = Drawing(rate_hz)
    start, end = start_in * INCH_OF_WATER_PA, end_in * INCH_OF_WATER_PA
    drawing.add(8, lambda s: 0 * s, vent, 0.0)
    drawing.add(14, lambda s: start * s / 14, vent, 0.0)
    drawing.add(125, lambda s: (np.sqrt(start) + (np.sqrt(end) - np.sqrt(start)) * s / 125) ** 2, vent, 0.0)
    return drawing.add(10, lambda s: 0 * s, vent, 0.0)


@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
@pytest.mark.parametrize("end_in", [13.5, 7.0, 2.0])
def test_a_pressure_put_in_under_an_open_vent_is_not_judged(end_in, rate_hz):
    """14 inches of water (57 FR 52950, from memory; a bulletin of 2000 says to clamp the vapor hose)."""
    row = judged(clamped(14.2, end_in, rate_hz=rate_hz).samples(noise=3))
    assert (row["verdict"], row["confidence"], row["suspects"]) == ("not_judged", None, [])
    assert "pressure was put in while the vent was commanded open" in row["evidence"]
    assert "is_vent_closed = true under [samples.constants]" in row["evidence"]
    assert "vacuum" not in row["evidence"]
    # Nor is what the shut system held a vented level, which its model's norm would take up.
    assert row["rest_pressure_pa"] is None


def test_where_the_source_declares_the_vent_shut_the_same_recording_is_judged():
    row = judged(clamped(14.2, 7.0, vent=True).samples(noise=3))
    assert (row["verdict"], row["pressure_test"]) == ("leak", "fail")


def test_a_vacuum_that_is_let_go_as_the_recording_begins_was_not_drawn_under_the_open_vent():
    let_go = Drawing().rest(3, -2500.0).add(40, lambda s: -2500 * np.exp(-s / 0.5), False, 0.0)
    row = judged(let_go.samples(noise=3))
    assert row["verdict"] == "not_judged"
    assert "no test was run" in row["evidence"]


def test_pressure_that_warm_fuel_builds_behind_a_blocked_vent_was_not_put_in():
    """It comes slowly, and goes on."""
    row = judged(Drawing().add(120, lambda s: 1500 + 5.0 * s, False, 0.0).samples(noise=3))
    assert row["verdict"] in ("vent_restricted", "sensor_offset")
    assert "put in" not in row["evidence"]


def test_a_vacuum_under_the_open_vent_is_still_told():
    driven = Drawing().rest(10).add(30, lambda s: -80.0 * s, False, 60.0).rest(10, -2400.0)
    row = judged(driven.samples(noise=3))
    assert row["verdict"] == "vent_restricted"


def test_a_pressure_that_is_let_go_in_a_shut_tank_is_no_vacuum_that_passes_the_purge_valve():
    """A tenth author's filling, outrun by its hole: it came slowly, and went when the supply was shut off."""
    filled = Drawing(2.0).rest(10).add(90, lambda s: 700 * (1 - np.exp(-s / 30)), True, 0.0)
    filled.add(100, lambda s: 660 * np.exp(-s / 8), True, 0.0)
    row = judged(filled.samples(noise=2))
    assert row["verdict"] == "not_judged"
    assert "vacuum passes" not in row["evidence"]


def test_a_shut_tank_that_falls_below_the_air_outside_is_drawn_on():
    passing = Drawing(2.0).rest(10).add(60, lambda s: -6.0 * s, True, 0.0)
    passing.draw(-2500.0, 20).add(60, lambda s: -2500 - 3.0 * s, True, 0.0).release()
    assert judged(passing.samples(noise=2))["verdict"] == "purge_passes_closed"
