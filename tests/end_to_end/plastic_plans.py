"""What one sound vehicle is like on the day of its test, and how its shop tests it: a plan is a row of numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.end_to_end.plastic_fleet import Model, Vehicle
from tests.end_to_end.plastic_gas import SHARP

#: Names bear their unit; `mode`, `leak_kind` and the numbers a, b, c of a leak are explained in plastic_gas.py.
NAMES = """
    ambient_pa ambient_k volume_m3 fuel_k fuel_k_s wall_k start_pa settle_s longest_s mode
    wall_m3_pa late_m3_pa late_s surface_m2 wall_m2 heat_w_m2_k convection swing slosh_pa slosh_hz
    butane pentane hexane saturation film_m_s mixing_m_s layer_m
    canister_m3 adsorbed adsorption_s line_m line_linear line_asymmetry rollover
    vent_m vent_linear seep_m vent_lag_s is_vent_stuck vent_stuck_open relief_vacuum_pa relief_pa
    purge_m passing_m pulse_hz manifold_pa manifold_noise manifold_pa_s
    leak_kind leak_a leak_b leak_c leak_behind
    n_draws rest_s closed_s preopen_s ramp_s duty target_pa timeout_s first_hold_s hold_s early_s release_s
    fill_pa fill_mol_s by_cap
    is_sensor_behind is_sensor_dead sensor_gain offset_pa sensor_s
"""
PLAN = np.dtype([(name, "f8") for name in NAMES.split()])


@dataclass
class Facts:
    """What is known of a plan beside its numbers."""

    bay_c: float
    level: float
    level_error: float = 0.0
    verdict: str = "holds"
    why: str = ""
    place: str = "none"
    shape: str = "none"
    is_early: bool = False
    is_rolled: bool = False


def make_plan(vehicle: Vehicle, day_of_year: int, rng: np.random.Generator) -> tuple[Any, Facts]:
    """Return the plan of a sound vehicle's test (a record of `PLAN`), and its facts."""
    plan = np.zeros(1, PLAN)[0]
    plan["late_s"], plan["longest_s"], plan["settle_s"] = 20.0, 300.0, 100.0
    facts = _day(plan, vehicle, day_of_year, rng)
    _fuel(plan, vehicle, facts, day_of_year, rng)
    _walls(plan, vehicle, rng)
    _lines(plan, vehicle, facts, rng)
    _procedure(plan, vehicle, facts, rng)
    facts.level_error = rng.normal(0, 0.022)
    return plan, facts


def standard_air_kpa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere [kPa]."""
    return 101.325 * (1 - 2.25577e-5 * altitude_m) ** 5.25588


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _day(plan: Any, vehicle: Vehicle, day_of_year: int, rng: np.random.Generator) -> Facts:
    shop, model = vehicle.shop, vehicle.model
    plan["ambient_pa"] = standard_air_kpa(shop.altitude_m) * 1e3 * (1 + rng.normal(0, 0.007))
    outside = shop.mean_c - shop.season_c * _season(day_of_year) + rng.normal(0, 4)
    bay = outside if rng.random() < 0.5 else 0.4 * outside + 0.6 * 20
    fuel = min(bay + max(0, rng.normal(4, 4)), 46)
    is_hot = rng.random() < 0.12
    plan["ambient_k"], plan["fuel_k"] = bay + 273.15, fuel + 273.15
    plan["wall_k"] = 0.5 * (bay + fuel) + 273.15 + rng.uniform(-1, 2)
    plan["fuel_k_s"] = rng.uniform(0.0008, 0.002) if is_hot else max(-0.0006, rng.normal(0.0004, 0.0005))
    level = float(np.clip(rng.beta(2, 1.9) * 0.9 + 0.05, 0.05, 0.95))
    nominal = model.tank_l * 1e-3
    whole = nominal * (1 + model.dome) * vehicle.tank_x
    plan["volume_m3"] = whole - level * nominal + rng.uniform(0.3, 0.7) * 1e-3
    return Facts(bay, level)


def _season(day_of_year: int) -> float:
    """1 in deep winter, -1 in high summer."""
    return float(np.cos(2 * np.pi * (day_of_year - 20) / 365))


def _fuel(plan: Any, vehicle: Vehicle, facts: Facts, day_of_year: int, rng: np.random.Generator) -> None:
    """Winter fuel has more butane; a quarter of all tanks hold fuel that lost its light ends."""
    model, winter = vehicle.model, 0.5 + 0.5 * _season(day_of_year)
    plan["butane"] = 0.03 + 0.06 * winter + rng.uniform(-0.01, 0.01)
    plan["pentane"] = 0.14 + 0.03 * winter + rng.uniform(-0.03, 0.03)
    plan["hexane"] = 0.25
    if rng.random() < 0.25:
        plan["butane"] *= 0.4
        plan["pentane"] *= 0.75
    plan["saturation"] = 1 - abs(rng.normal(0, 0.012))
    plan["film_m_s"] = log_uniform(rng, 2e-5, 2.5e-4)
    plan["mixing_m_s"] = log_uniform(rng, 1e-5, 8e-5)
    plan["layer_m"] = rng.uniform(2.5e-4, 9e-4)
    area = plan["surface_m2"] = model.tank_l * 1e-3 / model.height_m * rng.uniform(0.85, 1.1)
    plan["wall_m2"] = area * 1.1 + 4 * np.sqrt(area) * max(model.height_m * (1 - facts.level), 0.02)
    plan["heat_w_m2_k"], plan["convection"] = rng.uniform(1.0, 3.5), rng.uniform(1.2, 2.0)


def _walls(plan: Any, vehicle: Vehicle, rng: np.random.Generator) -> None:
    """Plastic gives 0.55 to 0.75 ml per kPa and liter of tank, and some of it late; steel a tenth."""
    model = vehicle.model
    if not model.is_plastic:
        plan["wall_m3_pa"] = 0.06e-6 * model.tank_l * 1e-3 * vehicle.wall_x
        return
    plan["wall_m3_pa"] = rng.uniform(0.55, 0.75) * 1e-6 * model.tank_l * vehicle.wall_x * 1e-3
    plan["late_m3_pa"] = plan["wall_m3_pa"] * rng.uniform(0.02, 0.08)
    plan["late_s"] = rng.uniform(8, 35)


def _lines(plan: Any, vehicle: Vehicle, facts: Facts, rng: np.random.Generator) -> None:
    model, ambient = vehicle.model, plan["ambient_pa"]
    plan["canister_m3"], plan["adsorbed"] = model.canister_l * 1e-3, model.adsorbed * rng.uniform(0.3, 0.8)
    plan["adsorption_s"] = rng.uniform(3, 12)
    plan["line_m"], plan["line_asymmetry"] = model.line_mm * 1e-3 * vehicle.line_x, model.line_asymmetry
    plan["line_linear"] = rng.uniform(0.5e6, 2e6) * 0.3
    facts.is_rolled = facts.level > 0.90 and bool(rng.random() < 0.5)
    plan["rollover"] = facts.is_rolled
    plan["vent_m"], plan["vent_linear"] = model.vent_mm * 1e-3 * vehicle.vent_x, rng.uniform(2e4, 1.5e5)
    plan["seep_m"], plan["vent_lag_s"] = vehicle.micro_m * 0.7, rng.uniform(0.02, 0.1)
    plan["purge_m"], plan["pulse_hz"] = purge_m(model) * vehicle.purge_x, model.pulse_hz
    plan["manifold_pa"] = np.clip(rng.normal(36e3, 4e3) * thin_air(ambient), 22e3, 0.75 * ambient)
    plan["manifold_noise"], plan["manifold_pa_s"] = rng.uniform(300, 1500), rng.uniform(-20, 20)
    plan["leak_kind"], plan["leak_a"] = SHARP, vehicle.micro_m
    plan["is_sensor_behind"], plan["sensor_s"] = model.is_sensor_behind, rng.uniform(0.04, 0.3)
    plan["relief_vacuum_pa"], plan["relief_pa"] = rng.uniform(4800, 8000), rng.uniform(8e3, 1.2e4)


def purge_m(model: Model) -> float:
    """Return how wide a model's purge valve stands, open [m]."""
    return 0.8 * model.purge_mm * 1e-3


def thin_air(ambient_pa: float) -> float:
    """Return by what an engine's manifold pressure falls at height."""
    return 0.55 + 0.45 * ambient_pa / 101_325


def _procedure(plan: Any, vehicle: Vehicle, facts: Facts, rng: np.random.Generator) -> None:
    model, shop = vehicle.model, vehicle.shop
    plan["n_draws"] = rng.choice([1, 1, 1, 1, 1, 1, 1, 1, 2, 3])
    rests = [rng.uniform(3, 8), rng.uniform(6, 15), rng.uniform(0.2, 1.5)]
    plan["rest_s"] = rng.choice(rests, p=[0.45, 0.47, 0.08])
    plan["preopen_s"] = rng.uniform(2, 5) if rng.random() < shop.preopen else 0
    if rng.random() < 0.6:
        plan["closed_s"] = rng.uniform(5, 20)
    else:
        plan["closed_s"] = rng.uniform(0.1, 1) if rng.random() < 0.5 else 0
    plan["ramp_s"] = rng.uniform(1, 6) if rng.random() < 0.35 else 0
    plan["duty"] = 1.0 if rng.random() < 0.3 else rng.uniform(0.25, 0.9)
    plan["target_pa"] = max(model.target_pa * rng.uniform(0.92, 1.08), -3900)
    plan["timeout_s"] = model.timeout_s * rng.uniform(0.8, 1.1)
    if plan["ambient_pa"] < 9e4:
        plan["target_pa"] *= 0.9
    plan["first_hold_s"] = rng.uniform(12, 30)
    plan["hold_s"] = rng.uniform(60, 110) if shop.hold_s is None else shop.hold_s * rng.uniform(0.9, 1.1)
    releases = [rng.uniform(10, 22), rng.uniform(4, 9), rng.uniform(0.0, 0.6)]
    plan["release_s"] = rng.choice(releases, p=[0.75, 0.17, 0.08])
    plan["sensor_gain"] = vehicle.gain_x * (1 + rng.normal(0, 0.004))
    plan["offset_pa"] = vehicle.offset_pa + rng.normal(0, 8)
    plan["slosh_pa"], plan["slosh_hz"] = abs(rng.normal(0, 4)), rng.uniform(0.4, 1.1)
    plan["swing"], plan["start_pa"] = plan["slosh_pa"] * 8, rng.normal(0, 4)
    if rng.random() < 0.045:
        plan["early_s"], facts.is_early = rng.uniform(3, 32), True
