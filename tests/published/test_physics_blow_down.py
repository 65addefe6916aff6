"""The closed form of the blow-down against scipy's integrator."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from pipeline.physics.blow_down import decay_time_s, leak_coefficient, leak_diameter_mm, pressure_after

CASES = [
    # start [Pa], K [sqrt(Pa)/s], vapor [Pa/s]
    (-2500.0, 0.3, 0.0),
    (-2500.0, 0.3, 3.0),
    (-2500.0, 0.02, 5.0),
    (-2500.0, 0.0, 4.0),
    (-2500.0, 1e-6, 4.0),
    (-2500.0, 3.0, 0.5),
    (-2500.0, 0.3, -2.0),
    (2500.0, 0.3, 3.0),
    (2500.0, 0.3, -3.0),
    (0.0, 0.5, 4.0),
    (20.0, 0.5, 4.0),
    (3487.0, 0.2, 0.0),
    (64.0, 0.5, 4.0),
]


@pytest.mark.parametrize(("start", "k", "vapor"), CASES)
def test_closed_form_equals_the_integrated_equation(start, k, vapor):
    time = np.linspace(0, 120, 41)
    run = solve_ivp(
        lambda _, p: vapor - k * np.sign(p) * np.sqrt(np.abs(p)),
        (0, 120),
        [start],
        t_eval=time,
        method="LSODA",
        rtol=1e-10,
        atol=1e-8,
        max_step=0.05,
    )
    assert_allclose(pressure_after(start, time, k, vapor), run.y[0], atol=0.02, rtol=1e-5)


@pytest.mark.parametrize("vapor", [0.0, 1.0, 5.0])
def test_time_and_pressure_are_inverse(vapor):
    time = decay_time_s(-2500, -900, 0.25, vapor)
    assert pressure_after(-2500, time, 0.25, vapor) == pytest.approx(-900, rel=1e-8)


def test_a_pressure_that_is_never_reached_has_no_time():
    assert np.isnan(decay_time_s(-900, -2500, 0.25))
    assert np.isnan(decay_time_s(2500, 10, 0.25, 5.0))  # vapor holds it at (5 / 0.25)^2 = 400 Pa
    assert np.isnan(decay_time_s(-900, 900, 0.25))


def test_square_root_of_vacuum_falls_in_a_straight_line_without_vapor():
    root = np.sqrt(-pressure_after(-2500, np.linspace(0, 60, 7), 0.5))
    assert_allclose(np.diff(root, 2), 0, atol=1e-9)


def test_the_slope_of_the_root_gives_back_a_0_020_inch_hole_in_30_liters():
    # 14 to 8 inches of water take 53.1 s there (table of test_physics_orifice); read with 2 Pa of noise.
    k = leak_coefficient(0.508, 30, 1.184, 101_325)
    time = np.linspace(0, 53.1, 107)
    noisy = pressure_after(14 * 249.0889, time, k) + np.random.default_rng(1).normal(0, 2, len(time))
    slope = np.polyfit(time, np.sqrt(noisy), 1)[0]
    assert leak_diameter_mm(-2 * slope, 30, 1.184, 101_325) == pytest.approx(0.508, rel=0.01)
    assert noisy[-1] / 249.0889 == pytest.approx(8.0, abs=0.05)
