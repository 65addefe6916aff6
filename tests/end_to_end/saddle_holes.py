"""What flows through a hole of a given shape, and the sharp-edged hole that would let as much through.

Every hole resists as `difference = creep * flow + inertia * flow**2`, with the flow as volume before the hole:

- SHARP, a round hole in a thin wall: creep 3 mu / r^3 (R. A. Sampson, "On Stokes's current function", Phil. Trans. R.
  Soc. A 182 (1891) 449), inertia rho / (2 (c A)^2). Their sum is the common interpolation between both ends.
- TUBE, a hole drilled through a thick wall: Sampson's ends and Poiseuille's 128 mu L / (pi d^4) in series (Z. Dagan, S.
  Weinbaum, R. Pfeffer, J. Fluid Mech. 115 (1982) 505: within 1 % for creeping flow); inertia with 1.49 velocity heads,
  0.5 lost at a square entry and 1 at the exit (any text on pipe losses; from memory), which is a coefficient of 0.82.
- CRACK, a gap under a cap or at a crimp: 12 mu L / (w h^3) between plates, 1.5 velocity heads.
- LIP, a crack under a seal's lip, whose gap grows or shrinks by `gives` a kPa of difference.

Gas expands: inertia is divided by the square of the isentropic nozzle's ratio to incompressible flow (St. Venant and
Wantzel's formula, any text on gas dynamics), which chokes at the critical ratio.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

GAS = 8.314462618
SHARP, TUBE, CRACK, LIP = 0, 1, 2, 3
SHAPES = ("sharp", "tube", "crack", "lip")
#: The tool's stated coefficient at high Reynolds number (`pipeline.settings.Settings.discharge_coefficient`).
STATED = 0.61
#: Air, n-butane (the light of the fuel's vapor), isopentane (the heavy): kg/mol, J/(mol K) at constant pressure, Pa s.
#: Textbook values near 295 K, from memory.
KG_MOL = np.array([0.028965, 0.05812, 0.07215])
HEAT_J_MOL_K = np.array([29.1, 98.5, 119.0])
VISCOSITY_PA_S = np.array([1.83e-5, 0.74e-5, 0.70e-5])


@njit(cache=True)
def expansion(before_pa: float, after_pa: float, gamma: float) -> float:
    """Return the square of isentropic over incompressible mass flow at one density before the hole, 0 to 1."""
    ratio = after_pa / before_pa
    if ratio > 1 - 1e-5:
        return 1.0
    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    at = max(ratio, critical)
    rise = gamma / (gamma - 1) * at ** (2 / gamma) * (1 - at ** ((gamma - 1) / gamma))
    return float(rise / (1 - ratio))


@njit(cache=True)
def resistance(
    shape: int,
    wide_m: float,
    gap_m: float,
    long_m: float,
    head: float,
    difference_pa: float,
    density: float,
    viscosity: float,
) -> tuple[float, float]:
    """Return creep [Pa s/m3] and inertia [Pa s2/m6] of a hole.

    `head` is the coefficient of discharge of a SHARP hole, and of a LIP the share by which its gap grows a kPa.
    """
    if shape == 0:
        area = math.pi / 4 * wide_m**2
        return 24 * viscosity / wide_m**3, density / 2 / (head * area) ** 2
    if shape == 1:
        area = math.pi / 4 * wide_m**2
        creep = 24 * viscosity / wide_m**3 + 128 * viscosity * long_m / (math.pi * wide_m**4)
        return creep, 1.49 * density / 2 / area**2
    gap = gap_m
    if shape == 3:
        gap = gap_m * min(max(1 + head * difference_pa / 1000, 0.3), 2.5)
    return 12 * viscosity * long_m / (wide_m * gap**3), 1.5 * density / 2 / (wide_m * gap) ** 2


@njit(cache=True)
def volume_flow(creep: float, inertia: float, difference_pa: float) -> float:
    """Return the flow [m3/s] at which creep and inertia together use up the difference, 0 or more."""
    if difference_pa <= 0:
        return 0.0
    root = math.sqrt(creep * creep + 4 * inertia * difference_pa)
    return 2 * difference_pa / (creep + root)


@njit(cache=True)
def hole_flow(
    shape: int,
    wide_m: float,
    gap_m: float,
    long_m: float,
    head: float,
    before_pa: float,
    after_pa: float,
    density: float,
    viscosity: float,
) -> float:
    """Return the volume flow [m3/s, as before the hole] from a higher to a lower pressure."""
    difference = before_pa - after_pa
    if difference <= 0 or wide_m <= 0:
        return 0.0
    creep, inertia = resistance(shape, wide_m, gap_m, long_m, head, difference, density, viscosity)
    return volume_flow(creep, inertia / expansion(before_pa, after_pa, 1.4), difference)


@njit(cache=True)
def sharp_width(flow: float, before_pa: float, after_pa: float, density: float, viscosity: float) -> float:
    """Return the width [m] of the SHARP hole of the stated coefficient with that volume flow; 0 without flow."""
    difference = before_pa - after_pa
    if difference <= 0 or flow <= 0:
        return 0.0
    creep = 24 * viscosity * flow
    inertia = density / 2 * (flow / (STATED * math.pi / 4)) ** 2 / expansion(before_pa, after_pa, 1.4)
    inverse = (difference / inertia) ** 0.25
    for _ in range(60):
        step = (inertia * inverse**4 + creep * inverse**3 - difference) / (
            4 * inertia * inverse**3 + 3 * creep * inverse**2
        )
        inverse -= step
        if abs(step) < 1e-12 * inverse:
            break
    return float(1 / inverse)
