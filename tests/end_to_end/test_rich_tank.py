"""The rich tank against SciPy's integrator, on its own equations written out a second time in pressure and heat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.end_to_end.rich_faults import add_faults
from tests.end_to_end.rich_gas import STEP_S, Plan, Tanks
from tests.end_to_end.rich_plans import make_plan

R = 8.314462


def _plan(leak_mm: float) -> Plan:
    plan, _ = make_plan(np.random.default_rng(4), 1)
    plan["verdict"][:] = "holds"
    add_faults(plan, np.random.default_rng(1))
    plan["leak_mm"][:], plan["leak_at_tank"][:], plan["cd_form"][:], plan["line_factor"][:] = (
        leak_mm,
        1.0,
        1,
        1.0,
    )
    plan["purge_mol_s"][:], plan["manifold_swing_pa"][:], plan["load_from_s"][:] = 0.012, 0.0, 1e9
    plan["volume_l"][:], plan["vapor_share"][:] = 35.0, 0.95
    return plan


def _rates(plan: Plan, is_drawing: bool) -> Callable[[float, np.ndarray], list[float]]:
    g = {
        name: float(value[0])
        for name, value in plan.items()
        if np.ndim(value) == 1 and value.dtype.kind == "f"
    }
    volume = g["volume_l"] * 1e-3

    def through_hole(gauge: float) -> float:
        """mol/s inward: Saint-Venant and Wantzel, coefficient of a short tube."""
        size = abs(gauge) + 1e-12
        up = g["ambient_pa"] + max(gauge, 0.0)
        ratio, m = 1 - size / up, 0.028965
        density = up * m / (R * g["ambient_k"])
        reynolds = np.sqrt(2 * size * density) * g["leak_mm"] * 1e-3 / g["viscosity"] + 1e-9
        coefficient = (g["cd_high"] ** -2 + 3.2 * g["cd_low"] / reynolds) ** -0.5
        kg = np.sqrt(2 * 1.4 / 0.4 * up * density * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4)))
        return -np.sign(gauge) * coefficient * np.pi / 4 * (g["leak_mm"] * 1e-3) ** 2 * kg / m

    def rates(t: float, y: np.ndarray) -> list[float]:
        air, vapor, kelvin, canister = y
        total = air + vapor
        p = total * R * kelvin / volume
        difference = canister - (p - g["ambient_pa"])
        q = 2 * difference / (g["line_a"] + np.sqrt(g["line_a"] ** 2 + 4 * g["line_b"] * abs(difference)))
        line = q * g["ambient_pa"] / (R * g["ambient_k"])
        hole = through_hole(p - g["ambient_pa"])
        evaporated = g["evaporation"] * (
            g["saturated_pa"] * (1 + 0.033 * g["fuel_k_s"] * t) - p * vapor / total
        )
        into, out = max(line, 0) + max(hole, 0), max(-line, 0) + max(-hole, 0)
        heat = air * 20.8 + vapor * 96.7
        gained = into * (29.1 * g["ambient_k"] - 20.8 * kelvin) - out * R * kelvin
        gained += evaporated * (105.0 * g["fuel_k"] - 96.7 * kelvin)
        warming = gained / heat - (kelvin - g["wall_k"] - g["wall_k_s"] * t) / g["wall_s"]
        purge = g["purge_mol_s"] * (g["ambient_pa"] + canister) / 101_325 * is_drawing
        pressure = R * g["ambient_k"] / (g["canister_l"] * 1e-3) * (-purge - line)
        return [into - out * air / total, evaporated - out * vapor / total, warming, pressure]

    return rates


@pytest.mark.parametrize("leak_mm", [0.0001, 0.508, 1.016, 3.0])
def test_draw_and_hold_follow_scipys_integrator(leak_mm: float) -> None:
    plan = _plan(leak_mm)
    tanks = Tanks(plan)
    tanks.vent[:], plan["purge_step"][:], plan["vent_step"][:], plan["dead_pct"][:] = 0.0, 1.0, 1.0, 0.0
    state = np.array([tanks.air[0], tanks.vapor[0], tanks.kelvin[0], 0.0])
    found, expected = [], []
    for start, end in ((0.0, 5.0), (5.0, 35.0)):
        steps = range(round(start / STEP_S), round(end / STEP_S))
        for k in steps:
            duty = 100.0 if start == 0 else 0.0
            tanks.advance(np.array([k * STEP_S]), np.array([duty]), np.array([True]), np.zeros(1))
            found.append(tanks.gauge[0])
        at = (np.array(steps) + 1) * STEP_S
        rates = _rates(plan, is_drawing=start == 0)
        solved = solve_ivp(
            rates, (start, end + 1e-9), state, t_eval=at, rtol=1e-8, atol=1e-10, method="LSODA"
        )
        state = solved.y[:, -1]
        air, vapor, kelvin = solved.y[:3]
        expected += list((air + vapor) * R * kelvin / 0.035 - plan["ambient_pa"][0])
    assert min(expected) < -500
    # The stiff canister is damped by a first-order rule: all may lag by a quarter of a step (12 ms).
    quarter = 0.25 * np.abs(np.diff(expected)).max()
    np.testing.assert_allclose(found, expected, rtol=0.003, atol=quarter)
