"""Which vapor stands over a pump fuel: six substances and ethanol, by Antoine's equation and Margules' activity.

Antoine constants (mmHg, °C) are those of the usual handbook tables (Reid, Prausnitz and Poling, The Properties of
Gases and Liquids), from memory; `test_blend_tank.py` checks each against its normal boiling point. The Margules
constant of ethanol in hydrocarbons, 2.0, and the recipe are from memory and of the right size only.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

NAMES = ("butane", "isopentane", "hexane", "heptane", "toluene", "octane", "ethanol")
ANTOINE = np.array(
    [
        (6.80896, 935.86, 238.73),
        (6.78967, 1020.012, 233.097),
        (6.87601, 1171.17, 224.41),
        (6.89677, 1264.90, 216.54),
        (6.95464, 1344.80, 219.482),
        (6.91868, 1351.99, 209.155),
        (8.20417, 1642.89, 230.300),
    ]
)
MOLAR_KG = np.array([0.0581, 0.0722, 0.0862, 0.1002, 0.0921, 0.1142, 0.0461])
LATENT_J = np.array([21.0e3, 24.8e3, 31.6e3, 36.6e3, 38.0e3, 41.5e3, 42.3e3])  # at 25 °C, from memory
BODY = np.array([0.0, 0.13, 0.16, 0.16, 0.30, 0.25, 0.0])  # hydrocarbons but butane, of their moles
MARGULES = 2.0
PA_PER_MMHG = 133.3224
REID_K = 273.15 + 37.8


def saturation_pa(kelvin: np.ndarray | float) -> np.ndarray:
    """Return the vapor pressure of each pure substance [Pa], first axis the substance."""
    a, b, c = (column.reshape(-1, *([1] * np.ndim(kelvin))) for column in ANTOINE.T)
    return PA_PER_MMHG * 10 ** (a - b / (np.asarray(kelvin) - 273.15 + c))


def activity(x: np.ndarray) -> np.ndarray:
    """Return the activity coefficients over a liquid of mole fractions `x` (7, ...), Margules with one constant."""
    ethanol = x[-1]
    gamma = np.broadcast_to(np.exp(MARGULES * ethanol**2), x.shape).copy()
    gamma[-1] = np.exp(MARGULES * (1 - ethanol) ** 2)
    return gamma


def vapor_pa(x: np.ndarray, kelvin: np.ndarray | float) -> np.ndarray:
    """Return the partial pressures [Pa] over a liquid of mole fractions `x`."""
    return x * activity(x) * saturation_pa(kelvin)


def mixture(reid_kpa: float, ethanol: float) -> np.ndarray:
    """Return mole fractions whose vapor pressure at 37.8 °C is `reid_kpa` [kPa], by as much butane as that takes."""

    def composed(butane: float) -> np.ndarray:
        x = (1 - ethanol) * (1 - butane) * BODY
        x[0], x[-1] = (1 - ethanol) * butane, ethanol
        return x

    return composed(brentq(lambda part: vapor_pa(composed(part), REID_K).sum() - 1e3 * reid_kpa, 0, 0.6))
