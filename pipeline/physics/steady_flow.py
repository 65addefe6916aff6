"""Which hole takes a steady flow of test gas at a steady pressure?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.orifice import (
    GAS_CONSTANT_AIR,
    STANDARD_PRESSURE_PA,
    STANDARD_TEMPERATURE_C,
    ZERO_CELSIUS_K,
    Array,
    air_density,
    air_viscosity,
    discharge_at,
    hole_diameter_mm,
    mass_flow_isentropic,
)

_STEPS = 60
_M3_S_PER_L_MIN = 1 / 60_000


def hole_of_steady_flow_mm(
    flow_std_l_min: ArrayLike,
    gauge_pa: ArrayLike,
    barometric_pa: ArrayLike,
    temperature_c: ArrayLike,
    discharge: float,
    specific_gravity: ArrayLike = 1.0,
) -> Array:
    """Return the diameter [mm] of the sharp-edged hole that lets a steady flow out; nan without an overpressure.

    The isentropic flow through the hole equals the gas fed; the discharge coefficient falls with the Reynolds number.

    Parameters
    ----------
    flow_std_l_min : gas fed [l/min at 20 °C and 101.325 kPa], >= 0.
    gauge_pa : pressure in the tank above ambient [Pa].
    barometric_pa : ambient pressure [Pa], > 0.
    temperature_c : of gas and tank [°C].
    discharge : coefficient at high Reynolds number [1], 0..1.
    specific_gravity : of the gas against air [1]; its viscosity is taken as air's (nitrogen's is 3 % less).

    Notes
    -----
    Solved step by step for the coefficient, which the diameter changes a little.
    """
    flow, gauge = np.asarray(flow_std_l_min, float), np.asarray(gauge_pa, float)
    gravity = np.asarray(specific_gravity, float)
    ambient, celsius = np.asarray(barometric_pa, float), np.asarray(temperature_c, float)
    drop = np.where(gauge > 0, gauge, np.nan)
    standard = STANDARD_PRESSURE_PA / (GAS_CONSTANT_AIR * (STANDARD_TEMPERATURE_C + ZERO_CELSIUS_K))
    mass = flow * _M3_S_PER_L_MIN * standard * gravity
    per_area = mass_flow_isentropic(1.0, ambient + drop, ambient, celsius, 1.0) * np.sqrt(gravity)
    density, viscosity = air_density(ambient + drop, celsius) * gravity, air_viscosity(celsius)
    open_area = mass / per_area
    diameter = hole_diameter_mm(open_area / discharge)
    for _ in range(_STEPS):
        diameter = np.where(
            flow > 0,
            hole_diameter_mm(
                open_area / np.maximum(discharge_at(diameter, drop, density, viscosity, discharge), 1e-3)
            ),
            0.0 * drop,
        )
    return diameter
