"""How much gas an opening lets through, and which sharp-edged hole would let as much through.

Every opening follows `pressure = a * flow + b * flow**2`: friction (for a thin plate Sampson's creeping flow,
24 * viscosity / diameter**3) and inertia of the jet. Sampson, Phil. Trans. A 182 (1891), 449; the sum of the two as a
bridge between them is an engineer's usual choice. Discharge coefficient at high Reynolds number 0.61, as the contract.
"""

from __future__ import annotations

import numpy as np

VISCOSITY_PA_S = 1.82e-5
DISCHARGE = 0.61
CLOSED = 1e30
# Isentropic jet: of the incompressible flow is left 1 - 0.536 x, x pressure difference over upstream pressure.
EXPANSION = 3 / (4 * 1.4)


def round_hole(diameter_m: np.ndarray, density_kg_m3: float) -> tuple[np.ndarray, np.ndarray]:
    """Return friction `a` [Pa s/m3] and inertia `b` [Pa s2/m6] of a sharp-edged round hole."""
    area = np.pi / 4 * diameter_m**2
    return 24 * VISCOSITY_PA_S / diameter_m**3, density_kg_m3 / 2 / (DISCHARGE * area) ** 2


def crack(
    length_m: np.ndarray, gap_m: np.ndarray, depth_m: np.ndarray, density_kg_m3: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return `a` and `b` of a slot: plane Poiseuille flow through the wall, and 1.5 velocity heads lost."""
    area = length_m * gap_m
    return 12 * VISCOSITY_PA_S * depth_m / (length_m * gap_m**3), 1.5 * density_kg_m3 / 2 / area**2


def bore(diameter_m: np.ndarray, length_m: np.ndarray, density_kg_m3: float) -> tuple[np.ndarray, np.ndarray]:
    """Return `a` and `b` of a short pipe: Hagen-Poiseuille and 1.5 velocity heads lost."""
    area = np.pi / 4 * diameter_m**2
    return 128 * VISCOSITY_PA_S * length_m / (np.pi * diameter_m**4), 1.5 * density_kg_m3 / 2 / area**2


def flow_m3_s(
    pressure_pa: np.ndarray, a: np.ndarray, b: np.ndarray, stiffness: np.ndarray | float = 0.0
) -> np.ndarray:
    """Return the flow with the sign of the pressure, when the flow itself lowers the pressure by `stiffness` * flow.

    The positive root of `b q**2 + (a + stiffness) q = pressure`, in the form that stays exact for small pressures.
    """
    size = np.abs(pressure_pa)
    rub = a + stiffness
    return np.sign(pressure_pa) * 2 * size / (rub + np.sqrt(rub * rub + 4 * b * size))


def same_flow_diameter_m(
    pressure_pa: np.ndarray, a: np.ndarray, b: np.ndarray, density_kg_m3: float
) -> np.ndarray:
    """Return the diameter of the sharp-edged hole that lets as much through at `pressure_pa` (bisection)."""
    asked = flow_m3_s(pressure_pa, a, b)
    low, high = np.full(np.shape(asked), 1e-6), np.full(np.shape(asked), 0.05)
    for _ in range(60):
        middle = np.sqrt(low * high)
        is_small = flow_m3_s(pressure_pa, *round_hole(middle, density_kg_m3)) < asked
        low, high = np.where(is_small, middle, low), np.where(is_small, high, middle)
    return np.sqrt(low * high)
