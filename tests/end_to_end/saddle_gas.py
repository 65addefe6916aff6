"""What stands above the fuel: pressure of its vapor, how fast it forms, what the carbon gives, how gas goes from one
space to another.

A gas space is a row of `mol` (air, light, heavy) and an inner energy counted from 0 K, so that what one space loses
another gains to the last digit. Vapor pressure of the two parts of the fuel by Antoine's equation with the constants of
the NIST Chemistry WebBook (from memory) and Raoult's law; 6 % n-butane and 25 % isopentane have a Reid pressure of
about 57 kPa.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from tests.end_to_end.saddle_holes import GAS, HEAT_J_MOL_K, KG_MOL, VISCOSITY_PA_S

#: Heat taken to evaporate a mole near 295 K (textbook values, from memory).
LATENT_J_MOL = np.array([0.0, 21_000.0, 25_000.0])
#: Heat that a cubic meter of gasoline takes, J/(m3 K), and its diffusivity, m2/s (ordinary values, from memory).
FUEL_J_M3_K, FUEL_M2_S = 1.55e6, 8e-8


@njit(cache=True)
def vapor_pressure(part: int, kelvin: float) -> float:
    """Return the saturated pressure [Pa] of pure n-butane (1) or isopentane (2)."""
    if part == 1:
        return float(1e5 * 10 ** (4.35576 - 1175.581 / (kelvin - 2.071)))
    return float(1e5 * 10 ** (3.90935 - 1018.516 / (kelvin - 40.081)))


@njit(cache=True)
def temperature(mol: np.ndarray, energy_j: float) -> float:
    heat = 0.0
    for part in range(3):
        heat += mol[part] * (HEAT_J_MOL_K[part] - GAS)
    return energy_j / heat


@njit(cache=True)
def density(mol: np.ndarray, volume_m3: float) -> float:
    return float((mol[0] * KG_MOL[0] + mol[1] * KG_MOL[1] + mol[2] * KG_MOL[2]) / volume_m3)


@njit(cache=True)
def viscosity(mol: np.ndarray) -> float:
    """Return the viscosity [Pa s] of the mix, weighted by mole and root of mass (Herning and Zipperer 1936)."""
    above = below = 0.0
    for part in range(3):
        weight = mol[part] * math.sqrt(KG_MOL[part])
        above += weight * VISCOSITY_PA_S[part]
        below += weight
    return above / below


@njit(cache=True)
def move(
    mol: np.ndarray, energy: np.ndarray, kelvin: np.ndarray, giver: int, taker: int, moved: float
) -> None:
    """Carry `moved` mol of the giver's mix to the taker; -1 as taker is the outside."""
    whole = mol[giver].sum()
    for part in range(3):
        share = moved * mol[giver, part] / whole
        mol[giver, part] -= share
        energy[giver] -= share * HEAT_J_MOL_K[part] * kelvin[giver]
        if taker >= 0:
            mol[taker, part] += share
            energy[taker] += share * HEAT_J_MOL_K[part] * kelvin[giver]


@njit(cache=True)
def evaporate(
    mol: np.ndarray,
    saturated_pa: np.ndarray,
    pressure_pa: float,
    gas_k: float,
    surface_m2: float,
    transfer_m_s: float,
    step_s: float,
    formed: np.ndarray,
) -> None:
    """Fill `formed` with the moles of each part that leave the fuel in a step (negative: condense).

    Transfer by diffusion through air that stands still on the whole (Stefan): the rate is raised by one over the share
    of air, and by a lower pressure, at which vapor diffuses faster.
    """
    whole = mol.sum()
    still = max(mol[0] / whole, 0.2)
    rate = transfer_m_s * (gas_k / 295) ** 1.75 * (101_325 / pressure_pa) / still * surface_m2 / (GAS * gas_k)
    for part in range(1, 3):
        formed[part] = rate * (saturated_pa[part] - pressure_pa * mol[part] / whole) * step_s
