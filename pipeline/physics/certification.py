"""The orifice correlation of the certification leak test, 40 CFR 1066.985."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.orifice import Array

#: 40 CFR 1066.985(d)(8); the printed example confirms the constants (0.017 in).
_FACTOR_IN = 7.844
_POWER = 0.5057
#: Specific gravity of nitrogen, as printed in the rule.
NITROGEN_GRAVITY = 0.967


def _drive(
    inlet_kpa: ArrayLike, ambient_kpa: ArrayLike, temperature_k: ArrayLike, specific_gravity: float
) -> Array:
    inlet, ambient = np.asarray(inlet_kpa, float), np.asarray(ambient_kpa, float)
    square = (inlet - ambient) * (inlet + ambient) / (specific_gravity * np.asarray(temperature_k, float))
    return np.sqrt(np.where(square > 0, square, np.nan))


def effective_diameter_in(
    flow_m3_s: ArrayLike,
    inlet_kpa: ArrayLike,
    ambient_kpa: ArrayLike,
    temperature_k: ArrayLike,
    specific_gravity: float = NITROGEN_GRAVITY,
) -> Array:
    """Return the effective leak diameter [in] of a steady flow.

    d = 7.844 (Q / sqrt((p_in - p_atm)(p_in + p_atm) / (SG T)))^0.5057, nan where p_in <= p_atm.

    Parameters
    ----------
    flow_m3_s : leak flow [m3/s], >= 0.
    inlet_kpa, ambient_kpa : absolute pressures [kPa].
    temperature_k : temperature of the gas [K].
    specific_gravity : of the gas against air [1].

    Source: 40 CFR 1066.985(d)(8).
    """
    drive = _drive(inlet_kpa, ambient_kpa, temperature_k, specific_gravity)
    return _FACTOR_IN * (np.asarray(flow_m3_s, float) / drive) ** _POWER


def flow_of_diameter_m3_s(
    diameter_in: ArrayLike,
    inlet_kpa: ArrayLike,
    ambient_kpa: ArrayLike,
    temperature_k: ArrayLike,
    specific_gravity: float = NITROGEN_GRAVITY,
) -> Array:
    """Return the flow [m3/s] whose `effective_diameter_in` is `diameter_in` [in]: its inverse."""
    drive = _drive(inlet_kpa, ambient_kpa, temperature_k, specific_gravity)
    return (np.asarray(diameter_in, float) / _FACTOR_IN) ** (1 / _POWER) * drive
