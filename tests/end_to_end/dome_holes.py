"""What passes a hole of a dome: sharp edges, drilled walls, cracks; and the sharp-edged hole that passes as much."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from scipy.optimize import brentq

GAS = 8.314462
#: Molar masses [kg/mol]: dry air, and the light ends of petrol (about pentane with butane, from memory 65 to 70).
AIR, FUEL = 0.028965, 0.067
VISCOSITY = 1.82e-5
SHARP, DRILLED, CRACK = 0, 1, 2
#: High-Reynolds contraction of a sharp edge; the contract's default, against which a diameter is told.
CONTRACTION = 0.61


@njit(cache=True)
def molar_flow(
    shape: int, d_m: float, long_m: float, p_up: float, p_down: float, t_up: float, molar: float
) -> float:
    """Return what flows from `p_up` to `p_down` [Pa] through a hole [mol/s]; `molar` is of the gas upstream [kg/mol].

    Pressure loss is a sum of a part that goes with the square of the speed and one that goes with it alone: for a
    sharp edge rho v^2 / (2 C^2) + 6 pi mu v / d (Sampson's creeping flow through a thin hole), for a drilled wall
    1.5 rho v^2 / 2 + 6 pi mu v / d + 32 mu L v / d^2, for a crack of width d and length L a slit 6 mm deep. Expansion
    as of gases at small ratios, 1 - 0.41 x / 1.4 for sharp edges and 1 - 0.75 x / 1.4 for rounded flow (from memory).
    """
    dp = p_up - p_down
    if dp <= 0.0 or d_m <= 0.0:
        return 0.0
    x = dp / p_up
    rho = p_up * molar / (GAS * t_up)
    if shape == 0:
        area = 0.25 * np.pi * d_m * d_m
        square, plain = 0.5 * rho / (CONTRACTION * CONTRACTION), 6.0 * np.pi * VISCOSITY / d_m
        expansion = 1.0 - 0.41 * x / 1.4
    elif shape == 1:
        area = 0.25 * np.pi * d_m * d_m
        square = 0.75 * rho
        plain = 6.0 * np.pi * VISCOSITY / d_m + 32.0 * VISCOSITY * long_m / (d_m * d_m)
        expansion = 1.0 - 0.75 * x / 1.4
    else:
        area = d_m * long_m
        square, plain = 0.75 * rho, 12.0 * VISCOSITY * 0.006 / (d_m * d_m)
        expansion = 1.0 - 0.5 * x
    v = (np.sqrt(plain * plain + 4.0 * square * dp) - plain) / (2.0 * square)
    return expansion * area * v * rho / molar


@njit(cache=True)
def signed_flow(shape, d_m, long_m, p_in, t_in, m_in, p_out, t_out):
    """Return the flow from inside to outside [mol/s], negative when air comes in."""
    if p_in >= p_out:
        return molar_flow(shape, d_m, long_m, p_in, p_out, t_in, m_in)
    return -molar_flow(shape, d_m, long_m, p_out, p_in, t_out, AIR)


@njit(cache=True)
def bed_flow(dp: float, plain: float, square: float) -> float:
    """Return the flow through a resistance that loses plain*q + square*q*|q| [Pa], q in mol/s."""
    size = abs(dp)
    q = 2.0 * size / (plain + np.sqrt(plain * plain + 4.0 * square * size))
    return q if dp >= 0.0 else -q


def effective_mm(hole: dict[str, Any], tank_pa: float, outside_pa: float, t_k: float) -> float:
    """Return the sharp-edged diameter that passes what the path does with the tank at `tank_pa` (absolute) [mm].

    `hole`: shape, d_m, long_m, and `plain`, `square` of the resistance before it (0 where there is none).
    """
    up, down = max(tank_pa, outside_pa), min(tank_pa, outside_pa)

    def passed(before_pa: float) -> float:
        return molar_flow(hole["shape"], hole["d_m"], hole["long_m"], up, up - before_pa, t_k, AIR)

    at_hole = up - down
    if hole["plain"] > 0 and hole["d_m"] > 0:
        at_hole = brentq(
            lambda x: passed(x) - bed_flow(up - down - x, hole["plain"], hole["square"]), 0.0, up - down
        )
    flow = passed(at_hole)
    if flow <= 0.0:
        return 0.0
    return 1e3 * brentq(lambda d: molar_flow(SHARP, d, 0.0, up, down, t_k, AIR) - flow, 1e-7, 0.2, xtol=1e-10)
