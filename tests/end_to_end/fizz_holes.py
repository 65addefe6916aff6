"""Leaks of the fizzing tanks: one law for a hole, a slit and a pipe, and the sharp-edged hole that flows as much.

Every way for gas is told by two numbers: `area_m2` (discharge coefficient times area) and `drag` [Pa s/m3 per Pa s]:

    pressure drop = density / 2 * (Q / area)^2 + viscosity * drag * Q

The second term is that of creeping flow. Through a round hole in a thin wall it is Sampson's (Phil. Trans. R. Soc. A
182, 1891, p. 449), 24 / d^3; a wall of thickness L adds Poiseuille's 128 L / (pi d^4), which is the sum of Dagan,
Weinbaum and Pfeffer (J. Fluid Mech. 115, 1982, p. 505); a slit of height h, width w and depth L has 12 L / (w h^3).
All three from memory, and derived again in the tests where that is short.
"""

from __future__ import annotations

import numpy as np

SHARP = 0.61  # discharge coefficient of a sharp edge, contract section 3, Leak size
AIR_KG_M3 = 1.184  # 25 degC, standards.md section 9
AIR_PA_S = 1.84e-5  # 25 degC, reference_checks.md section 12 (1.8206e-5 at 20 degC)


def round_hole(
    diameter_m: np.ndarray, wall_m: np.ndarray | float = 0.0, coefficient: np.ndarray | float = SHARP
) -> tuple[np.ndarray, np.ndarray]:
    """Return effective area [m2] and drag [1/m3] of a round hole."""
    d = np.maximum(np.asarray(diameter_m, float), 1e-7)
    return coefficient * np.pi / 4 * d**2, 24 / d**3 + 128 * wall_m / (np.pi * d**4)


def slit(width_m: np.ndarray, height_m: np.ndarray, depth_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return effective area [m2] and drag [1/m3] of a crack."""
    return SHARP * width_m * height_m, 12 * depth_m / (width_m * height_m**3)


def flow_m3_s(
    drop_pa: np.ndarray,
    area_m2: np.ndarray,
    drag: np.ndarray,
    kg_m3: np.ndarray | float = AIR_KG_M3,
    pa_s: float = AIR_PA_S,
) -> np.ndarray:
    """Return the volume that flows [m3/s at the upstream side], with the sign of the drop."""
    inertia, creep = kg_m3 / (2 * area_m2**2), pa_s * drag
    root = np.sqrt(creep**2 + 4 * inertia * np.abs(drop_pa))
    return 2 * drop_pa / (root + creep)


def effective_mm(flow: np.ndarray, drop_pa: np.ndarray) -> np.ndarray:
    """Return the diameter [mm] of the sharp-edged hole that passes `flow` [m3/s] at `drop_pa`, by bisection."""
    low, high = np.full(np.shape(flow), 1e-6), np.full(np.shape(flow), 0.1)
    for _ in range(60):
        middle = np.sqrt(low * high)
        is_small = flow_m3_s(drop_pa, *round_hole(middle)) < flow
        low, high = np.where(is_small, middle, low), np.where(is_small, high, middle)
    return 1e3 * np.sqrt(low * high)


def crack_of(
    diameter_m: np.ndarray, height_m: np.ndarray, depth_m: np.ndarray, drop_pa: float = 2000.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return area [m2] and drag [1/m3] of a crack that passes at `drop_pa` as much as a sharp hole of `diameter_m`."""
    wanted = flow_m3_s(np.asarray(drop_pa), *round_hole(diameter_m))
    a_meter_wide = flow_m3_s(np.asarray(drop_pa), *slit(np.ones_like(height_m), height_m, depth_m))
    return slit(wanted / a_meter_wide, height_m, depth_m)
