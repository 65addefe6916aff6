"""Ten models, six shops and their vehicles, all invented; a vehicle differs from its model by chance.

What an author who had not read the estimator holds for usual; none of it is taken from a real vehicle or shop.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np


@dataclass(frozen=True)
class Model:
    """A model: tank, canister and purge valve, and the sensor's line."""

    make: str
    name: str
    tank_l: float
    is_tank_known: bool  # whether the tank's size is written down anywhere
    dome: float  # what the tank holds beyond its nominal size, as a share of it
    is_plastic: bool
    height_m: float
    canister_l: float
    adsorbed: float  # vapor that the canister gives back, in canisters full of gas
    line_mm: float
    line_asymmetry: float  # width of the line toward the tank, as a share of that from it
    vent_mm: float
    purge_mm: float
    pulse_hz: float
    rest_v: float
    v_pa: float
    clip_pa: float | None
    target_pa: float
    timeout_s: float
    is_sensor_behind: bool  # whether the sensor sits at the canister
    years: tuple[int, int]


MODELS = [
    Model("Orvane", "Tessel 12", 45, True, 0.08, True, 0.20, 1.3, 0.4, 5.0, 0.8, 9.5, 0.95, 0,
          1.5, -0.00080, None, -2600, 40, False, (2009, 2016)),
    Model("Orvane", "Tessel 20 Estate", 55, True, 0.07, True, 0.22, 1.6, 0.5, 5.5, 0.8, 10, 1.10, 10,
          1.5, -0.00080, None, -2600, 40, False, (2010, 2018)),
    Model("Kestrand", "Bivouac", 70, True, 0.10, False, 0.26, 2.2, 0.8, 7.0, 1.0, 11, 1.50, 10,
          2.5, 0.00049, None, -3000, 30, False, (2005, 2014)),
    Model("Kestrand", "Hauler XL", 110, True, 0.09, True, 0.30, 3.0, 1.0, 8.0, 1.0, 13, 2.10, 16,
          2.5, 0.00049, None, -2500, 45, False, (2011, 2019)),
    Model("Lumeo", "Pica", 40, True, 0.06, True, 0.18, 1.0, 0.3, 4.5, 0.75, 9, 1.00, 0,
          1.48, -0.00078, None, -1900, 40, False, (2012, 2020)),
    Model("Lumeo", "Corvina", 60, True, 0.09, True, 0.22, 1.9, 0.6, 6.0, 0.8, 10.5, 1.45, 12,
          2.5, 0.00100, 2420, -2100, 35, False, (2008, 2017)),
    Model("Draywick", "Portman Van", 80, True, 0.05, False, 0.28, 2.0, 0.7, 6.5, 1.0, 12, 1.75, 8,
          2.6, 0.00052, None, -3600, 40, True, (2004, 2013)),
    Model("Draywick", "Portman 90", 98, False, 0.08, False, 0.30, 2.8, 0.9, 7.5, 1.0, 12, 2.00, 8,
          2.6, 0.00052, None, -3000, 40, False, (2006, 2015)),
    Model("Sendal", "Iris H", 50, True, 0.12, True, 0.20, 1.5, 1.2, 5.0, 0.65, 9.5, 1.25, 20,
          1.5, -0.00085, None, -1600, 60, False, (2014, 2021)),
    Model("Sendal", "Grove 4x4", 75, True, 0.10, True, 0.25, 2.3, 0.8, 6.5, 0.8, 11, 1.60, 10,
          1.5, -0.00080, None, -2800, 30, False, (2010, 2020)),
]  # fmt: skip


@dataclass(frozen=True)
class Shop:
    """A shop: where it lies, what its recorder writes, how long it holds."""

    name: str
    altitude_m: float
    share: float  # of all vehicles
    mean_c: float
    season_c: float
    rate_hz: float
    jitter: float  # of the times, as a share of a period
    dropped: float
    step_pa: float
    volt_decimals: int | None  # None: no volts are written
    is_ten_bit: bool  # whether the sensor's volts are read in 1023 steps of 5 V
    noise_pa: float
    preopen: float  # share of tests in which the purge opens before the vent shuts
    stale: float  # how old a command may be when it is written down, in periods
    hold_s: float | None  # None: any from 60 to 110 s


SHOPS = [
    Shop("harborline", 5, 0.23, 15, 9, 5, 0.05, 0.005, 1.0, 3, False, 4, 0.2, 0, 90),
    Shop("copper_mesa", 1620, 0.18, 16, 13, 2, 0.15, 0.03, 1.0, 3, True, 6, 0.1, 0.1, 75),
    Shop("pine_fork", 760, 0.15, 9, 12, 1.2, 0.12, 0.02, 4.0, None, False, 5, 0.25, 0.35, 100),
    Shop("quayside", 180, 0.12, 12, 10, 3, 0.2, 0.02, 2.49, 2, False, 7, 0.1, 0.1, 60),
    Shop("tarn_valley", 1180, 0.15, 8, 13, 0.9, 0.08, 0.02, 10.0, None, False, 5, 0.2, 0.6, 120),
    Shop("saltmarsh", 2, 0.17, 19, 7, 10, 0.02, 0.004, 1.0, 3, True, 9, 0.15, 0.02, None),
]


@dataclass(frozen=True, eq=False)
class Vehicle:
    """A vehicle and how it differs from its model (`_x`: a factor)."""

    vehicle_id: str
    model: Model
    shop: Shop
    tank_x: float
    purge_x: float
    wall_x: float
    offset_pa: float
    gain_x: float
    line_x: float
    vent_x: float
    micro_m: float  # width of the hole that even a tight system has
    in_service_on: date


def make_vehicles(rng: np.random.Generator) -> list[list[Vehicle]]:
    """Return 72 vehicles of each model."""
    return [[_vehicle(f"A6V{k}{j:03d}", model, rng) for j in range(72)] for k, model in enumerate(MODELS)]


def _vehicle(vehicle_id: str, model: Model, rng: np.random.Generator) -> Vehicle:
    shop = SHOPS[int(rng.choice(len(SHOPS), p=[shop.share for shop in SHOPS]))]
    year = int(rng.integers(model.years[0], model.years[1] + 1))
    return Vehicle(
        vehicle_id,
        model,
        shop,
        tank_x=1 + rng.normal(0, 0.012),
        purge_x=np.exp(rng.normal(0, 0.06)),
        wall_x=np.exp(rng.normal(0, 0.1)),
        offset_pa=rng.normal(0, 22),
        gain_x=1 + rng.normal(0, 0.012),
        line_x=np.exp(rng.normal(0, 0.05)),
        vent_x=np.exp(rng.normal(0, 0.08)),
        micro_m=rng.uniform(0, 5e-5),
        in_service_on=date(year, int(rng.integers(1, 13)), int(rng.integers(1, 28))),
    )
