"""Who is recorded by whom in the skin fleet: twelve invented models, their vehicles, and eight shops with their habits.

All values are judgement, in the ranges that the trade knows (from memory): canisters of 1 to 3 l whose carbon takes up
several times its void in air, purge valves of 8 to 30 l/min at full duty behind an idling engine, sensors of about
+-4 to +-7 kPa on 5 V, molded tanks that give a few tenths of a litre at 2.5 kPa and steel ones that hardly do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Model:
    """What the vehicles of one model share; litres, metres, kilopascals and litres a minute where the name says so."""

    make: str
    model: str
    tank_l: float
    dome: float
    height_m: float
    shell_l_kpa: float
    canister_l: float
    purge_l_min: float
    opens_pct: float
    rest_v: float
    v_per_kpa: float
    low_kpa: float
    high_kpa: float
    adc_bits: int
    lag_s: float
    vent_kpa_s_l: float
    gauge_bias: float
    line_l: float


# fmt: off
MODELS = tuple(
    Model(*row)
    for row in (
        ("Quillon", "Ostrel", 45, 1.1, 0.21, 0.045, 4.5, 12, 8, 2.55, 0.62, -4.0, 3.9, 10, 0.1, 0.7, 0.01, 0.4),
        ("Quillon", "Maravel", 53, 1.12, 0.22, 0.06, 5.5, 15, 10, 2.55, 0.62, -4.0, 3.9, 10, 0.1, 0.8, -0.015, 0.5),
        ("Quillon", "Dunsk V", 80, 1.09, 0.26, 0.08, 7.0, 24, 9, 1.5, -0.95, -3.6, 1.4, 10, 0.15, 0.6, 0.0, 0.8),
        ("Varnholt", "Pell", 40, 1.08, 0.2, 0.012, 3.5, 9, 12, 1.55, -0.42, -7.0, 3.4, 12, 0.08, 0.9, 0.02, 0.3),
        ("Varnholt", "Gorse", 60, 1.13, 0.23, 0.07, 6.0, 18, 7, 1.55, -0.42, -7.0, 3.4, 12, 0.08, 0.8, 0.0, 0.5),
        ("Varnholt", "Hale", 98, 1.08, 0.3, 0.02, 8.0, 28, 7, 1.55, -0.42, -7.0, 3.4, 12, 0.12, 0.5, -0.02, 1.2),
        ("Ibrex", "Sorrel", 50, 1.11, 0.2, 0.055, 5.0, 14, 9, 2.1, 0.38, -5.0, 5.0, 12, 0.2, 0.8, 0.015, 0.4),
        ("Ibrex", "Tamsin", 64, 1.1, 0.24, 0.075, 6.0, 20, 9, 2.1, 0.38, -5.0, 5.0, 12, 0.2, 0.7, 0.0, 0.6),
        ("Ibrex", "Cartage", 110, 1.07, 0.33, 0.03, 8.5, 30, 9, 2.1, 0.38, -5.0, 5.0, 12, 0.25, 0.5, 0.01, 1.5),
        ("Thornby", "Aldine", 57, 1.12, 0.22, 0.065, 5.5, 16, 11, 3.4, 0.75, -4.4, 2.0, 10, 0.3, 0.9, -0.01, 0.5),
        ("Thornby", "Reeve", 70, 1.11, 0.25, 0.08, 6.5, 20, 11, 3.4, 0.75, -4.4, 2.0, 10, 0.3, 0.8, 0.01, 0.6),
        ("Thornby", "Drover", 90, 1.09, 0.28, 0.025, 7.5, 26, 10, 3.4, 0.75, -4.4, 2.0, 10, 0.3, 0.6, 0.0, 1.0),
    )
)
# fmt: on


@dataclass(frozen=True)
class Shop:
    """One shop's bench: height as pressure, habits of the test (ranges drawn from), and what its export holds."""

    name: str
    baro_kpa: float
    rate_hz: tuple[float, float]
    rest_s: tuple[float, float]
    closed_s: tuple[float, float]
    duties: tuple[float, float, float]
    target_pa: float
    timeout_s: float
    hold_s: tuple[float, ...]
    release_s: tuple[float, float]
    step_pa: float
    step_v: float
    has_volts: bool = True
    has_rpm: bool = True
    has_fuel: float = 0.97
    has_baro: bool = True
    has_ambient: bool = True
    has_tank: float = 0.99


SHOPS = (
    Shop("north", 100.5, (4, 6), (6, 15), (8, 20), (100, 100, 100), 2490, 45, (120,), (5, 12), 2.49, 0.01),
    Shop(
        "harbor", 101.2, (1.5, 2.5), (8, 15), (10, 20), (30, 60, 100), 2000, 60, (60,), (6, 12), 1.0, 0.02, False, False
    ),
    Shop("mesa", 83.5, (3, 5), (5, 12), (5, 12), (50, 50, 50), 2000, 60, (60, 90), (5, 10), 0.25, 0.02),
    Shop(
        "vale", 98.0, (8, 10), (5, 10), (10, 15), (60, 60, 60), 2500, 40, (90,), (5, 8), 0.25, 0.005, has_baro=False
    ),
    Shop("quarry", 95.5, (2, 3), (4, 10), (2, 6), (40, 70, 70), 2490, 60, (60, 120), (0, 8), 2.49, 0.02, has_fuel=0.85),
    Shop("fleet_yard", 99.7, (4, 5), (8, 20), (15, 30), (35, 35, 35), 2250, 60, (120,), (8, 15), 1.0, 0.01),
    Shop(
        "lakeside", 100.2, (1, 1.3), (10, 20), (10, 20), (100, 100, 100), 2000, 45, (90,), (8, 15), 2.49, 0.02, False,
        True, 0.95, True, False,
    ),
    Shop(
        "crossing", 97.2, (5, 8), (5, 12), (6, 15), (25, 45, 80), 2490, 50, (60, 90, 120), (4, 10), 1.0, 0.01, True,
        False, 0.97, False, True, 0.9,
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Vehicle:
    """One vehicle: its model, its shop, and what sets it apart from its sisters (factors about 1, offsets about 0)."""

    vehicle_id: str
    model: Model
    shop: Shop
    volume: float
    shell: float
    purge: float
    sensor_gain: float
    sensor_offset_pa: float
    gauge_error: float
    noise: float
    has_tank_size: bool


def vehicles(n: int, n_models: int, rng: np.random.Generator) -> list[Vehicle]:
    """Return `n` vehicles of `n_models` models in turn (1 to 12, spread over the list), each at one shop."""
    made = []
    models = MODELS[:: len(MODELS) // n_models][:n_models]
    for i in range(n):
        shop = SHOPS[int(rng.integers(len(SHOPS)))]
        made.append(
            Vehicle(
                f"v{i:05d}",
                models[i % len(models)],
                shop,
                volume=1 + 0.01 * rng.normal(),
                shell=float(np.exp(0.12 * rng.normal())),
                purge=float(np.exp(0.06 * rng.normal())),
                sensor_gain=1 + 0.012 * rng.normal(),
                sensor_offset_pa=float(np.clip(22 * rng.normal(), -80, 80)),
                gauge_error=0.022 * rng.normal(),
                noise=float(np.exp(0.2 * rng.normal())),
                has_tank_size=bool(rng.random() < shop.has_tank),
            )
        )
    return made
