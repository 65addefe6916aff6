"""The film tank against the textbook: root law, adiabat, conservation of moles, a tight tank that stays."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.end_to_end.film_tank import BayTest, Tank, run_tank

PLAIN = Tank(
    air_pa=101_325.0,
    head_m3=0.03,
    give_m3_pa=0.0,
    creep_m3_pa=0.0,
    creep_s=20.0,
    carbon_share=0.0,
    carbon_s=30.0,
    ambient_k=293.15,
    wall_k=293.15,
    fuel_k=293.15,
    fuel_k_s=0.0,
    wall_w_k=0.0,
    surface_w_k=1e-6,
    surface_m2=0.2,
    film_j_k=600.0,
    film_w_k=12.0,
    vapor_20c_pa=1e-3,
    transfer_m_s=0.0,
    saturation=1.0,
    hole_m=0.0,
    hole_thickness=0.0,
    hole_coefficient=0.61,
    crack_m3_s_kpa=0.0,
    crack_power=0.5,
    vent_linear=2e5,
    vent_square=3e8,
    vent_open_share=1.0,
    vent_shut_share=0.0,
    purge_m2=3e-6,
    purge_shut_share=0.0,
    manifold_pa=35_000.0,
    lag_s=0.01,
)
PROTOCOL = BayTest(2.0, 3.0, 2500.0, 30.0, 40.0, 5.0, 1.0, 0, 0, 0)


def test_a_hole_lets_the_root_of_the_vacuum_fall_on_a_line() -> None:
    tank = PLAIN._replace(hole_m=1e-3, wall_w_k=300.0)
    times, pressure, _, _, _, phase, _, _ = run_tank(tank, PROTOCOL, 90.0)
    is_fit = (phase == 3) & (pressure < -300.0)
    slope, _ = np.polyfit(times[is_fit], np.sqrt(-pressure[is_fit]), 1)
    reynolds = 1.2 * 48.0 * 1e-3 / 1.81e-5
    discharge = 1.0 / (1.0 / 0.61 + 20.0 / reynolds)
    speed = discharge * math.pi / 4.0 * 1e-6 * math.sqrt(2.0 / 1.204)
    assert slope == pytest.approx(-0.5 * 101_325.0 / 0.03 * speed, rel=0.02)


def test_gas_drawn_without_heat_follows_the_adiabat() -> None:
    held = run_tank(PLAIN, PROTOCOL, 90.0)
    warmed = run_tank(PLAIN._replace(wall_w_k=300.0), PROTOCOL, 90.0)
    cold = np.ptp(held[0][held[5] == 2]) + 0.04
    warm = np.ptp(warmed[0][warmed[5] == 2]) + 0.04
    assert warm / cold == pytest.approx(29.1 / 20.8, rel=0.05)


@pytest.mark.parametrize("hole_mm", [0.0, 1.0, 12.0])
def test_moles_are_conserved(hole_mm: float) -> None:
    tank = PLAIN._replace(hole_m=1e-3 * hole_mm, vapor_20c_pa=25_000.0, transfer_m_s=3e-4, carbon_share=0.01)
    assert run_tank(tank, PROTOCOL, 90.0)[6] == pytest.approx(0.0, abs=1e-9)


def test_a_tight_tank_without_vapor_or_heat_stays() -> None:
    _, pressure, _, _, _, phase, _, _ = run_tank(PLAIN, PROTOCOL, 90.0)
    assert np.ptp(pressure[phase <= 1]) < 1.0
    assert np.ptp(pressure[phase == 3][1:]) < 1.0
    assert pressure[-1] == pytest.approx(0.0, abs=20.0)
