"""Vehicles, visits and faults of the layered recordings, and the tank and procedure of each recording.

All invented. Ranges are what a shop sees, by the author's judgement: tanks of 42 to 110 l in steel and plastic, gas
above the nominal filling, gauges that are some percent off, procedures that differ by model, recorders by shop.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.end_to_end.layered_catalogue import CODES, MODELS, SHOPS, Model, Shop
from tests.end_to_end.layered_gas import TANK, R


@dataclass
class Vehicle:
    """One vehicle as it is: its model and shop, and how it differs from its model."""

    name: str
    model: Model
    shop: Shop
    true_tank_l: float
    give_l_kpa: float
    canister_l: float
    carbon_ratio: float
    line_l: float
    gauge_pct: float
    purge_l_min: float
    opens_pct: float
    offset_pa: float
    gain: float
    has_tank_size: bool


def new_vehicle(name: str, draw: np.random.Generator) -> Vehicle:
    """Return a vehicle of the fleet, drawn about its model."""
    model = MODELS[draw.integers(len(MODELS))]
    return Vehicle(
        name,
        model,
        SHOPS[draw.choice(len(SHOPS), p=[0.16, 0.14, 0.14, 0.12, 0.12, 0.12, 0.12, 0.08])],
        model.tank_l * (1 + model.dome + draw.normal(0, 0.012)),
        model.give_l_kpa * np.exp(draw.normal(0, 0.2)),
        model.canister_l,
        float(draw.uniform(0.4, 1.3)),
        float(draw.uniform(0.3, 0.9)),
        float(draw.normal(0, 2.0)),
        model.purge_l_min * np.exp(draw.normal(0, 0.10)),
        model.opens_pct + draw.normal(0, 1.0),
        float(draw.normal(0, 25)),
        1 + float(draw.normal(0, 0.010)),
        bool(draw.random() > 0.07),
    )


def hole_diameter_mm(draw: np.random.Generator) -> float:
    """Return a hole as shops find them: about 0.8 mm, from 0.22 to 3 mm."""
    while True:
        d = float(np.exp(draw.normal(np.log(0.8), 0.72)))
        if 0.22 <= d <= 3.0:
            return d


def opening_of(diameter_mm: float, draw: np.random.Generator) -> tuple[float, float]:
    """Return (a, b) of a hole of about that effective diameter: sharp, drilled through a wall, or a crack in a seal.

    What is wider than 3.5 mm is no crack but a hose off or a valve open.
    """
    d = diameter_mm * 1e-3
    area = np.pi / 4 * d * d
    kind = draw.random() * (0.85 if diameter_mm > 3.5 else 1.0)
    if kind < 0.55:
        return 24 / d**3, 1 / (2 * (draw.uniform(0.60, 0.62) * area) ** 2)
    if kind < 0.85:
        length = draw.uniform(0.3, 1.5) * 1e-3
        return 24 / d**3 + 128 * length / (np.pi * d**4), 1 / (2 * (draw.uniform(0.63, 0.76) * area) ** 2)
    laminar = draw.uniform(0.2, 0.55)  # share of 1500 Pa that friction takes
    flow = 0.61 * area * np.sqrt(2 * 1500 / 1.2)
    return laminar * 1500 / (1.82e-5 * flow), (1 - laminar) * 1500 / (1.2 * flow**2)


def saturation_pa(reid_kpa: float, at_k: float) -> float:
    """Return the true vapor pressure of gasoline [Pa] (AP-42 chapter 7.1, distillation slope 3; from memory)."""
    root, psi = np.sqrt(3.0), np.log(reid_kpa / 6.894757)
    a = 15.64 - 1.854 * root - (0.8742 - 0.3280 * root) * psi
    b = 8742 - 1042 * root - (1049 - 179.4 * root) * psi
    return float(np.exp(a - b / (at_k * 1.8)) * 6894.757)


def tube(bore_m: float, length_m: float) -> float:
    """Return a [Pa s/m3 per viscosity] of a tube (Hagen and Poiseuille)."""
    return 128 * length_m / (np.pi * bore_m**4)


def nozzle(bore_m: float, discharge: float = 0.7) -> float:
    """Return b [Pa s2/m6 per density] of a restriction."""
    return 1 / (2 * (discharge * np.pi / 4 * bore_m**2) ** 2)


Hole = tuple[float, float, float]  # a, b of the opening; 1 if it is at the canister
L_MIN = 1e-3 / 60 * 101325 / (R * 293.15)  # mol/s of a standard liter a minute


@dataclass(frozen=True)
class Day:
    """What the recordings of one visit share: true filling [share], air, fuel, how still it lies, and the codes."""

    level: float
    ambient_c: float
    ambient_pa: float
    reid_kpa: float
    warm_k: float
    exchange_m_s: float
    codes: list[str]
    checks: list[str]


#: Which check of a technician fails for which fault.
FAILING = {
    "vent_open": "vent_click",
    "vent_clogged": "visual",
    "purge_blocked": "purge_click",
    "hole": "smoke",
}


def new_day(v: Vehicle, cause: str, draw: np.random.Generator) -> Day:
    """Return the day of a visit, and what was found before anything was recorded."""
    shop = v.shop
    codes = [str(draw.choice(CODES[cause]))] if cause in CODES and draw.random() < 0.8 else []
    checks = []
    for name in ("vent_click", "purge_click", "visual", "smoke"):
        if draw.random() < 0.25:
            is_bad = FAILING.get(cause) == name and draw.random() < 0.8
            checks.append(f"{name}={'fail' if is_bad else 'pass'}")
    return Day(
        level=float(np.clip(draw.beta(2.0, 2.3), 0.06, 0.93)),
        ambient_c=shop.mean_c + float(draw.normal(0, 5)),
        ambient_pa=101325 * (1 - 2.25577e-5 * shop.height_m) ** 5.25588 + float(draw.normal(0, 500)),
        reid_kpa=float(np.interp(shop.mean_c, [10, 27], [66, 50]) + draw.normal(0, 4)),
        warm_k=float(draw.uniform(0.5, 6)),
        exchange_m_s=float(np.exp(draw.uniform(np.log(4e-5), np.log(1.8e-4)))),
        codes=codes,
        checks=checks,
    )


def new_tank(v: Vehicle, day: Day, cause: str, test: str, hole: Hole, draw: np.random.Generator) -> Any:
    """Return a row of TANK: one recording of that day. A drawn tank has a running engine, a filled one has not."""
    t = np.zeros(1, TANK)[0]
    m = v.model
    is_run = test in ("draw", "none")
    warm = day.warm_k + draw.uniform(0, 1) if is_run else draw.uniform(-0.5, 2.5)
    t["ambient_pa"] = day.ambient_pa
    t["ambient_k"] = 273.15 + day.ambient_c
    t["fuel_k"] = t["ambient_k"] + warm
    t["fuel_k_s"] = draw.uniform(0, 0.25) / 60 if is_run else 0.0
    t["wall_k"] = t["ambient_k"] + warm * draw.uniform(0.5, 0.9)
    gas_l = max(v.true_tank_l - day.level * m.tank_l, 5.0) + v.line_l
    height = 0.20 + 0.06 * (m.tank_l > 70)
    t["gas_m3"] = gas_l * 1e-3
    t["surface_m2"] = m.tank_l * 1e-3 / height
    t["layer_m3"] = min(t["surface_m2"] * draw.uniform(0.008, 0.022), 0.25 * t["gas_m3"])
    t["give_m3_pa"] = v.give_l_kpa * 1e-6
    t["creep_m3_pa"] = t["give_m3_pa"] * draw.uniform(0.05, 0.2) * (m.give_l_kpa > 0.03)
    t["creep_s"] = draw.uniform(15, 50)
    t["heat_w_k"] = draw.uniform(3.0, 5.5) * 5.5 * t["gas_m3"] ** (2 / 3)
    t["saturation_at_k"] = t["fuel_k"]
    t["saturation_pa"] = saturation_pa(day.reid_kpa, float(t["fuel_k"]))
    t["film_m_s"] = draw.uniform(5e-4, 1.5e-3)
    t["exchange_m_s"] = day.exchange_m_s * np.exp(draw.normal(0, 0.2))
    t["stir"] = draw.uniform(0.5, 2.5)
    # A driven car has drawn air through its tank; one that stands in the bay is nearly saturated.
    t["start_share"] = 1 - min(draw.exponential(0.012 if is_run else 0.003), 0.06)
    t["canister_m3"] = v.canister_l * 0.75e-3
    t["carbon_ratio"], t["carbon_s"] = v.carbon_ratio, draw.uniform(1.5, 5)
    t["capture"], t["desorbed"] = 0.8, draw.uniform(0.05, 0.2)
    t["line_a"], t["line_b"] = tube(draw.uniform(0.009, 0.012), 1.2), nozzle(draw.uniform(0.007, 0.009))
    t["vent_a"], t["vent_b"] = tube(draw.uniform(0.010, 0.014), 0.8), nozzle(draw.uniform(0.008, 0.011))
    small = float(np.exp(draw.uniform(np.log(0.02), np.log(0.09))))
    t["hole_a"], t["hole_b"] = opening_of(small, draw)
    if cause in ("hole", "vent_open"):
        t["hole_a"], t["hole_b"], t["hole_at_canister"] = hole
    if cause == "vent_clogged":
        bore = np.exp(draw.uniform(np.log(0.45), np.log(1.3))) * 1e-3
        t["vent_a"], t["vent_b"] = tube(bore * 2, 0.03) + 24 / bore**3, nozzle(bore, 0.65)
    t["manifold_pa"] = t["ambient_pa"] * draw.uniform(0.29, 0.43)
    t["purge_opens"] = v.opens_pct
    t["purge_mol_s"] = v.purge_l_min * L_MIN
    t["is_purge_dead"] = float(cause == "purge_blocked")
    if cause == "purge_passing":
        t["passing_mol_s"] = np.exp(draw.uniform(np.log(0.12), np.log(2.5))) * L_MIN
    _procedure(t, v, cause, test, draw)
    return t


def _procedure(t: Any, v: Vehicle, cause: str, test: str, draw: np.random.Generator) -> None:
    """Write when the valves move, and what the one who moves them sees."""
    m = v.model
    t["rest_s"], t["closed_s"] = draw.uniform(4, 15), m.closed_s * draw.uniform(0.8, 1.3)
    t["sees"], t["target_pa"] = 1.0, m.target_pa
    t["release_s"] = draw.uniform(6, 16) if draw.random() > 0.08 else 0.1
    t["hold_s"] = float(np.clip(m.hold_s * draw.uniform(0.8, 1.35), 60, 120))
    if draw.random() < 0.05:  # somebody opened the vent early
        t["hold_s"] *= draw.uniform(0.35, 0.8)
    t["timeout_s"], t["ramp_s"], t["n_steps"] = m.timeout_s, m.ramp_s, m.n_steps or 40
    t["climb_pct_s"], t["most_duty"] = m.climb_pct_s, 80.0
    t["relief_pa"] = draw.uniform(4000, 6500)
    t["duty"] = m.duty_pct * draw.uniform(0.92, 1.08)
    if draw.random() < 0.05:
        t["second_s"] = draw.uniform(10, 25)
    if cause == "sensor_stuck":
        t["sees"], t["timeout_s"] = 0.0, min(m.timeout_s, 30.0)
    if test == "none":
        t["rest_s"], t["idle_duty"] = 1e9, draw.uniform(10, 40) * (draw.random() < 0.8)
    if test in ("draw", "none"):
        return
    t["second_s"] = 0.0
    t["is_fill"] = 1.0
    t["closed_s"] = draw.uniform(2, 12)
    t["target_pa"] = 14 * 249.0889 + draw.normal(0, 40)
    t["fill_pa"] = t["target_pa"] + 60
    t["fill_mol_s"] = draw.uniform(8, 25) * L_MIN
    t["timeout_s"] = 90.0
    t["hold_s"] = draw.uniform(115, 130)
    if test == "flow":
        t["is_flow"], t["flow_s"], t["hold_s"] = 1.0, draw.uniform(180, 240), 0.0
        t["fill_pa"] = draw.uniform(2500, 3600)
        t["target_pa"] = t["fill_pa"]
        t["fill_mol_s"] = draw.uniform(20, 30) * L_MIN
