"""The harbor fleet's physics against textbook limits: what goes in comes out, holes in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.end_to_end.harbor_tank import (
    SHARP_ZETA,
    Car,
    Fault,
    Procedure,
    R,
    effective_mm,
    hole_mol_s,
    run,
)

CAR = Car(
    ullage_m3=0.04, footprint_m2=0.25, canister_m3=1.6e-3, adsorbed_m3=0.0, adsorb_per_s=0.2, give_m3_pa=0.0,
    give_late=0.2, wall_w_m2k=4.0, vapor_m_s=0.0, saturation_pa=100.0, saturation_share=0.0, gas_k=293.15,
    wall_k_s=0.0, film_mol_m2=1.5, bed_share=0.0, line_a=3e5, line_b=5e8, vent_a=5e5, vent_b=5e8, purge_mol_s=0.015,
    manifold_pa=4e4, ambient_k=293.15, atmosphere_pa=101325.0,
)  # fmt: skip
SOUND = Fault(0, 1, 1, 0, 1, 1, 0, 0, 0, 1)
DRAW = Procedure(0, 5, 2, 2500, 40, 0.7, 2, 90, 5, 1, 0, 0.1, 0.05, 0.1, 0, 1e9, 0)
NONE = np.zeros(1)


def _sharp(mm: float) -> Fault:
    d = mm / 1000
    return SOUND._replace(tank_area=math.pi / 4 * d * d, tank_zeta=SHARP_ZETA, tank_b=6 * math.pi / d)


def test_flow_of_a_hole_is_the_published_one() -> None:
    """0.508 mm, 2500 Pa, 0.61: 9.584947e-6 kg/s (CoolProp's density); creep takes 0.6 % of it at Re 2200."""
    d = 0.508e-3
    ideal = hole_mol_s(math.pi / 4 * d * d, SHARP_ZETA, 0.0, 103825, 293.15, 0.0, 101325, 293.15)
    assert ideal * 0.02896 == pytest.approx(9.584947e-6, rel=1e-3)
    real = hole_mol_s(math.pi / 4 * d * d, SHARP_ZETA, 6 * math.pi / d, 103825, 293.15, 0.0, 101325, 293.15)
    assert 0.99 < real / ideal < 0.999


def test_a_sharp_hole_is_as_large_as_itself_and_a_thick_one_larger() -> None:
    d = 0.8e-3
    area = math.pi / 4 * d * d
    assert effective_mm(area, SHARP_ZETA, 6 * math.pi / d, 1250, 101325) == pytest.approx(0.8, rel=1e-6)
    assert 0.8 < effective_mm(area, 1.5, (6 * math.pi + 64) / d, 1250, 101325) < 0.93


def test_a_sealed_isothermal_hold_ends_where_gas_in_equals_gas_out() -> None:
    """After minutes the gas has the wall's temperature: pressure times volume tells the moles that left."""
    rows = run(CAR, SOUND, DRAW._replace(hold_s=200.0), NONE)
    end = rows[rows[:, 5] == 3][-1]
    left = end[4] * (CAR.ullage_m3 + CAR.canister_m3) / (R * 293.15)
    assert left == pytest.approx(end[6], rel=2e-3)


def test_a_leak_goes_linearly_in_the_root_of_the_vacuum() -> None:
    """The closed form of `standards.md` section 9 in a system of much stirred gas and nothing else."""
    rows = run(CAR._replace(wall_w_m2k=400.0), _sharp(1.0), DRAW._replace(hold_s=30.0), NONE)
    hold = rows[rows[:, 5] == 3][50:]
    slope = np.polyfit(0.02 * np.arange(len(hold)), np.sqrt(-hold[:, 4]), 1)[0]
    volume = CAR.ullage_m3 + CAR.canister_m3
    area, rho = math.pi / 4 * 1e-6, 101325 * 0.02896 / (R * 293.15)
    k = 101325 / volume * 0.61 * area * math.sqrt(2 / rho)
    assert slope == pytest.approx(-k / 2, rel=0.03)


def test_carbon_and_walls_act_as_more_gas() -> None:
    """What they give back counts as volume: the same moles move the pressure less."""
    car = CAR._replace(adsorbed_m3=2e-3, give_m3_pa=3e-8)
    rows = run(car, SOUND, DRAW._replace(hold_s=200.0), NONE)
    end = rows[rows[:, 5] == 3][-1]
    volume = CAR.ullage_m3 + CAR.canister_m3 + 101325 * 3e-8
    assert end[6] == pytest.approx(end[4] * volume / (R * 293.15), rel=0.02)


def test_gas_warms_to_the_wall_in_seconds() -> None:
    """The part of the vacuum that warming takes back is gone to a third after 5 to 20 s."""
    hold = run(CAR, SOUND, DRAW._replace(hold_s=200.0), NONE)
    hold = hold[hold[:, 5] == 3][:, 4]
    left = (hold[-1] - hold) / (hold[-1] - hold[0])
    assert 100 < hold[-1] - hold[0] < 900
    assert 5 < 0.02 * int(np.argmax(left < 1 / math.e)) < 25
