"""Models, vehicles and shops: ten invented models, half with saddle tanks, and six shops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.saddle_plan import CANISTER, TANK


@dataclass(frozen=True)
class Model:
    """What the vehicles of a model share; `second` is the share of the tank in the second dome."""

    make: str
    name: str
    tank_l: float
    above_full: float
    second: float
    canister_l: float
    gives_ml_kpa: float
    high_m: float
    purge_m: float
    purge_hz: float
    line_m: float
    line_long_m: float
    vent_creep: float
    heat_w_m2_k: float
    sense_at: int
    volts_at_rest: float
    volts_per_kpa: float
    noise_pa: float
    lag_s: float
    bits: int
    relief_kpa: float


#: Tanks of 42 to 108 l; those that give less than 5 ml/kPa are of steel. Volumes, bores and sensors are invented
#: within what is ordinary.
MODELS = (
    Model("Corvane", "Linnet", 42, 0.03, 0.0, 1.6, 12, 0.22, 1.1e-3, 10, 8e-3, 1.2, 6e4, 3.6,
          TANK, 1.50, -0.62, 4, 0.05, 12, 6.5),
    Model("Corvane", "Plover", 55, 0.05, 0.4, 2.1, 22, 0.24, 1.4e-3, 10, 9e-3, 1.8, 5e4, 4.2,
          TANK, 1.50, -0.62, 4, 0.05, 12, 6.5),
    Model("Ostrel", "Drift", 50, 0.02, 0.0, 1.8, 16, 0.23, 1.2e-3, 16, 9e-3, 0.9, 7e4, 5.0,
          CANISTER, 2.52, 0.70, 3, 0.08, 12, 7.5),
    Model("Ostrel", "Moraine", 72, 0.04, 0.45, 2.6, 28, 0.27, 1.7e-3, 16, 10e-3, 2.2, 4e4, 4.4,
          TANK, 2.52, 0.50, 3, 0.08, 12, 7.5),
    Model("Halbrand", "Tern 4", 60, 0.06, 0.0, 2.2, 3, 0.26, 1.5e-3, 8, 9e-3, 1.6, 5e4, 3.2,
          TANK, 2.60, -0.48, 6, 0.12, 10, 5.5),
    Model("Halbrand", "Tern 6", 68, 0.06, 0.5, 2.2, 4, 0.25, 1.5e-3, 8, 9e-3, 2.4, 5e4, 3.0,
          TANK, 2.60, -0.48, 6, 0.12, 10, 5.5),
    Model("Vesk", "Holmet Cab", 85, 0.03, 0.0, 3.0, 4, 0.33, 1.9e-3, 12, 11e-3, 2.8, 4e4, 4.8,
          TANK, 1.40, -0.55, 5, 0.10, 10, 7.0),
    Model("Vesk", "Holmet Long", 108, 0.02, 0.35, 3.4, 5, 0.35, 2.1e-3, 12, 11e-3, 3.2, 4e4, 5.2,
          CANISTER, 1.40, -0.55, 5, 0.10, 10, 7.0),
    Model("Quillon", "Aster", 47, 0.04, 0.3, 1.5, 18, 0.21, 1.2e-3, 10, 8e-3, 1.4, 8e4, 3.9,
          TANK, 2.00, 0.80, 2, 0.03, 14, 6.0),
    Model("Quillon", "Basalt", 64, 0.05, 0.0, 2.4, 24, 0.28, 1.6e-3, 10, 10e-3, 1.9, 5e4, 4.6,
          TANK, 2.00, 0.60, 2, 0.03, 14, 6.0),
)  # fmt: skip


@dataclass(frozen=True)
class Shop:
    """How a shop tests and what its recorder does; `round_pa` is the step of the pressure it writes down."""

    name: str
    hz: float
    uneven: float
    lost: float
    round_pa: float
    has_volts: bool
    has_rpm: bool
    has_weather: bool
    late_s: float
    watch_s: float
    target_pa: tuple[float, float]
    holds_s: tuple[float, ...]
    again: float
    level_pp: float
    clock_s: float


SHOPS = (
    Shop("north_gate", 10, 0.05, 0.002, 1, True, True, True, 0.02, 0.1, (2000, 2600), (60, 90, 120), 0.10, 1.5, 0.01),
    Shop("old_mill", 5, 0.15, 0.01, 0.25, True, True, True, 0.05, 0.2, (1700, 2500), (60, 75, 90), 0.25, 2.5, 0.01),
    Shop("quay_side", 4, 0.30, 0.02, 2.4909, True, False, True, 0.1, 0.25, (2200, 2500), (75, 100, 120), 0.05, 2, 0.01),
    Shop("hill_road", 2, 0.10, 0.03, 10, True, True, False, 0.10, 0.3, (1800, 2200), (90, 120), 0.15, 2.0, 0.1),
    Shop("east_yard", 1, 0.20, 0.02, 10, False, True, True, 0.20, 0.5, (2000, 2400), (90, 120), 0.10, 3.0, 0.1),
    Shop("station_lane", 8, 0.40, 0.05, 4, True, False, True, 0.05, 0.2, (1500, 2300), (60, 70, 110), 0.30, 2.0, 0.001),
)  # fmt: skip


@dataclass(frozen=True)
class Vehicle:
    """One vehicle: its tank as built, its sensor as it came, how tight it is when sound."""

    vehicle_id: str
    model: Model
    tank_m3: float
    canister_m3: float
    gives_m3_pa: float
    surface: float
    heat_w_m2_k: float
    purge_m: float
    sense_gain: float
    sense_offset_pa: float
    residual_m: float
    carbon_mol_s_pa: float
    has_size: bool


def make_vehicles(n: int, rng: np.random.Generator) -> list[Vehicle]:
    """Return `n` vehicles, models in turn."""
    return [_vehicle(k, MODELS[k % len(MODELS)], rng) for k in range(n)]


def _vehicle(k: int, model: Model, rng: np.random.Generator) -> Vehicle:
    built = 1 + model.above_full + rng.normal(0, 0.01)
    return Vehicle(
        vehicle_id=f"S{k:05d}",
        model=model,
        tank_m3=model.tank_l * 1e-3 * built,
        canister_m3=model.canister_l * 1e-3 * rng.normal(1, 0.04),
        gives_m3_pa=model.gives_ml_kpa * 1e-9 * rng.lognormal(0, 0.2),
        surface=rng.lognormal(0, 0.15),
        heat_w_m2_k=model.heat_w_m2_k * rng.lognormal(0, 0.2),
        purge_m=model.purge_m * rng.normal(1, 0.025),
        sense_gain=float(np.clip(rng.normal(1, 0.01), 0.975, 1.025)),
        sense_offset_pa=float(np.clip(rng.normal(0, 25), -60, 60)),
        residual_m=float(np.exp(rng.uniform(np.log(0.01e-3), np.log(0.07e-3)))),
        carbon_mol_s_pa=float(np.exp(rng.uniform(np.log(4e-10), np.log(4e-9)))),
        has_size=rng.random() > 0.05,
    )
