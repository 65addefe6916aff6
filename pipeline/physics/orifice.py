"""Flow of air through a small sharp-edged hole."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import binom

#: Specific gas constant of dry air [J/(kg K)] and its ratio of specific heats (US Standard Atmosphere 1976).
GAS_CONSTANT_AIR = 287.05287
HEAT_RATIO_AIR = 1.4
ZERO_CELSIUS_K = 273.15
#: Without a barometer or thermometer reading: standard atmosphere at sea level, and 20 °C.
STANDARD_PRESSURE_PA = 101_325.0
STANDARD_TEMPERATURE_C = 20.0

Array = NDArray[np.float64]


def hole_area_m2(diameter_mm: ArrayLike) -> Array:
    """Return the area [m2] of a round hole of `diameter_mm` [mm]."""
    return np.pi / 4 * (np.asarray(diameter_mm, float) * 1e-3) ** 2


def hole_diameter_mm(area_m2: ArrayLike) -> Array:
    """Return the diameter [mm] of a round hole of `area_m2` [m2]; a negative area gives nan."""
    area = np.asarray(area_m2, float)
    return np.sqrt(np.where(area < 0, np.nan, area) * 4 / np.pi) * 1e3


def air_density(pressure_pa: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Return the density [kg/m3] of dry air as an ideal gas.

    Parameters
    ----------
    pressure_pa : absolute pressure [Pa], > 0.
    temperature_c : temperature [°C], > -273.15.
    """
    return np.asarray(pressure_pa, float) / (
        GAS_CONSTANT_AIR * (np.asarray(temperature_c, float) + ZERO_CELSIUS_K)
    )


def mass_flow_incompressible(
    area_m2: ArrayLike, upstream_pa: ArrayLike, downstream_pa: ArrayLike, density: ArrayLike, discharge: float
) -> Array:
    """Return the mass flow [kg/s] of a hole, density taken as constant.

    m = Cd A sqrt(2 rho (p1 - p2)), 0 where p1 <= p2. Within 2 % of the isentropic flow below
    (p1 - p2)/p1 = 0.03.

    Parameters
    ----------
    area_m2 : hole area [m2].
    upstream_pa, downstream_pa : absolute pressures [Pa].
    density : upstream density [kg/m3].
    discharge : discharge coefficient [1], 0 to 1.
    """
    drop = np.maximum(np.asarray(upstream_pa, float) - np.asarray(downstream_pa, float), 0)
    return discharge * np.asarray(area_m2, float) * np.sqrt(2 * np.asarray(density, float) * drop)


def mass_flow_isentropic(
    area_m2: ArrayLike,
    upstream_pa: ArrayLike,
    downstream_pa: ArrayLike,
    temperature_c: ArrayLike,
    discharge: float,
) -> Array:
    """Return the mass flow [kg/s] of air through a hole, expanding without loss or heat.

    m = Cd A p1 sqrt(2 k/((k-1) R T) (x^(2/k) - x^((k+1)/k))), x = p2/p1, held at the critical ratio
    (0.528 for air) where the flow chokes; 0 where p1 <= p2.

    Parameters
    ----------
    area_m2 : hole area [m2].
    upstream_pa, downstream_pa : absolute pressures [Pa], > 0.
    temperature_c : upstream temperature [°C].
    discharge : discharge coefficient [1], 0 to 1.
    """
    k = HEAT_RATIO_AIR
    upstream = np.asarray(upstream_pa, float)
    critical = (2 / (k + 1)) ** (k / (k - 1))
    ratio = np.clip(np.asarray(downstream_pa, float) / upstream, critical, 1)
    heat = GAS_CONSTANT_AIR * (np.asarray(temperature_c, float) + ZERO_CELSIUS_K)
    shape = 2 * k / ((k - 1) * heat) * (ratio ** (2 / k) - ratio ** ((k + 1) / k))
    return discharge * np.asarray(area_m2, float) * upstream * np.sqrt(np.maximum(shape, 0))


def nozzle_series(n: int) -> Array:
    """Return the first n coefficients c of the isentropic flow for a small drop.

    (m / (Cd A))^2 R T / p1^2 = d (c0 + c1 d + c2 d^2 + ...), d = (p1 - p2) / p1: the binomial series of
    `mass_flow_isentropic`. Seven coefficients are within 1e-6 of the flow up to d = 0.2.
    """
    k, i = HEAT_RATIO_AIR, np.arange(1, n + 1)
    return 2 * k / (k - 1) * (-1.0) ** i * (binom(2 / k, i) - binom((k + 1) / k, i))


def air_viscosity(temperature_c: ArrayLike) -> Array:
    """Return the dynamic viscosity [Pa s] of air: mu = 1.458e-6 T^1.5 / (T + 110.4), T in kelvin.

    Source: US Standard Atmosphere 1976, equation 51 (Sutherland's law).
    """
    kelvin = np.asarray(temperature_c, float) + ZERO_CELSIUS_K
    return 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)


def hole_friction(wall_share: float = 0.0) -> float:
    """Return f of the creeping flow's drop f mu v / d through a round hole: f = 6 pi (1 + 16 l / (3 pi d)).

    Parameters
    ----------
    wall_share : l / d, thickness of the wall over the hole's diameter; 0 for a thin sheet.

    Source: R. A. Sampson, Phil. Trans. R. Soc. A 182 (1891) 449, for the entrance, and Poiseuille's flow in the wall,
    added as by Z. Dagan, S. Weinbaum, R. Pfeffer, J. Fluid Mech. 115 (1982) 505 (both from memory).
    """
    return 6 * np.pi * (1 + 16 * wall_share / (3 * np.pi))


def discharge_at(
    diameter_mm: ArrayLike,
    drop_pa: ArrayLike,
    density: ArrayLike,
    viscosity: ArrayLike,
    discharge: float,
    wall_share: float = 0.0,
) -> Array:
    """Return the discharge coefficient of a sharp-edged hole at its Reynolds number, which lowers it.

    The drop is what inertia takes, rho v^2 / (2 Cd^2), and what friction takes, f mu v / d (`hole_friction`), v being
    the mean velocity in the hole: Cd(Re) = Cd (sqrt(1 + s^2) - s), s = f Cd / Re, Re = d sqrt(2 rho drop) / mu.
    0 at no drop. A crack rubs more: the true one lies lower there.

    Parameters
    ----------
    diameter_mm : hole diameter [mm], > 0.
    drop_pa : pressure drop [Pa], >= 0.
    density : upstream [kg/m3]. viscosity : dynamic [Pa s].
    discharge : coefficient at high Reynolds number [1].
    wall_share : thickness of the wall over the diameter [1].
    """
    with np.errstate(divide="ignore"):
        reynolds = (
            np.asarray(diameter_mm, float)
            * 1e-3
            * np.sqrt(2 * np.asarray(density, float) * np.asarray(drop_pa, float))
            / np.asarray(viscosity, float)
        )
        s = hole_friction(wall_share) * discharge / reynolds
    return np.where(np.isfinite(s), discharge / (np.sqrt(1 + s**2) + s), 0.0)


def leak_speed(gauge_pa: ArrayLike, barometric_pa: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Return the pressure change [Pa/s] in a rigid tank for one unit of Cd A / V [1/m].

    Air at the ambient state flows in under vacuum, and out under pressure, the tank staying at ambient
    temperature: dp/dt = (Cd A / V) * leak_speed(p), leak_speed = R T m / (Cd A) with the isentropic flow m.
    Positive under vacuum (the pressure rises), negative under pressure. For |p| much smaller than the
    barometric pressure P it is sqrt(2 P R T |p|).

    Parameters
    ----------
    gauge_pa : tank pressure above ambient [Pa].
    barometric_pa : ambient pressure [Pa].
    temperature_c : ambient temperature [°C].
    """
    gauge, ambient = np.asarray(gauge_pa, float), np.asarray(barometric_pa, float)
    heat = GAS_CONSTANT_AIR * (np.asarray(temperature_c, float) + ZERO_CELSIUS_K)
    upstream, downstream = ambient + np.maximum(gauge, 0), ambient + np.minimum(gauge, 0)
    return -np.sign(gauge) * heat * mass_flow_isentropic(1.0, upstream, downstream, temperature_c, 1.0)
