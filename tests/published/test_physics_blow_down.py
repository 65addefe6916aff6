"""The closed form of the blow-down against scipy's integrator."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from pipeline.physics.blow_down import decay_time_s, pressure_after

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
