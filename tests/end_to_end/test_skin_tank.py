"""The skin fleet's tank against textbooks, so that a slip of the simulator is not blamed on what judges it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.end_to_end.skin_fleet import vehicles
from tests.end_to_end.skin_gas import FIELDS, run_tank
from tests.end_to_end.skin_plan import hole, plan_recording
from tests.end_to_end.skin_recorder import take
from tests.end_to_end.skin_truth import sharp_flow_m3_s

BARE = dict.fromkeys(FIELDS, 0.0) | {
    "ambient_pa": 101325.0, "ambient_k": 293.15, "gas_m3": 0.030, "creep_s": 15.0, "wall_k": 293.15,
    "surface_m2": 0.25, "boil_pa": 30e3, "skin_mol_m2": 0.6, "renew_s": 50.0, "skin_j_m2k": 2300.0, "skin_s": 40.0,
    "vent_a": 4e8, "vent_b": 7e5, "purge_m3_s": 3e-4, "opens_pct": 8.0, "purge_works": 1.0, "manifold_pa": 35e3,
    "rest_s": 5.0, "closed_s": 5.0, "duty_1": 50.0, "duty_2": 50.0, "duty_3": 50.0, "step_s": 5.0,
    "target_pa": 2500.0, "timeout_s": 60.0, "hold_s": 60.0, "release_s": 8.0,
}  # fmt: skip
#: Heat exchange so strong that the gas keeps the wall's temperature.
WARM = {"still_w_k": 2000.0}


def _hold(kept: np.ndarray) -> np.ndarray:
    return kept[kept[:, 7] == 3]


def test_an_isothermal_vacuum_decays_as_the_square_root_law_says() -> None:
    """sqrt(p) falls by (P / V) Cd A sqrt(2 / rho) / 2 a second (`standards.md` section 9), viscosity aside."""
    kept, _ = run_tank(BARE | WARM | {"boil_pa": 1.0, "leak_a": hole(0.508, 0)["leak_a"], "leak_b": 1.0})
    h = _hold(kept)
    t, root = h[:, 0] - h[0, 0], np.sqrt(-h[:, 1])
    is_deep = root > 25
    slope = -np.polyfit(t[is_deep], root[is_deep], 1)[0]
    area, rho = np.pi / 4 * 0.508e-3**2, 101325 * 0.028965 / (8.314462 * 293.15)
    cd = (
        0.61
        * float(sharp_flow_m3_s(0.508e-3, 1500.0, rho, 1.813e-5, 101325.0))
        / (0.61 * area * np.sqrt(3000 / rho))
    )
    assert slope == pytest.approx(101325 / 0.030 * cd * area * np.sqrt(2 / rho) / 2, rel=0.01)


def test_a_flow_through_the_textbook_hole_is_the_textbook_flow() -> None:
    """0.508 mm at 14 inches of water passes 569 cm3/min at 0.61 (`standards.md` section 9), less viscosity's share."""
    flow = float(sharp_flow_m3_s(0.508e-3, 3487.24, 1.184, 1.85e-5, 101325.0)) * 6e7
    assert 0.975 * 569.3 < flow < 569.3


def test_a_draw_without_heat_follows_the_adiabat() -> None:
    """T / p^(1 - 1/kappa) stays, kappa of the mixture of air and light ends."""
    kept, _ = run_tank(BARE)
    deep = _hold(kept)[0]
    y = float(deep[9])
    kappa = ((1 - y) * 29.1 + y * 95) / ((1 - y) * 20.8 + y * 86.7)
    told = 293.15 * ((101325 + deep[1]) / 101325) ** (1 - 1 / kappa)
    assert float(deep[8]) == pytest.approx(told, abs=0.03)


def test_moles_are_kept_whatever_happens() -> None:
    """What a tank holds at the end is what it held, and what came and went."""
    rng = np.random.default_rng(5)
    cars = vehicles(60, 12, rng)
    for car in cars:
        plan = plan_recording(car, rng)
        _, sums = run_tank(plan.tank)
        assert sums[5] + sums[:5].sum() == pytest.approx(sums[6], rel=1e-9)


def test_a_tight_tank_without_vapor_keeps_its_vacuum_and_lies_still_before_the_draw() -> None:
    """No leak, no vapor, warm walls: the hold is level; with the vent shut and nothing drawn, nothing moves."""
    kept, _ = run_tank(BARE | WARM)
    h = _hold(kept)
    assert abs(h[-1, 1] - h[10, 1]) < 2.0
    assert np.abs(kept[kept[:, 7] == 1][:, 1]).max() < 0.1


def test_a_gas_that_cooled_gives_back_what_the_gas_law_says() -> None:
    """A quick draw's cold comes back as p dT / T over the hold of a tight tank."""
    kept, _ = run_tank(BARE | {"still_w_k": 1.5})
    h = _hold(kept)
    told = (101325 + h[0, 1]) * (h[-1, 8] / h[0, 8] - 1)
    assert h[-1, 1] - h[0, 1] == pytest.approx(told, rel=0.02)
    assert told > 100


def test_creep_before_the_draw_is_the_undersaturation_that_the_film_lets_through() -> None:
    """dp/dt = A k gap / V with Stefan's factor, where the volume is the tank's alone."""
    tank = BARE | WARM | {"film_m_s": 2e-4, "gap_pa": 300.0, "skin_mol_m2": 1e6, "skin_j_m2k": 1e9}
    kept, _ = run_tank(tank)
    c = kept[kept[:, 7] == 1]
    rate = (c[-1, 1] - c[0, 1]) / (c[-1, 0] - c[0, 0])
    stefan = 101325 / (101325 - 0.5 * (30e3 + 29.7e3))
    assert rate == pytest.approx(0.25 * 2e-4 * 300 / 0.030 * stefan, rel=0.03)


def test_a_shell_that_gives_counts_as_gas_volume() -> None:
    """A shell of C m3/Pa slows a leak as P C of gas would: the decay is longer by that share."""
    leak = hole(1.0, 0.0)
    rigid = _hold(run_tank(BARE | WARM | leak)[0])
    soft = _hold(run_tank(BARE | WARM | leak | {"shell_m3_pa": 1e-7})[0])

    def to_half(h: np.ndarray) -> float:
        return float(h[np.argmax(h[:, 1] > -1250), 0] - h[0, 0])

    assert to_half(soft) / to_half(rigid) == pytest.approx(1 + 1e-7 * 101325 / 0.030, rel=0.03)


def test_the_true_diameter_of_a_sharp_hole_is_its_own() -> None:
    """Sharp holes of the plan, from their flow over the hold: in vacuum within 0.3 %, under pressure within 3 %."""
    rng = np.random.default_rng(3)
    (car,) = vehicles(1, 1, rng)
    found = {"draw": 0, "fill": 0}
    for _ in range(80):
        plan = plan_recording(car, rng)
        if plan.kind not in found or plan.cause not in ("tight", "leak"):
            continue
        plan.tank |= hole(0.8, 0.0)
        facts = take(plan, run_tank(plan.tank)[0], rng).facts
        assert facts["diameter_mm"] == pytest.approx(0.8, rel=0.003 if plan.kind == "draw" else 0.03)
        found[plan.kind] += 1
    assert min(found.values()) >= 2
