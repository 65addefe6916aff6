"""What the fuel of the fizzing tanks gives off: its own vapor, and the air that is dissolved in it.

Fuel that stands in contact with air holds about a fifth of its own volume of it. When a test draws vacuum that air
comes out, slowly from a fuel at rest and faster where the pump's jet stirs it; under pressure more of it dissolves.
"""

from __future__ import annotations

import numpy as np

R = 8.314462618
PA_PER_PSI = 6894.757  # NIST SP 811, standards.md section 8
# Ostwald coefficients at 25 degC and mole fractions at 1 atm of N2 and O2 in n-octane, from memory of the solubility
# reviews of Battino and others (J. Phys. Chem. Ref. Data 12, 1983 and 13, 1984): 1.30e-3 and 2.1e-3; molar volume of
# n-octane 163.5 cm3/mol.
NITROGEN_IN_OCTANE = 1.30e-3
OXYGEN_IN_OCTANE = 2.1e-3
OCTANE_M3_MOL = 163.5e-6


def ostwald(mole_fraction: float, celsius: float = 25.0, molar_m3: float = OCTANE_M3_MOL) -> float:
    """Return the gas volume per liquid volume that a mole fraction at one atmosphere is."""
    return mole_fraction / molar_m3 * R * (celsius + 273.15) / 101325


AIR_OSTWALD = 0.79 * ostwald(NITROGEN_IN_OCTANE) + 0.21 * ostwald(OXYGEN_IN_OCTANE)


def vapor_pressure_pa(celsius: np.ndarray, reid_psi: np.ndarray) -> np.ndarray:
    """Return the true vapor pressure [Pa] of gasoline, AP-42 chapter 7.1 with slope 3 (standards.md section 11)."""
    root, reid = np.sqrt(3.0), np.log(reid_psi)
    a = 15.64 - 1.854 * root - (0.8742 - 0.3280 * root) * reid
    b = 8742 - 1042 * root - (1049 - 179.4 * root) * reid
    return PA_PER_PSI * np.exp(a - b / (1.8 * np.asarray(celsius) + 32 + 459.6))


def dissolved_mol(air_pa: np.ndarray, fuel_m3: np.ndarray, kelvin: np.ndarray) -> np.ndarray:
    """Return the air [mol] that fuel holds in balance with air of partial pressure `air_pa` (Henry's law)."""
    return AIR_OSTWALD * fuel_m3 * air_pa / (R * kelvin)
