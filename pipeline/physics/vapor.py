"""What raises the pressure of a sealed tank: warming gas."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.orifice import ZERO_CELSIUS_K, Array

#: Molar heat capacities at constant volume [J/(mol K)]: dry air, 5/2 R, and gasoline vapor of about 65 g/mol, between
#: those of butane and pentane at 300 K (about 90 and 112, from memory).
_CV_AIR, _CV_VAPOR = 2.5 * 8.314462618, 100.0
#: Gasoline between its summer and winter grades [psi at 100 °F], and how far the gas above it is saturated: AP-42,
#: chapter 7.1, 1 / (1 + 0.053 p h) at p = 5.6 psi and h = 0.3 to 1 ft of gas gives 0.77 to 0.92 (from memory).
_REID_PSI = 9.5
_SATURATED = 0.85
#: How far that share of vapor is known [of it]: fuel of another season, weathered or hardly stood (judgement).
VAPOR_SHARE_SD = 0.35
#: Molar mass of gasoline vapor, about 65 g/mol (AP-42, table 7.1-2: 62 to 68, from memory), against that of dry air.
_VAPOR_GRAVITY = 65 / 28.9647
_PASCAL_PER_PSI = 6894.757293168


def gasoline_vapor_pressure_pa(reid_psi: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Return the true vapor pressure of gasoline [Pa].

    p = exp(A - B / (T + 459.6)) psi, T in °F, A = 15.64 - 1.854 sqrt(3) - (0.8742 - 0.3280 sqrt(3)) ln RVP,
    B = 8742 - 1042 sqrt(3) - (1049 - 179.4 sqrt(3)) ln RVP. For 7 to 15 psi, -20 to 45 °C.

    Parameters
    ----------
    reid_psi : Reid vapor pressure [psi]. temperature_c : of the fuel [°C].

    Source: AP-42, chapter 7.1, distillation slope 3 (from memory).
    """
    root, log_reid = np.sqrt(3.0), np.log(np.asarray(reid_psi, float))
    a = 15.64 - 1.854 * root - (0.8742 - 0.3280 * root) * log_reid
    b = 8742 - 1042 * root - (1049 - 179.4 * root) * log_reid
    return _PASCAL_PER_PSI * np.exp(a - b / (np.asarray(temperature_c, float) * 1.8 + 32 + 459.6))


def vapor_share(temperature_c: ArrayLike, pressure_pa: ArrayLike) -> Array:
    """Return the share of fuel vapor in the gas above gasoline that has stood for a while.

    Parameters
    ----------
    temperature_c : of the fuel [°C]. pressure_pa : absolute [Pa].
    """
    share = _SATURATED * gasoline_vapor_pressure_pa(_REID_PSI, temperature_c) / np.asarray(pressure_pa, float)
    return np.minimum(share, 1)


def gravity_with_vapor(share: ArrayLike, gas: float = 1.0) -> Array:
    """Return the specific gravity against air [1] of a gas with this share of fuel vapor in it.

    Parameters
    ----------
    share : of vapor, by volume [1]. gas : specific gravity of the gas that the vapor is in.
    """
    share = np.asarray(share, float)
    return gas * (1 - share) + _VAPOR_GRAVITY * share


def heat_share(temperature_c: ArrayLike, pressure_pa: ArrayLike) -> Array:
    """Return how much of the heat exchange of dry air a tank's gas shows: (R / Cv) / (k - 1), Cv of air and vapor.

    Vapor takes heat with little warming, the more of it the warmer the fuel: about 0.6 at 0 °C, 0.3 at 35 °C.

    Parameters
    ----------
    temperature_c : of fuel and gas [°C]. pressure_pa : absolute [Pa].
    """
    return _CV_AIR / (_CV_AIR + vapor_share(temperature_c, pressure_pa) * (_CV_VAPOR - _CV_AIR))


def warming_rise_pa(warming_k: ArrayLike, pressure_pa: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Return the pressure rise [Pa] of a sealed gas that warms: dp = p dT / T (air alone, no vapor).

    Parameters
    ----------
    warming_k : warming [K], negative for cooling.
    pressure_pa : absolute pressure before [Pa].
    temperature_c : temperature before [°C].
    """
    kelvin = np.asarray(temperature_c, float) + ZERO_CELSIUS_K
    return np.asarray(pressure_pa, float) * np.asarray(warming_k, float) / kelvin
