"""The blanket tank against closed forms and known limits, so that a miss of the estimator can be laid at its door."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.end_to_end import blanket_holes as holes
from tests.end_to_end.blanket_fleet import models
from tests.end_to_end.blanket_tank import HOLD, Course, Tank, run_tank, through

#: A dry steel tank of 40 l gas, all at 293.15 K, without carbon, vapor, or anything that gives.
DRY = Tank(
    **(dict.fromkeys(Tank._fields, 0.0)),
)._replace(
    gas_m3=0.040, fuel_m3=0.02, surface_m2=0.25, roof_m2=0.3, side_m2=0.4, blanket_m=0.03,
    air_pa=101_325.0, ambient_k=293.15, roof_k=293.15, side_k=293.15, fuel_k=293.15,
    creep_s=40.0, outgas_s=2000.0, bubble_from_pa=1e9, carbon_m3=0.001, late_carbon_s=30.0,
    line_r1=3e5, line_r2=3e8, bed_r1=5e5, bed_r2=5e8, purge_mol_s=0.012, manifold_pa=35_000.0, stall_pa=8000.0,
    purge_open_share=1.0, purge_lag_s=0.05, vent_open_share=1.0, vent_lag_s=0.05, relief_pa=1e9,
    hole_discharge=0.61, crack_power=0.5, sensor_lag_s=0.05, vapor_pa=1e-6,
    rest_share=0.85,
)  # fmt: skip
STILL = Course(5.0, 5.0, 2500.0, 60.0, 1.0, 1.0, 0.0, 0.0, 1, 0.0, 90.0, 5.0)
#: Walls that hold the gas at their own warmth.
FIRM = DRY._replace(radiates_w_m2_k=2000.0)


def _hold(tank: Tank, course: Course = STILL, soak_s: float = 20.0) -> tuple[np.ndarray, np.ndarray]:
    times, gauge, *_, phases, _, _ = run_tank(tank, course, 0.005, soak_s, 600.0)
    held = phases == HOLD
    return times[held] - times[held][0], gauge[held]


def test_no_gas_is_lost_or_made() -> None:
    tank = DRY._replace(
        hole_m=0.001, vapor_pa=40_000.0, film_m_s=5e-4, mixing_m_s=3e-4, dissolved_share=0.17, radiates_w_m2_k=1.0,
        convects_w=1.4, give_m3_pa=2e-8, creep_m3_pa=3e-9, late_carbon_m3=0.002, bubble_mol_s_pa=1e-8,
        bubble_from_pa=1000.0,
    )  # fmt: skip
    tank_gain, carbon_gain, let_in, drawn, vented, evaporated, *_ = run_tank(tank, STILL, 0.01, 60.0, 250.0)[
        -1
    ]
    assert drawn > 0.02
    assert tank_gain + carbon_gain == pytest.approx(let_in + evaporated - drawn - vented, abs=1e-9)


def test_a_firm_tank_blows_down_as_the_closed_form() -> None:
    """sqrt(vacuum) falls on a line while the gas stays at the walls' warmth: standards, section 9."""
    d = 0.001016
    t, gauge = _hold(FIRM._replace(hole_m=d))
    rho = 101_325.0 / (287.05 * 293.15)
    k = 101_325.0 / 0.041 * 0.61 * math.pi / 4 * d * d * math.sqrt(2 / rho)
    start = np.searchsorted(t, 1.0)
    later = np.searchsorted(t, 21.0)
    roots = np.sqrt(-gauge[[start, later]])
    # Friction of Sampson's slows a hole of 1 mm by a little over 0.5 %.
    assert roots[0] - roots[1] == pytest.approx(k * 20.0 / 2, rel=0.02)


def test_hole_flow_has_its_limits() -> None:
    rho, mu = 1.204, 1.82e-5
    flow = holes.hole_flow_m3_s(2500.0, 0.003, 0.0, 0.61, rho, mu)
    assert flow == pytest.approx(0.61 * math.pi / 4 * 9e-6 * math.sqrt(2 * 2500 / rho), rel=0.005)
    # Nearly without drop only friction is left: Sampson in a plate, Poiseuille in a bore.
    assert holes.hole_flow_m3_s(1e-3, 1e-4, 0.0, 0.61, rho, mu) == pytest.approx(
        1e-12 * 1e-3 / 24 / mu, rel=1e-3
    )
    bore = math.pi * 1e-16 * 1e-3 / (128 * mu * 0.05)
    assert holes.hole_flow_m3_s(1e-3, 1e-4, 0.05, 0.61, rho, mu) == pytest.approx(bore, rel=3e-3)
    # 0.508 mm at 2500 Pa: 0.48379 l/min without friction (reference checks, section 12).
    assert 6e4 * holes.hole_flow_m3_s(2500.0, 0.000508, 0.0, 0.61, 1.204575, mu) == pytest.approx(
        0.48379, rel=0.02
    )


def test_slope_of_the_flow_is_its_derivative() -> None:
    hole = (0.002, 0.001, 0.7, 1.2, 1.8e-5)
    change = holes.hole_flow_m3_s(501.0, *hole) - holes.hole_flow_m3_s(499.0, *hole)
    assert holes.flow_slope_m3_s_pa(500.0, *hole) == pytest.approx(change / 2.0, rel=1e-4)


def test_a_wide_hole_does_not_make_the_tank_swing() -> None:
    times, gauge, *_, phases, _, _ = run_tank(FIRM._replace(hole_m=0.012), STILL, 0.01, 5.0, 200.0)
    late = (phases == HOLD) & (times > times[phases == HOLD][0] + 1.0)
    assert np.abs(gauge[late]).max() < 0.5


def test_effective_diameter_of_a_sharp_hole_is_its_own() -> None:
    flow = holes.hole_flow_m3_s(1200.0, 0.0007, 0.0, holes.SHARP, 1.2, 1.8e-5)
    assert holes.effective_mm(flow, 1200.0, 1.2, 1.8e-5) == pytest.approx(0.7, rel=1e-6)


def test_gas_warms_in_its_known_time() -> None:
    """Without vapor and convection the gas nears the walls with n (cp - R) / (h A)."""
    tank = DRY._replace(radiates_w_m2_k=1.5)
    t, gauge = _hold(tank)
    moles = 101_325.0 * 0.975 * 0.040 / (8.314 * 293.15)
    # Gas of the carbon's space, at its own warmth, takes part in the pressure: 1 of 41 l.
    tau = moles * (29.1 - 8.314 * 40 / 41) / (1.5 * 0.95)
    far = gauge[-1]
    a, b = np.searchsorted(t, 2.0), np.searchsorted(t, 17.0)
    end = far + (far - gauge[b]) / (math.exp((t[-1] - 17.0) / tau) - 1.0)
    assert 15.0 / math.log((end - gauge[a]) / (end - gauge[b])) == pytest.approx(tau, rel=0.03)


def test_a_quick_draw_cools_the_gas_as_the_adiabat() -> None:
    quick = DRY._replace(
        purge_mol_s=1.0, line_r1=3e3, line_r2=3e5, vent_lag_s=0.01, purge_lag_s=0.01, carbon_m3=1e-4
    )
    *_, ledger = run_tank(quick, STILL._replace(hold_s=0.5, release_s=0.0), 0.0005, 20.0, 30.0)
    moles, gas_k = ledger[-2:]
    pressure = moles * 8.314 * gas_k / 0.040
    assert gas_k == pytest.approx(293.15 * (pressure / 101_325.0) ** (8.314 / 29.1), abs=0.03)
    assert gas_k < 292.0


def test_a_wall_that_gives_is_as_good_as_more_gas() -> None:
    """Half-time of a hole grows with gas + pressure x give."""
    given = FIRM._replace(hole_m=0.0015, give_m3_pa=1e-7)
    more = FIRM._replace(hole_m=0.0015, gas_m3=0.040 + 101_325.0 * 1e-7)
    (t, a), (u, b) = _hold(given), _hold(more)
    half = [s[np.argmax(g > 0.5 * g[100])] for s, g in ((t, a), (u, b))]
    assert half[0] == pytest.approx(half[1], rel=0.03)


def test_vapor_comes_to_rest_at_its_own_pressure() -> None:
    """Shut and sound, the drawn tank fills with vapor until that has the pressure that the fuel gives."""
    wet = FIRM._replace(vapor_pa=30_000.0, film_m_s=5e-3, mixing_m_s=2e-2)
    t, gauge = _hold(wet, STILL._replace(hold_s=400.0), 900.0)
    # Air is drawn with the vapor; afterwards the vapor comes back and the air does not: at most 30 % of the vacuum.
    back = (gauge[-1] - gauge[0]) / -gauge[0]
    assert t[-1] > 100.0
    assert 0.1 < back < 0.31
    assert abs(gauge[-1] - gauge[-2000]) < 2.0


def test_half_the_step_gives_the_same_hold() -> None:
    tank = DRY._replace(
        hole_m=0.0012, vapor_pa=35_000.0, film_m_s=4e-4, mixing_m_s=2e-4, radiates_w_m2_k=0.8, convects_w=1.3,
        give_m3_pa=4e-8, late_carbon_m3=0.001,
    )  # fmt: skip
    ends = []
    for step in (0.01, 0.005):
        times, gauge, *_, phases, _, _ = run_tank(tank, STILL, step, 60.0, 300.0)
        start = times[phases == HOLD][0]
        ends.append(np.interp(start + np.array([1.0, 5.0, 15.0, 40.0]), times, gauge))
    assert np.abs(ends[0] - ends[1]).max() < 3.0


def test_volts_reach_the_end_of_the_sensor() -> None:
    for key in range(5):
        for model in models(np.random.default_rng(key)):
            assert model.rest_v - model.v_per_kpa * model.sensor_end_pa / 1000.0 > 0.1
            assert model.rest_v + model.v_per_kpa * model.sensor_end_pa / 1000.0 < 5.1


def test_resistance_is_quadratic_with_the_right_slope() -> None:
    q, slope = through(300.0, 2e5, 4e8)
    assert 2e5 * q + 4e8 * q * q == pytest.approx(300.0)
    assert slope == pytest.approx((through(300.1, 2e5, 4e8)[0] - q) / 0.1, rel=1e-3)
