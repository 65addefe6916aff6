"""The sagging fleet's physics against closed forms and published values."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from tests.end_to_end.sag_fleet import fleet
from tests.end_to_end.sag_recorder import across_low_point
from tests.end_to_end.sag_tank import (
    AIR_KG_MOL,
    CP_AIR,
    DRAW,
    EXPANSION,
    GAS,
    HOLD,
    Tanks,
    crack,
    flow,
    hole,
    run,
    same_sharp_hole_m,
    saturated_pa,
)

INCH_OF_WATER = 249.0889


def still(**changed: float) -> Tanks:
    """Return one tank of 30 l of dry air at 25 °C without leak, carbon, canister or drift, drawn to -2500 Pa."""
    drawn = fleet(2, 1).tanks
    one = Tanks(**{f.name: np.asarray(getattr(drawn, f.name))[:1] for f in fields(Tanks)})
    plain: dict[str, float] = {
        "ambient_pa": 101325,
        "ambient_k": 298.15,
        "wall_k": 298.15,
        "fuel_k": 298.15,
        "wall_drift_k_s": 0,
        "tank_m3": 0.03,
        "canister_m3": 1e-9,
        "wall_m2": 1,
        "surface_m2": 1e-3,
        "reid_pa": 1e-3,
        "dryness": 0,
        "film_m_s": 3e-4,
        "pump_mixing": 1,
        "carbon_mol": 0,
        "leak_a": 1e30,
        "leak_b": 1e30,
        "leak_gives": 0,
        "is_vent_stuck": False,
        "vent_late_s": 0,
        "purge_m3_s": 3e-4,
        "purge_passes": 0,
        "manifold_pa": 3e4,
        "feed_mol_s": 0,
        "regulator_pa": 6000,
        "relief_pa": 9000,
        "target_pa": -2500,
        "seen_offset_pa": 0,
        "stirs_at_s": 1e9,
        "is_driving": False,
    }
    values = {k: np.array([v]) for k, v in (plain | changed).items()}
    phases = np.array([[2.0, 2, 60, 120, 0, 0, 2]])
    return replace(one, **values, duty=np.ones((1, 2)), phase_s=phases)


def test_a_hole_of_a_fiftieth_inch_passes_what_the_textbook_says_less_a_little_friction() -> None:
    # standards.md section 9: 569.3 cc/min at 14 inches of water through 0.020 in, Cd 0.61, air of 1.184 kg/m3.
    a, b = hole(np.array([0.508e-3]), np.zeros(1))
    dp, density = np.array([14 * INCH_OF_WATER]), np.array([1.184])
    assert flow(0 * a, b, density, dp)[0] * 6e7 == pytest.approx(569.3, rel=1e-3)
    assert 0.99 < flow(a, b, density, dp)[0] * 6e7 / 569.3 < 1


def test_slow_flow_through_a_hole_is_sampsons_and_through_a_crack_goes_with_the_cube_of_its_width() -> None:
    # Sampson, Phil. Trans. R. Soc. A 182 (1891), as quoted in textbooks, from memory: Q = r^3 dp / (3 mu).
    a, b = hole(np.array([2e-5]), np.zeros(1))
    slow = flow(a, b, np.ones(1), np.array([1.0]))[0]
    assert slow == pytest.approx(1e-15 / (3 * 1.82e-5), rel=0.02)
    narrow, wide = (
        flow(*crack(np.array([0.01]), np.array([w]), np.array([2e-3])), np.ones(1), np.ones(1))[0]
        for w in (5e-6, 1e-5)
    )
    assert wide / narrow == pytest.approx(8, rel=0.01)


def test_a_sharp_hole_is_its_own_equal() -> None:
    diameter = np.array([0.2e-3, 1e-3, 4e-3])
    density, dp = np.full(3, 1.2), np.full(3, 1500.0)
    through = flow(*hole(diameter, np.zeros(3)), density, dp)
    assert same_sharp_hole_m(through, density, dp) == pytest.approx(diameter, rel=1e-6)


def test_vacuum_decays_through_an_orifice_as_the_square_root_in_closed_form() -> None:
    # standards.md section 9: sqrt(p) falls linearly, K = (P / V) Cd A sqrt(2 / rho); for walls that keep the gas warm.
    _, b = hole(np.array([0.6e-3]), np.zeros(1))
    tank = still(leak_a=0.0, leak_b=float(b[0]), stir_w=300)
    course = run(tank, 160.0)
    held = np.sqrt(-course.gauge_pa[course.phase[:, 0] == HOLD, 0][10:400].astype(float))
    rate = -np.polyfit(0.1 * np.arange(len(held)), held, 1)[0]
    density = 101325 * AIR_KG_MOL / (GAS * 298.15)
    closed_form = 101325 / 0.03 / 2 * 0.61 * np.pi / 4 * 0.6e-3**2 * np.sqrt(2 / density)
    expands = 1 - EXPANSION * float(np.mean(held**2)) / 101325
    assert rate == pytest.approx(closed_form * expands, rel=0.005)


def test_gas_expands_through_a_hole_as_an_isentropic_nozzle_says() -> None:
    # reference_checks.md section 12: 0.986838 of the incompressible flow at 2500 Pa above 101325 Pa.
    expanded = 1 - EXPANSION * 2500 / 103825
    assert expanded == pytest.approx(0.986838, abs=1e-4)


def test_a_fast_draw_without_walls_cools_the_gas_as_an_adiabat_does() -> None:
    course = run(still(wall_m2=1e-9, surface_m2=1e-9), 40.0)
    held = course.phase[:, 0] == HOLD
    k, pressure = course.gas_k[held, 0][0], 101325 + course.gauge_pa[held, 0][0]
    assert k / 298.15 == pytest.approx((pressure / 101325) ** (GAS / CP_AIR), rel=2e-5)


def test_a_choked_purge_draws_its_volume() -> None:
    course = run(still(stir_w=300), 40.0)
    drawn = course.gauge_pa[course.phase[:, 0] == DRAW, 0]
    rate = (drawn[20] - drawn[5]) / 1.5
    assert rate == pytest.approx(-101325 * 3e-4 / 0.03, rel=0.02)


def test_fuel_in_balance_with_its_vapour_stays_so_and_dry_vapour_fills_up_to_saturation() -> None:
    calm = {"reid_pa": 6e4, "surface_m2": 0.3, "purge_m3_s": 0.0}
    course = run(still(**calm), 160.0)
    assert np.abs(course.gauge_pa).max() < 1
    dry = still(**calm, dryness=0.1, film_m_s=0.02, pump_mixing=10)
    course = run(dry, 160.0)
    shut = course.phase[:, 0] == HOLD
    partial = course.vapour_share[shut, 0][-1] * (101325 + course.gauge_pa[shut, 0][-1])
    assert partial == pytest.approx(saturated_pa(dry, np.array([298.15]))[0], rel=0.02)
    assert saturated_pa(dry, np.array([310.93]))[0] == pytest.approx(6e4)


def test_a_low_point_keeps_its_head_in_both_directions() -> None:
    tank = np.concatenate([np.linspace(0, -1000, 50), np.linspace(-1000, -500, 50)])
    behind = across_low_point(tank, 80.0)
    assert behind[49] == pytest.approx(-920)
    assert behind[99] == pytest.approx(-580)
    assert np.abs(behind - tank).max() <= 80 + 1e-9
