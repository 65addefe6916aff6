"""Models, shops, vehicles and faults of the layered recordings, and the tank and procedure of each recording.

All invented. Ranges are what a shop sees, by the author's judgement: tanks of 42 to 110 l in steel and plastic, gas
above the nominal filling, gauges that are some percent off, procedures that differ by model, recorders by shop.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.end_to_end.layered_gas import TANK, R


@dataclass(frozen=True)
class Model:
    """One model: tank [l], what it holds beyond [share], how its shell gives [l/kPa], sensor, purge and procedure."""

    make: str
    model: str
    tank_l: float
    dome: float
    give_l_kpa: float
    canister_l: float
    volts_at_rest: float
    volts_per_pa: float
    adc_v: float
    noise_pa: float
    purge_l_min: float
    opens_pct: float
    duty_pct: float
    ramp_s: float
    n_steps: int
    target_pa: float
    timeout_s: float
    closed_s: float
    hold_s: float
    climb_pct_s: float


MODELS = tuple(
    Model(*row)  # type: ignore[arg-type]
    for row in (
        (
            "Orrin",
            "Brook",
            45,
            0.10,
            0.050,
            1.4,
            1.50,
            -5.3e-4,
            5 / 1023,
            4,
            48,
            9,
            23,
            3,
            0,
            1750,
            40,
            12,
            75,
            1.5,
        ),
        (
            "Orrin",
            "Heath",
            55,
            0.12,
            0.060,
            1.8,
            1.50,
            -5.3e-4,
            5 / 1023,
            4,
            52,
            9,
            24,
            3,
            0,
            1750,
            45,
            12,
            75,
            1.5,
        ),
        (
            "Orrin",
            "Stave",
            75,
            0.09,
            0.020,
            2.4,
            1.52,
            -5.3e-4,
            5 / 4095,
            5,
            66,
            10,
            25,
            3,
            0,
            2000,
            50,
            15,
            90,
            1.5,
        ),
        (
            "Quill",
            "Sable",
            42,
            0.13,
            0.045,
            1.2,
            2.60,
            6.7e-4,
            5 / 4095,
            3,
            40,
            7,
            20,
            5,
            5,
            1500,
            40,
            8,
            60,
            0,
        ),
        (
            "Quill",
            "Ester",
            60,
            0.11,
            0.060,
            1.8,
            2.60,
            6.7e-4,
            5 / 4095,
            3,
            50,
            7,
            21,
            5,
            5,
            1500,
            45,
            8,
            60,
            0,
        ),
        (
            "Ferrow",
            "Crest",
            62,
            0.08,
            0.015,
            2.0,
            1.45,
            -6.2e-4,
            5 / 1023,
            6,
            58,
            12,
            27,
            0,
            0,
            2500,
            45,
            10,
            100,
            2,
        ),
        (
            "Ferrow",
            "Lugger",
            98,
            0.07,
            0.018,
            3.0,
            1.45,
            -6.2e-4,
            5 / 1023,
            6,
            72,
            12,
            29,
            0,
            0,
            2500,
            60,
            10,
            100,
            2,
        ),
        (
            "Ferrow",
            "Haul",
            110,
            0.07,
            0.020,
            3.2,
            1.45,
            -6.2e-4,
            5 / 1023,
            7,
            75,
            12,
            30,
            0,
            0,
            2200,
            70,
            10,
            110,
            2,
        ),
        (
            "Tessel",
            "Wren",
            50,
            0.12,
            0.055,
            1.5,
            3.10,
            5.0e-4,
            5 / 4095,
            4,
            44,
            8,
            23,
            8,
            4,
            2800,
            60,
            18,
            80,
            0,
        ),
        (
            "Tessel",
            "Dray",
            80,
            0.10,
            0.050,
            2.2,
            3.10,
            5.0e-4,
            5 / 4095,
            5,
            60,
            8,
            25,
            8,
            4,
            2400,
            60,
            18,
            80,
            0,
        ),
        (
            "Ambry",
            "Pell",
            66,
            0.10,
            0.040,
            1.9,
            2.00,
            -4.0e-4,
            5 / 4095,
            3,
            55,
            10,
            24,
            4,
            0,
            1250,
            35,
            0,
            65,
            1,
        ),
    )
)


@dataclass(frozen=True)
class Shop:
    """One shop: height [m], mean temperature [C], polling [Hz], which columns its recorder keeps, its pressure rig."""

    name: str
    height_m: float
    mean_c: float
    rate_hz: float
    step_pa: float
    has_volts: bool
    has_level: bool
    has_baro: bool
    has_rpm: bool
    fills: float
    flows: float


SHOPS = (
    Shop("north", 60, 14, 4.0, 1.0, True, True, True, True, 0.06, 0.00),
    Shop("harbor", 5, 19, 2.0, 2.5, True, True, True, True, 0.20, 0.10),
    Shop("mesa", 1500, 26, 5.0, 1.0, True, True, True, True, 0.05, 0.05),
    Shop("mill", 240, 17, 1.0, 0.25, False, True, True, True, 0.10, 0.00),
    Shop("garden", 120, 21, 10.0, 2.0, True, True, False, True, 0.00, 0.15),
    Shop("depot", 30, 24, 8.0, 10.0, False, True, True, False, 0.25, 0.10),
    Shop("bridge", 400, 11, 3.0, 1.0, True, True, True, True, 0.05, 0.00),
    Shop("lane", 180, 22, 2.5, 0.25, False, False, False, True, 0.05, 0.00),
)

CAUSES = {
    "hole": 0.46,
    "tight": 0.20,
    "vent_open": 0.08,
    "purge_blocked": 0.06,
    "purge_passing": 0.06,
    "vent_clogged": 0.05,
    "sensor_stuck": 0.03,
    "sensor_shifted": 0.03,
    "sensor_two_stories": 0.03,
}
CODES = {
    "hole": ["P0442", "P0456", "P0455"],
    "vent_open": ["P0455", "P0449", "P0446"],
    "purge_blocked": ["P0441", "P0443"],
    "purge_passing": ["P0496", "P0441"],
    "vent_clogged": ["P0446"],
    "sensor_stuck": ["P0451", "P0450"],
    "sensor_shifted": ["P0451", "P0452", "P0453"],
    "sensor_two_stories": ["P0451"],
}


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


def new_tank(
    v: Vehicle, cause: str, test: str, hole: Hole, draw: np.random.Generator
) -> tuple[Any, dict[str, float]]:
    """Return (a row of TANK, what the header needs: level, temperatures, barometer) of one recording."""
    t = np.zeros(1, TANK)[0]
    m, shop = v.model, v.shop
    is_run = test in ("draw", "none")
    level = float(np.clip(draw.beta(2.0, 2.3), 0.06, 0.93))
    ambient = shop.mean_c + draw.normal(0, 5)
    warm = draw.uniform(0.5, 7) if is_run else draw.uniform(-0.5, 2.5)
    t["ambient_pa"] = 101325 * (1 - 2.25577e-5 * shop.height_m) ** 5.25588 + draw.normal(0, 500)
    t["ambient_k"] = 273.15 + ambient
    t["fuel_k"] = t["ambient_k"] + warm
    t["fuel_k_s"] = draw.uniform(0, 0.25) / 60 if is_run else 0.0
    t["wall_k"] = t["ambient_k"] + warm * draw.uniform(0.5, 0.9)
    gas_l = max(v.true_tank_l - level * m.tank_l, 5.0) + v.line_l
    height = 0.20 + 0.06 * (m.tank_l > 70)
    t["gas_m3"] = gas_l * 1e-3
    t["surface_m2"] = m.tank_l * 1e-3 / height
    t["layer_m3"] = min(t["surface_m2"] * draw.uniform(0.008, 0.022), 0.25 * t["gas_m3"])
    t["give_m3_pa"] = v.give_l_kpa * 1e-6
    t["creep_m3_pa"] = t["give_m3_pa"] * draw.uniform(0.05, 0.2) * (m.give_l_kpa > 0.03)
    t["creep_s"] = draw.uniform(15, 50)
    t["heat_w_k"] = draw.uniform(3.0, 5.5) * 5.5 * t["gas_m3"] ** (2 / 3)
    reid = np.interp(shop.mean_c, [10, 27], [66, 50]) + draw.normal(0, 4)
    t["saturation_at_k"] = t["fuel_k"]
    t["saturation_pa"] = saturation_pa(float(reid), float(t["fuel_k"]))
    t["film_m_s"] = draw.uniform(5e-4, 1.5e-3)
    t["exchange_m_s"] = np.exp(draw.uniform(np.log(4e-5), np.log(1.8e-4)))
    t["stir"] = draw.uniform(0.5, 2.5)
    t["start_share"] = 1 - min(draw.exponential(0.012), 0.06)
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
    return t, {"level": level, "ambient_c": ambient}


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
