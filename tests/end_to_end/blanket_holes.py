"""What flows through a hole, and how large a thin sharp-edged hole of the same flow is: truth of the blanket lake."""

from __future__ import annotations

import math

from numba import njit

#: Discharge of a thin sharp-edged hole at high Reynolds number: the contract's setting, "Leak size".
SHARP = 0.61
AIR_J_KG_K = 287.05


@njit(cache=True)
def air_viscosity_pa_s(air_k: float) -> float:
    """Sutherland's rule for air, from memory: 1.716e-5 Pa s at 273.15 K, constant 110.4 K."""
    return 1.716e-5 * (air_k / 273.15) ** 1.5 * 383.55 / (air_k + 110.4)


@njit(cache=True)
def hole_flow_m3_s(
    drop_pa: float,
    diameter_m: float,
    depth_m: float,
    discharge: float,
    rho: float,
    mu: float,
) -> float:
    """Return the flow [m3/s, of the gas upstream] through a round hole; drops losses by inertia and friction.

    drop = rho v^2 / (2 discharge^2) + (6 pi mu / d + 32 mu depth / d^2) v: friction of a hole in a thin plate is
    Sampson's (Q = d^3 drop / (24 mu)), that of its depth Poiseuille's; both from memory. Expansion is under 1 %
    at these drops and left out here as it is in the effective diameter.
    """
    if drop_pa <= 0.0 or diameter_m <= 0.0:
        return 0.0
    a = rho / (2.0 * discharge * discharge)
    b = 6.0 * math.pi * mu / diameter_m + 32.0 * mu * depth_m / (diameter_m * diameter_m)
    v = 2.0 * drop_pa / (b + math.sqrt(b * b + 4.0 * a * drop_pa))
    return v * 0.25 * math.pi * diameter_m * diameter_m


@njit(cache=True)
def flow_slope_m3_s_pa(
    drop_pa: float, diameter_m: float, depth_m: float, discharge: float, rho: float, mu: float
) -> float:
    """Return what a pascal more would let through: the derivative of `hole_flow_m3_s` by the drop."""
    if diameter_m <= 0.0:
        return 0.0
    a = rho / (2.0 * discharge * discharge)
    b = 6.0 * math.pi * mu / diameter_m + 32.0 * mu * depth_m / (diameter_m * diameter_m)
    return 0.25 * math.pi * diameter_m * diameter_m / math.sqrt(b * b + 4.0 * a * drop_pa)


def effective_mm(flow_m3_s: float, drop_pa: float, rho: float, mu: float) -> float:
    """Return the diameter [mm] of the thin sharp-edged hole with that flow at that drop, by bisection."""
    low, high = 0.0, 0.05
    for _ in range(60):
        middle = 0.5 * (low + high)
        if hole_flow_m3_s(drop_pa, middle, 0.0, SHARP, rho, mu) < flow_m3_s:
            low = middle
        else:
            high = middle
    return 1000.0 * high
