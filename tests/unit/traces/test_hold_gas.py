"""Compiled physics of the hold is that of the physics floor, and the solver that of NumPy."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from pipeline.physics import orifice
from pipeline.traces.hold_gas import (
    WALL_SHARE,
    discharge_share,
    fade,
    heat_of,
    heat_together,
    leak_flow,
    leak_speed,
    let_in,
    viscous_pa,
)
from pipeline.traces.hold_solve import N_UNKNOWN, normal_equations, solve, spread_of

AIR, CELSIUS = 95_000.0, 31.0
HEAT = orifice.GAS_CONSTANT_AIR * (CELSIUS + orifice.ZERO_CELSIUS_K)


@pytest.mark.parametrize("gauge", [-15_000.0, -3_000.0, -0.5, 0.0, 0.5, 3_487.0])
def test_leak_speed_is_that_of_the_physics_floor(gauge):
    assert_allclose(leak_speed(gauge, AIR, HEAT), orifice.leak_speed(gauge, AIR, CELSIUS), rtol=1e-6, atol=0)


@pytest.mark.parametrize("hole_mm", [0.2, 0.508, 3.0])
def test_discharge_is_that_of_the_physics_floor(hole_mm):
    viscosity = float(orifice.air_viscosity(CELSIUS))
    density = float(orifice.air_density(AIR, CELSIUS))
    viscous = viscous_pa(hole_mm, AIR, HEAT, viscosity, 0.61)
    for drop in (0.5, 50.0, 2_500.0):
        expected = orifice.discharge_at(hole_mm, drop, density, viscosity, 0.61, WALL_SHARE) / 0.61
        assert_allclose(discharge_share(-drop, viscous), expected, rtol=1e-9)
        for gauge in (-drop, drop):
            both = leak_speed(gauge, AIR, HEAT) * discharge_share(gauge, viscous)
            assert_allclose(leak_flow(gauge, AIR, HEAT, viscous), both, rtol=1e-12)
    assert discharge_share(0.0, viscous) == 0
    assert leak_flow(0.0, AIR, HEAT, viscous) == 0


def test_gas_let_in_and_its_heat_solve_the_balance_of_the_gas():
    """D' = -(k - 1) m' - D / tau against SciPy's integrator, for a leak along a given curve of pressure."""
    t = np.linspace(0.25, 60, 240)
    curve, tau, k = -2_500 * np.exp(-t / 40), 6.0, orifice.HEAT_RATIO_AIR
    gas, felt = np.zeros((3, len(t))), np.zeros((4, len(t)))
    let_in(t, curve, len(t), AIR, HEAT, 0.0, 1.0, 0.0, np.zeros(len(t)), gas)
    kept, came = np.zeros((2, len(t)))
    fade(t, len(t), tau, kept, came)
    assert_allclose(kept, np.exp(-np.diff(t, prepend=0) / tau), rtol=1e-10)
    leak, cold = 1e-5, 400.0
    heat_of(gas, len(t), kept, came, cold, np.array([0.5, leak, 0.0]), felt)
    together = np.zeros(len(t))
    heat_together(gas[0] * 0.5 + gas[1] * leak, len(t), kept, came, cold, together)
    assert_allclose(together, felt[3], rtol=1e-12)

    def slopes(time, state):
        inflow = leak * float(orifice.leak_speed(-2_500 * np.exp(-time / 40), AIR, CELSIUS)) + 0.5
        return [inflow, -(k - 1) * inflow - state[1] / tau]

    found = solve_ivp(slopes, (0, 60), [0.0, cold], t_eval=t, rtol=1e-9, atol=1e-9).y
    assert_allclose(gas[0] * 0.5 + gas[1] * leak, found[0], rtol=2e-3)
    assert_allclose(felt[3], cold - found[1], rtol=5e-3)


def test_air_that_a_leak_lets_in_takes_none_of_the_vacuum_from_what_draws_vapor():
    """The draw took the vapor out, and by Dalton's law air brings none of it back: what draws vapor is the integral of
    the vacuum with the leak's air taken out again, here by SciPy's integrator."""
    t = np.linspace(0.25, 60, 240)
    curve, leak, gas = -2_500 * np.exp(-t / 40), 4e-5, np.zeros((3, len(t)))
    let_in(t, curve, len(t), AIR, HEAT, 0.0, 1.0, leak, np.zeros(len(t)), gas)

    def slopes(time, state):
        vacuum = 2_500 * np.exp(-time / 40)
        return [leak * float(orifice.leak_speed(-vacuum, AIR, CELSIUS)), vacuum + state[0]]

    found = solve_ivp(slopes, (t[0], 60), [0.0, gas[2, 0]], t_eval=t, rtol=1e-9, atol=1e-9).y
    assert_allclose(gas[2], found[1], rtol=2e-3)
    assert gas[2, -1] > 1.5 * 40 * (2_500 - 2_500 * np.exp(-60 / 40))


def test_the_solver_gives_what_numpy_gives():
    rng = np.random.default_rng(4)
    design, target, weight = rng.normal(size=(20, N_UNKNOWN)), rng.normal(size=20), rng.uniform(0.5, 2, 20)
    precision, pull = np.diag(rng.uniform(0.1, 1, N_UNKNOWN)), rng.normal(size=N_UNKNOWN)
    normal, right, out = np.zeros((N_UNKNOWN, N_UNKNOWN)), np.zeros(N_UNKNOWN), np.zeros(N_UNKNOWN)
    normal_equations(
        np.ascontiguousarray(design.T),
        target.copy(),
        weight,
        20,
        precision,
        pull,
        normal,
        right,
    )
    solve(normal, right, out)
    whole = design.T @ (design * weight[:, None]) + precision
    assert_allclose(out, np.linalg.solve(whole, design.T @ (weight * target) + pull), rtol=1e-10)
    row = rng.normal(size=N_UNKNOWN)
    room = np.zeros(N_UNKNOWN)
    assert_allclose(spread_of(normal, row, N_UNKNOWN, room) ** 2, row @ np.linalg.inv(whole) @ row)
    known = np.linalg.inv(whole[:-1, :-1])
    assert_allclose(spread_of(normal, row, N_UNKNOWN - 1, room) ** 2, row[:-1] @ known @ row[:-1])
