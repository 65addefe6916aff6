"""Shops, models and vehicles that were tested with the film tank: what a workshop's lake would hold of them.

Six shops that record each in their own manner, nine invented models, vehicles with a bay visit each of one to
six recordings. Magnitudes are memory and judgement of the trade, no published statistics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Model:
    """What vehicles of one model share."""

    name: str
    tank_l: float
    beyond_share: float
    """Volume above the nominal filling, as a share of it."""
    canister_l: float
    give_l_kpa: float
    purge_l_min: float
    duty: float
    profile: int
    target_pa: float
    rest_v: float
    v_per_kpa: float
    lag_s: float
    noise_pa: float


MODELS = (
    Model("Corvin", 45, 0.09, 2.2, 0.012, 26, 0.6, 0, 2000, 1.5, -0.40, 0.10, 3.0),
    Model("Tansy", 50, 0.08, 2.4, 0.030, 35, 0.5, 2, 2200, 2.5, 0.55, 0.15, 4.0),
    Model("Merle", 55, 0.10, 2.8, 0.008, 40, 0.4, 0, 2500, 2.6, 0.50, 0.08, 6.0),
    Model("Brock", 60, 0.07, 3.0, 0.045, 32, 0.7, 1, 2500, 3.0, 0.60, 0.20, 10.0),
    Model("Sorrel", 70, 0.09, 3.2, 0.020, 48, 0.5, 0, 2500, 1.5, -0.45, 0.12, 4.0),
    Model("Osier", 42, 0.11, 2.0, 0.015, 30, 0.5, 0, 1800, 2.5, 0.50, 0.10, 5.0),
    Model("Harrow", 80, 0.08, 3.6, 0.040, 60, 0.7, 2, 2800, 1.6, -0.50, 0.25, 8.0),
    Model("Dunlin", 98, 0.07, 4.5, 0.025, 70, 0.8, 0, 2500, 2.5, 0.55, 0.15, 5.0),
    Model("Wagtail", 108, 0.08, 5.0, 0.060, 75, 0.9, 1, 2200, 3.0, 0.50, 0.20, 7.0),
)


@dataclass(frozen=True)
class Shop:
    """How a shop records."""

    name: str
    rate_hz: float
    jitter: float
    drop_share: float
    quantum_pa: float
    volt_step: float
    has_volts: bool
    has_level: bool
    has_barometer: bool
    altitude_m: float
    ambient_c: float
    hold_s: float
    duty_is_seen_late_s: float


SHOPS = (
    Shop("quay", 10.0, 0.02, 0.00, 1.0, 0.0049, True, True, True, 20, 17, 60, 0.0),
    Shop("mesa", 5.0, 0.10, 0.01, 2.0, 0.0049, True, True, True, 1550, 27, 90, 0.1),
    Shop("mill", 2.0, 0.20, 0.02, 0.25, 0.02, True, True, True, 240, 12, 120, 0.1),
    Shop("yard", 1.0, 0.15, 0.02, 5.0, 0.02, False, True, True, 90, 20, 120, 0.2),
    Shop("lane", 4.0, 0.25, 0.03, 8.0, 0.02, True, True, False, 130, 15, 75, 0.1),
    Shop("north", 3.0, 0.10, 0.01, 4.0, 0.0049, True, False, True, 310, 5, 100, 0.1),
)

CAUSES = {
    "tight": 0.38,
    "hole": 0.30,
    "crack": 0.02,
    "cap_off": 0.03,
    "vent_stuck_open": 0.03,
    "purge_stuck_shut": 0.045,
    "purge_passes": 0.04,
    "vent_clogged": 0.04,
    "sensor_stuck": 0.02,
    "sensor_shifted": 0.025,
    "volts_part": 0.02,
    "no_test": 0.025,
    "cut_short": 0.025,
}

CODES_OF = {
    "hole": ["P0442", "P0456"],
    "crack": ["P0442"],
    "cap_off": ["P0455", "P0457"],
    "vent_stuck_open": ["P0455", "P0446"],
    "purge_stuck_shut": ["P0441", "P0497"],
    "purge_passes": ["P0496"],
    "vent_clogged": ["P0446"],
    "sensor_stuck": ["P0450", "P0451"],
    "sensor_shifted": ["P0451"],
    "volts_part": ["P0450"],
}


@dataclass(frozen=True)
class Vehicle:
    """One vehicle in the state in which it came to the shop."""

    name: str
    model: Model
    shop: Shop
    cause: str
    fuel_share: float
    ambient_c: float
    fuel_warmer_k: float
    vapor_20c_pa: float
    offset_pa: float
    gain: float
    volts_shift: float
    purge_gain: float
    volume_gain: float
    hole_mm: float


def vehicles(n: int, rng: np.random.Generator) -> list[Vehicle]:
    """Draw `n` vehicles and the fault that each came with."""
    names, odds = list(CAUSES), np.array(list(CAUSES.values()))
    made = []
    for k in range(n):
        shop = SHOPS[int(rng.integers(len(SHOPS)))]
        ambient = shop.ambient_c + rng.normal(0.0, 5.0)
        made.append(
            Vehicle(
                name=f"V{k:04d}",
                model=MODELS[int(rng.integers(len(MODELS)))],
                shop=shop,
                cause=str(rng.choice(names, p=odds / odds.sum())),
                fuel_share=float(rng.uniform(0.12, 0.88)),
                ambient_c=float(ambient),
                fuel_warmer_k=float(rng.gamma(2.0, 2.5)),
                vapor_20c_pa=float(np.clip(rng.normal(24_000.0, 4_500.0), 14_000.0, 34_000.0)),
                offset_pa=float(rng.normal(0.0, 20.0)),
                gain=float(rng.normal(1.0, 0.008)),
                volts_shift=float(rng.normal(0.0, 0.008)),
                purge_gain=float(rng.normal(1.0, 0.05)),
                volume_gain=float(rng.normal(1.0, 0.008)),
                hole_mm=float(np.exp(rng.uniform(np.log(0.25), np.log(3.0)))),
            )
        )
    return made
