"""Vapor pressure of gasoline and what it does to the heat that a tank's gas shows."""

import numpy as np
from numpy.testing import assert_allclose

from pipeline.physics.vapor import gasoline_vapor_pressure_pa, heat_share

PSI_PA = 6894.757293168


def test_vapor_pressure_of_gasoline_is_that_of_the_table():
    """AP-42, table 7.1-2 (from memory): RVP 10 at 60 °F has 5.2 psi; RVP 7 has 3.5, RVP 13 has 7.0 (within 1 %)."""
    found = gasoline_vapor_pressure_pa([10.0, 7.0, 13.0], (60 - 32) / 1.8) / PSI_PA
    assert_allclose(found, [5.2, 3.5, 7.0], rtol=0.01)


def test_reid_vapor_pressure_is_the_vapor_pressure_at_100_degrees_fahrenheit_or_nearly():
    """ASTM D323 measures at 37.8 °C; the correlation's true vapor pressure lies within 15 % of it."""
    assert_allclose(gasoline_vapor_pressure_pa([7.0, 9.0, 11.0], 37.8) / PSI_PA, [7.0, 9.0, 11.0], rtol=0.15)


def test_dry_air_shows_all_heat_and_vapor_takes_more_of_it_the_warmer_it_is():
    assert_allclose(heat_share(-60.0, 101_325.0), 1.0, atol=0.05)
    share = heat_share(np.array([-5.0, 10.0, 25.0, 40.0]), 101_325.0)
    assert np.all(np.diff(share) < 0)
    assert np.all((share > 0.25) & (share < 0.8))
