"""The ninth author's fleet: models, cars, fuel and weather, what is broken, drawn at random for many recordings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.carbon_truth import CD, VISCOUS, Array

AIR_KG_MOL, GAS = 0.028964, 8.31446
AIR_PA_S = 1.82e-5


@dataclass(frozen=True)
class Model:
    """A model: sizes in liters, give of the shell in liters per kPa, purge flow in l/s fully open, sensor in Pa."""

    make: str
    name: str
    tank_l: float
    dome: float
    canister_l: float
    lines_l: float
    give_l_kpa: float
    purge_l_s: float
    least_pa: float
    most_pa: float
    rest_v: float
    pa_per_v: float
    draw_pa: float


MODELS = (
    Model("Ordwick", "Brindlet", 41, 0.06, 1.2, 1.0, 0.012, 0.7, -3900, 3900, 2.50, 1900, 1900),
    Model("Ordwick", "Vosperel", 52, 0.05, 1.4, 1.2, 0.020, 0.8, -3900, 3900, 2.50, 1900, 2100),
    Model("Ordwick", "Haulmund", 95, 0.04, 2.6, 2.4, 0.008, 1.4, -3900, 3900, 2.50, 1900, 2300),
    Model("Thessmark", "Quillane", 55, 0.08, 1.5, 1.4, 0.030, 0.9, -6200, 1900, 3.40, 1780, 2800),
    Model("Thessmark", "Ostreld", 66, 0.07, 1.9, 1.6, 0.035, 1.0, -6200, 1900, 3.40, 1780, 3000),
    Model("Thessmark", "Drabwick", 110, 0.05, 3.0, 2.8, 0.005, 1.6, -6200, 1900, 3.40, 1780, 2500),
    Model("Pellquin", "Nuvasket", 45, 0.07, 1.2, 1.1, 0.004, 0.7, -3100, 3100, 1.55, -1650, 1600),
    Model("Pellquin", "Morrantine", 72, 0.05, 2.0, 1.8, 0.018, 1.1, -3100, 3100, 1.55, -1650, 2900),
)
DRAWN = {
    "none": 0.37, "drilled": 0.15, "crack": 0.09, "seal": 0.08, "vent_seat": 0.04, "cap_off": 0.025,
    "vent_open": 0.025, "no_vacuum": 0.05, "purge_passes": 0.045, "vent_blocked": 0.045, "sensor_flat": 0.02,
    "sensor_offset": 0.025, "sensor_disagrees": 0.02, "cut": 0.015,
}  # fmt: skip
FILLED = {"none": 0.45, "drilled": 0.22, "crack": 0.12, "seal": 0.10, "vent_seat": 0.06, "cap_off": 0.05}
FED = {"none": 0.25, "drilled": 0.40, "crack": 0.15, "seal": 0.15, "vent_seat": 0.05}
HOLES = ("drilled", "crack", "seal", "vent_seat")


@dataclass
class Bench:
    """Recordings that are run side by side: arrays of one length. SI units unless the name says otherwise."""

    model: Array
    shop: Array
    course: Array
    fault: Array
    hole_built_mm: Array
    tank_l: Array
    level: Array
    tank_m3: Array
    canister_m3: Array
    give_m3_pa: Array
    ambient_pa: Array
    ambient_k: Array
    fuel_k: Array
    fuel_k_s: Array
    wall_k: Array
    reid_pa: Array
    clausius_k: Array
    vapor_kg_mol: Array
    saturation: Array
    surface_m2: Array
    transfer_m_s: Array
    film_s: Array
    gas_w_k: Array
    solved_m3_s: Array
    bed_pa: Array
    bed_mol: Array
    bed_per_s: Array
    bed_a: Array
    bed_b: Array
    vent_share: Array
    vent_leaks: Array
    purge_m2: Array
    purge_dead: Array
    purge_idle: Array
    manifold_pa: Array
    hole_a: Array
    hole_b: Array
    hole_opens: Array
    hole_place: Array
    offset_pa: Array
    stuck_pa: Array


def _faults(rng: np.random.Generator, n: int) -> tuple[Array, Array]:
    course = rng.choice(["draw", "fill", "steady", "routine"], n, p=[0.81, 0.09, 0.06, 0.04])
    fault = np.full(n, "routine", dtype="<U16")
    for name, shares in (("draw", DRAWN), ("fill", FILLED), ("steady", FED)):
        share = np.array(list(shares.values()))
        is_it = course == name
        fault[is_it] = rng.choice(list(shares), is_it.sum(), p=share / share.sum())
    return course, fault


def _holes(rng: np.random.Generator, course: Array, fault: Array) -> tuple[Array, ...]:
    """Return nominal size [mm], a and b of its loss, how it opens [1/kPa] and its place (0 tank, 1 line, 2 bed).

    A hole in sheet is sharp or a little rounded; a crack loses part of the pressure to friction; a pinched seal
    opens or shuts with the pressure across it; a vent seat leaks on the far side of the carbon.
    """
    n = len(fault)
    tight = np.minimum(0.055 * np.exp(rng.normal(0, 0.55, n)), 0.22)
    size = np.where(np.isin(fault, HOLES), 0.25 * 16 ** rng.random(n), tight)
    size = np.where((course == "steady") & (size > 2.2), size / 2, size)
    also = (np.isin(fault, ["sensor_offset", "purge_passes"]) & (rng.random(n) < 0.12)) | (
        (fault == "vent_blocked") & (rng.random(n) < 0.05)
    )
    size = np.where(also, 0.5 + 1.0 * rng.random(n), size)
    size = np.where(fault == "cap_off", 5 * 7 ** rng.random(n), size)
    d = 1e-3 * size
    coefficient = np.where(rng.random(n) < 0.6, rng.normal(CD, 0.008, n), rng.uniform(0.63, 0.80, n))
    coefficient = np.where(fault == "cap_off", CD, coefficient)
    per_area = 1 / (2 * coefficient**2 * np.pi / 4 * d**2)
    a, b = rng.uniform(12, 45, n) * per_area / d, per_area / (np.pi / 4 * d**2)
    is_crack = fault == "crack"
    friction = rng.uniform(0.15, 0.75, n)  # the share of 2 kPa that friction takes from the same flow
    flow = 2 * 2000 / (VISCOUS * AIR_PA_S * per_area / d + np.sqrt(4 * 1.2 * b * 2000))
    a = np.where(is_crack, friction * 2000 / flow / AIR_PA_S, a)
    b = np.where(is_crack, (1 - friction) * 2000 / flow**2 / 1.2, b)
    opens = np.where(fault == "seal", rng.uniform(-0.12, 0.12, n), 0.0)
    place = np.where(fault == "vent_seat", 2, np.where(rng.random(n) < 0.2, 1, 0))
    return size, a, b, opens, np.where(fault == "cap_off", 0, place)


def saturated_pa(reid_pa: Array, clausius_k: Array, fuel_k: Array) -> Array:
    """Vapor pressure [Pa] of the fuel: Clausius and Clapeyron from the Reid pressure at 37.8 degrees C."""
    return reid_pa * np.exp(-clausius_k * (1 / fuel_k - 1 / 310.95))


def fleet(rng: np.random.Generator, n: int) -> Bench:
    """Draw `n` recordings' cars, fuel, weather and faults."""
    course, fault = _faults(rng, n)
    model = rng.integers(len(MODELS), size=n)
    shop = np.where(course == "draw", rng.integers(6, size=n), rng.choice([0, 2, 3], n))
    shop = np.where(course == "routine", rng.integers(6, size=n), shop)
    shop = np.where(fault == "sensor_disagrees", rng.choice([0, 2, 3], n), shop)

    def of(field: str, spread: float = 0.0) -> Array:
        return np.array([getattr(m, field) for m in MODELS])[model] * np.exp(rng.normal(0, spread, n))

    size, hole_a, hole_b, opens, place = _holes(rng, course, fault)
    tank_l, level = of("tank_l"), rng.uniform(0.12, 0.88, n)
    inside_l = tank_l * (1 + of("dome")) * np.exp(rng.normal(0, 0.012, n)) - tank_l * level
    ambient = np.clip(rng.normal(16, 10, n), -8, 39) + 273.15
    fuel = ambient + 13 * rng.random(n) ** 1.6
    altitude = np.where(shop == 4, 1600.0, np.array([40, 220, 610, 5, 0, 350])[shop]) + rng.normal(0, 25, n)
    pressure = 101325 * np.exp(-altitude / 8400) + rng.normal(0, 700, n)
    clausius = rng.normal(3300, 120, n)
    reid = np.clip(76e3 - 750 * (ambient - 283), 48e3, 92e3) * rng.uniform(0.62, 0.96, n)
    reid *= np.minimum(1, 0.62 * pressure / saturated_pa(reid, clausius, fuel))
    surface = 0.005 * tank_l * rng.uniform(0.8, 1.15, n)
    saturation = 1 - 0.03 * rng.random(n) ** 2
    thin = 1.6 / of("canister_l")  # a larger bed is wider
    is_blocked = fault == "vent_blocked"
    bed_share = np.where(is_blocked, 10 ** rng.uniform(-4.5, -1.9, n), 1.0)
    gas_w_k = rng.uniform(3.0, 6.0, n) * (inside_l / 40) ** (2 / 3)
    solved = surface * 0.2 * 3e-5 * np.exp(rng.normal(0, 0.6, n))
    purge = of("purge_l_s", 0.07) * 1e-3 / (0.685 * np.sqrt(GAS * 293 / AIR_KG_MOL))
    weak = np.where(rng.random(n) < 0.6, 0.0, 0.01 * rng.random(n))
    idle_m2 = np.pi / 4 * (1e-3 * 0.2 * 11 ** rng.random(n)) ** 2 * 0.7
    off = rng.choice([-1, 1], n) * rng.uniform(170, 1500, n)
    stuck = np.select([rng.random(n) < 0.4, rng.random(n) < 0.5], [rng.normal(0, 25, n), off], -3600.0)
    mixed = rng.random(n)
    return Bench(
        model=model, shop=shop, course=course, fault=fault, hole_built_mm=size, tank_l=tank_l, level=level,
        tank_m3=1e-3 * (inside_l + of("lines_l", 0.12)), canister_m3=1e-3 * 0.72 * of("canister_l", 0.05),
        give_m3_pa=1e-6 * of("give_l_kpa", 0.2), ambient_pa=pressure, ambient_k=ambient, fuel_k=fuel,
        fuel_k_s=0.28 * (rng.random(n) ** 2 - 0.1) / 60, wall_k=mixed * fuel + (1 - mixed) * ambient,
        reid_pa=reid, clausius_k=clausius, vapor_kg_mol=rng.normal(0.065, 0.002, n), saturation=saturation,
        surface_m2=surface, transfer_m_s=2.2e-4 * np.exp(rng.normal(0, 0.7, n)), film_s=rng.uniform(15, 45, n),
        gas_w_k=gas_w_k, solved_m3_s=solved,
        bed_pa=saturated_pa(reid, clausius, ambient) * rng.uniform(0.1, 0.8, n),
        bed_mol=of("canister_l") * rng.uniform(0.4, 1.2, n), bed_per_s=rng.uniform(0.1, 0.6, n),
        bed_a=rng.uniform(2e5, 5e5, n) * thin, bed_b=rng.uniform(3e8, 9e8, n) * thin**2, vent_share=bed_share,
        vent_leaks=(fault == "vent_open").astype(float) * rng.uniform(0.5, 1.0, n),
        purge_m2=purge * np.where(fault == "no_vacuum", weak, 1.0), purge_dead=rng.normal(0.07, 0.008, n),
        purge_idle=np.where(fault == "purge_passes", idle_m2, 0.0),
        manifold_pa=pressure * rng.uniform(0.28, 0.42, n), hole_a=hole_a, hole_b=hole_b, hole_opens=opens,
        hole_place=place,
        offset_pa=np.where(fault == "sensor_offset", off, rng.normal(0, 28, n)),
        stuck_pa=np.where(fault == "sensor_flat", stuck, np.nan),
    )  # fmt: skip
