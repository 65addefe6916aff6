"""The dome's gas against the textbook: nothing is lost, slow is isothermal, holes flow as told, heat keeps its time."""

from __future__ import annotations

import numpy as np
import pytest

from tests.end_to_end.dome_holes import AIR, DRILLED, GAS, SHARP, effective_mm, molar_flow
from tests.end_to_end.dome_tank import (
    AIR_CV,
    BEHIND,
    DRAW,
    FILL,
    FLOW,
    STD_L_MIN,
    Course,
    Tank,
    nozzle,
    run,
    true_volume_m3,
)

BARE = Tank(
    *(101325.0, 293.15, 0.030, 293.15, 293.15, 293.15, 293.15, 0.0, 2.0, 1.5, 1.0, 800.0, 30.0),
    *(10.0, 5000.0, 0.0, 0.0, 0.0, 0.0, 20.0, 0.0008, 0.0006, 0.0, 2.0),
    *(5e3, 1e5, 12e3, 2.6e5, 5e3, 1e5, 0.1, 4e-6, 0.1, 0.0, 40e3, 6e3, 0.05, 0, SHARP, 0.0, 0.0),
)
TEST = Course(DRAW, 1.0, 1.0, 2500.0, 60.0, 0.0, 90.0, 5.0, 1.0, 0.0, 0, 0.0, 0, 0.0)


def _hold(lines: np.ndarray) -> np.ndarray:
    return lines[lines[:, 6] == 3][40:]


def test_a_sealed_tank_loses_no_gas_and_ends_where_the_gas_law_says() -> None:
    """In the hold of a tight system moles stand still, and pressure returns to nRT/V of its effective volume."""
    tank = BARE._replace(give_m3_pa=5e-8, creep_m3_pa=2e-8, sorbed_m3=0.001)
    lines = run(tank, TEST, 200.0)
    hold = _hold(lines)
    assert np.ptp(hold[:, 7]) < 1e-9 * hold[0, 7]
    drawn = lines[lines[:, 6] == 1][-1, 7] - hold[-1, 7]
    assert hold[-1, 1] == pytest.approx(-drawn * GAS * 293.15 / true_volume_m3(tank), rel=0.01)


def test_a_large_heat_exchange_makes_the_draw_isothermal_and_none_adiabatic() -> None:
    """Cooling of the gas at the draw's end lies between nothing and that of a reversible expansion."""
    fast = run(BARE._replace(roof_w_k=500.0), TEST, 200.0)
    none = run(BARE._replace(roof_w_k=0.0, flank_w_k=0.0, film_w_k=0.0), TEST, 200.0)
    assert _hold(fast)[0, 8] == pytest.approx(293.15, abs=0.1)
    ratio = (101325.0 + _hold(none)[0, 1]) / 101325.0
    assert _hold(none)[0, 8] == pytest.approx(293.15 * ratio ** (GAS / (AIR_CV + GAS)), abs=0.05)


def test_heat_keeps_the_time_of_its_capacity_over_its_exchange() -> None:
    """Gas that starts 5 K warm between shut walls loses it with n cv / (sum of h A)."""
    shut = BARE._replace(gas_k=298.15, line_plain=1e15, film_j_k=1e9)
    lines = run(shut, TEST._replace(rest_s=30.0), 10.0)
    tau = 101325.0 * 0.030 / (GAS * 298.15) * AIR_CV / 4.5
    at = int(np.searchsorted(lines[:, 0], tau))
    assert lines[at, 8] - 293.15 == pytest.approx(5.0 * np.exp(-1.0), rel=0.03)


def test_a_hole_flows_as_the_reference_says() -> None:
    """A 0.508 mm hole at 2500 Pa passes 0.477 l/min (reference: 0.61, isentropic; low Reynolds takes 1 %)."""
    flow = molar_flow(SHARP, 0.508e-3, 0.0, 103825.0, 101325.0, 293.15, AIR) / STD_L_MIN
    assert flow == pytest.approx(0.477, rel=0.015)
    tiny = molar_flow(SHARP, 1e-6, 0.0, 101335.0, 101325.0, 293.15, AIR) * GAS * 293.15 / 101335.0
    assert tiny == pytest.approx(1e-18 * 10.0 / (24.0 * 1.82e-5), rel=0.01)


def test_a_leaking_tank_follows_the_blow_down_of_the_textbook() -> None:
    """With walls that keep it isothermal the root of the vacuum falls by K t / 2."""
    tank = BARE._replace(roof_w_k=500.0, hole_m=1e-3)
    hold = _hold(run(tank, TEST, 200.0))
    volume = true_volume_m3(tank)
    k = 101325.0 / volume * 0.61 * 0.25e-6 * np.pi * np.sqrt(2.0 / 1.204)
    at = slice(0, 400)
    slope = np.polyfit(hold[at, 0], np.sqrt(-hold[at, 1]), 1)[0]
    assert slope == pytest.approx(-k / 2.0, rel=0.02)


def test_a_steady_feed_is_what_the_hole_passes() -> None:
    """At the end of a long feed as much comes in as a hole of that size lets out."""
    course = TEST._replace(
        kind=FLOW, target_pa=3000.0, timeout_s=150.0, feed_mol_s=20 * STD_L_MIN, droop_mol_s_pa=1e-5
    )
    lines = run(BARE._replace(hole_m=1e-3), course, 250.0)
    last = lines[lines[:, 6] == 2][-1]
    out = molar_flow(SHARP, 1e-3, 0.0, 101325.0 + last[1], 101325.0, last[8], AIR)
    assert last[5] == pytest.approx(out, rel=0.01)


def test_a_fill_holds_what_was_fed() -> None:
    """Moles rise by what was fed, to the last one."""
    course = TEST._replace(kind=FILL, target_pa=3487.0, feed_mol_s=10 * STD_L_MIN)
    lines = run(BARE, course, 200.0)
    fed = lines[lines[:, 6] == 2]
    assert fed[-1, 7] - fed[0, 7] == pytest.approx(fed[0, 5] * (fed[-1, 0] - fed[0, 0]), rel=1e-6)


def test_vapor_fills_up_to_its_own_pressure_and_cools_its_film() -> None:
    """Given time and no exit the partial pressure ends at that of the film, which ends at the liquid's temperature."""
    tank = BARE._replace(vapor_a=23.0, vapor_b=3700.0, vapor_share=0.9, vapor_m3_s=1e-3, film_s=5.0)
    lines = run(tank, TEST._replace(rest_s=0.1, closed_s=500.0), 400.0)
    full = np.exp(23.0 - 3700.0 / 293.15)
    assert lines[0, 9] == pytest.approx(0.9 * full, rel=0.01)
    assert lines[-1, 9] == pytest.approx(full, rel=0.02)


def test_a_valve_chokes_where_it_must() -> None:
    """Below 0.528 the flow is 0.0404 p A / sqrt(T) kg/s (the textbook's figure for air)."""
    kg = nozzle(1e-5, 101325.0, 40e3, 293.15, AIR) * AIR
    assert kg == pytest.approx(0.0404 * 101325.0 * 1e-5 / np.sqrt(293.15), rel=0.003)


def test_the_effective_hole_of_a_sharp_one_is_itself_and_carbon_makes_it_smaller() -> None:
    """A drilled wall passes more than a sharp edge; a bed before a hole takes from it."""
    hole = {"shape": SHARP, "d_m": 1e-3, "long_m": 0.0, "plain": 0.0, "square": 0.0}
    at = (101325.0 - 1250.0, 101325.0, 293.15)
    assert effective_mm(hole, *at) == pytest.approx(1.0, rel=1e-6)
    assert 1.05 < effective_mm(hole | {"shape": DRILLED, "long_m": 2e-3}, *at) < 1.2
    wide = hole | {"d_m": 3e-3, "plain": 12e3, "square": 2.6e5}
    assert 2.5 < effective_mm(wide, *at) < 2.99
    assert BEHIND == 2
