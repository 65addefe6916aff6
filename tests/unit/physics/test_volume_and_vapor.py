"""Volume of the vapor space, and the limits of the plain functions."""

import numpy as np
import pytest

from pipeline.physics.blow_down import leak_coefficient, leak_diameter_mm
from pipeline.physics.orifice import hole_area_m2, hole_diameter_mm, mass_flow_incompressible
from pipeline.physics.vapor import warming_rise_pa
from pipeline.physics.volume import CANISTER_AND_LINES_L, vapor_volume_l


def test_vapor_volume_is_what_the_fuel_leaves_and_the_canister():
    volume, spread = vapor_volume_l(60.0, 40.0)
    assert volume == pytest.approx(36 + CANISTER_AND_LINES_L)
    assert 1 < spread < 5


def test_a_certification_fill_of_40_percent_leaves_60():
    # 40 CFR 1066.985 fixes the fill at 40 % of nominal.
    volume, _ = vapor_volume_l(100.0, 40.0, canister_l=0.0)
    assert volume == pytest.approx(60.0)


def test_an_unknown_fuel_level_widens_the_volume_and_an_unknown_tank_has_none():
    volume, spread = vapor_volume_l([60.0, np.nan], [np.nan, 40.0])
    assert spread[0] > 3 * vapor_volume_l(60.0, 40.0)[1]
    assert volume[0] - 2 * spread[0] < 20 < volume[0] + 2 * spread[0]
    assert np.isnan(volume[1])
    assert np.isnan(spread[1])


def test_diameter_and_coefficient_are_inverse_and_a_negative_leak_has_no_diameter():
    k = leak_coefficient([0.1, 0.5, 3.0], 40.0, 1.2, 101_325)
    assert leak_diameter_mm(k, 40.0, 1.2, 101_325) == pytest.approx([0.1, 0.5, 3.0])
    assert np.isnan(leak_diameter_mm(-0.1, 40.0, 1.2, 101_325))


def test_areas_and_diameters_are_inverse():
    assert hole_diameter_mm(hole_area_m2([0.2, 1.016])) == pytest.approx([0.2, 1.016])


def test_no_flow_against_the_pressure():
    assert mass_flow_incompressible(1e-6, 1e5, 1.1e5, 1.2, 0.61) == 0


def test_cooling_lowers_a_sealed_tank():
    assert warming_rise_pa(-2.0, 101_325, 20.0) == pytest.approx(-2 * warming_rise_pa(1.0, 101_325, 20.0))
