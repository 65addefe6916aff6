"""What raises the pressure of a sealed tank: warming gas."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.orifice import HEAT_RATIO_AIR, ZERO_CELSIUS_K, Array


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


def rewarming_limit_pa(vacuum_pa: ArrayLike) -> Array:
    """Return the most that a gas drawn down by `vacuum_pa` [Pa] can rise as it warms again [Pa].

    A draw too quick for any heat to flow cools the gas by T (k-1)/k dp/p; warming back at constant volume
    gives (k-1)/k of the vacuum. A slower draw gives less.
    """
    return np.asarray(vacuum_pa, float) * (HEAT_RATIO_AIR - 1) / HEAT_RATIO_AIR
