"""The invented county that simulated lakes describe, and the three effects that are really true in it.

Every make, model, shop, station, person and number here is made up. All models share one set of failure
rates and one mix of model years, all shops but one repair equally well, all stations but one are honest: what
an estimator finds beyond `EFFECTS` is chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

TIME_ZONE = "America/Chicago"
START_ON, END_ON = date(2023, 1, 1), date(2025, 12, 31)
EPOCH = date(1970, 1, 1)
START_DAY, END_DAY = (START_ON - EPOCH).days, (END_ON - EPOCH).days
MODEL_YEARS = tuple(range(1998, 2026))
FLEETS = ("county_works", "lowmoor_water", "swiftcrate_parcel", "ferrow_transit")
SOURCES = ("fleet_office", "brightwell_shops", "roadside_unit", "ferrow_inspections")


@dataclass(frozen=True)
class Model:
    """A vehicle model: tank [l], rated weight [kg], share of the fleet, sensor line, purge valve, supported monitors.

    `purge_flow_l_min` is what its open valve takes out of the tank, as volume there.
    """

    make: str
    name: str
    vehicle_type: str
    fuel_tank_l: float
    gross_vehicle_weight_kg: int
    share: float
    volts_at_rest: float
    pa_per_volt: float
    purge_flow_l_min: float
    monitors: tuple[str, ...]


@dataclass(frozen=True)
class Component:
    """A component's life: failures per 1000 vehicle-years, Weibull shape of the age, what is done to it."""

    name: str
    rate_per_1000_vehicle_years: float
    weibull_shape: float
    replaced: float
    repaired: float
    labor_h: float
    parts_cost: float


@dataclass(frozen=True)
class Shop:
    shop_id: str
    source_id: str
    weight: float
    first_time_fix: float
    altitude_m: float = 0.0


@dataclass(frozen=True)
class Effects:
    """What is true beyond chance."""

    model: str = "Fennick 30"
    component: str = "vent_valve"
    rate_ratio: float = 4.0
    shop_id: str = "BW03"
    shop_first_time_fix: float = 0.62
    other_first_time_fix: float = 0.93
    station_id: str = "ST17"
    repeated_share: float = 0.55


EFFECTS = Effects()

_BASE = ("misfire", "fuel_system", "comprehensive", "catalyst", "evap", "o2_sensor", "o2_heater")
_EGR = (*_BASE, "egr_vvt")
_AIR = (*_BASE, "secondary_air")
_BOTH = (*_BASE, "egr_vvt", "secondary_air")

MODELS = (
    Model("Norvane", "Pell 2", "passenger_car", 47, 1790, 0.10, 1.5, -1250.0, 11, _EGR),
    Model("Norvane", "Pell 4 Wagon", "passenger_car", 55, 1980, 0.11, 1.5, -1250.0, 11, _BASE),
    Model("Norvane", "Cartmel 25", "cargo_van", 80, 3200, 0.13, 1.5, -1250.0, 17, _EGR),
    Model("Talbren", "Osk", "passenger_car", 41, 1640, 0.10, 2.6, 1600.0, 10, _AIR),
    Model("Talbren", "Merrow", "light_truck", 98, 3050, 0.12, 2.6, 1600.0, 20, _BOTH),
    Model("Kestovar", "Brae", "passenger_car", 60, 2150, 0.10, 1.5, -1250.0, 14, _EGR),
    Model("Kestovar", "Holm 3", "light_truck", 110, 3600, 0.10, 1.5, -1250.0, 20, _BASE),
    Model("Ulmira", "Fennick 30", "cargo_van", 76, 3100, 0.13, 2.5, 1450.0, 16, _EGR),
    Model("Ulmira", "Fennick 40", "cargo_van", 90, 3900, 0.11, 2.5, 1450.0, 18, _AIR),
)
MAKE_CODES = {"Norvane": "NV", "Talbren": "TB", "Kestovar": "KS", "Ulmira": "UM"}

COMPONENTS = (
    Component("fuel_cap", 24, 1.0, 0.85, 0.05, 0.3, 22),
    Component("filler_neck", 12, 3.0, 0.70, 0.30, 1.8, 140),
    Component("vapor_line", 22, 2.4, 0.35, 0.65, 1.1, 38),
    Component("purge_valve", 30, 2.0, 0.95, 0.00, 0.7, 74),
    Component("vent_valve", 22, 1.7, 0.85, 0.00, 0.9, 66),
    Component("canister", 13, 3.0, 0.95, 0.05, 1.4, 260),
    Component("tank_pressure_sensor", 14, 1.0, 0.95, 0.05, 1.2, 88),
    Component("tank_seal", 13, 1.4, 0.90, 0.10, 1.6, 30),
    Component("fuel_tank", 4, 2.5, 0.60, 0.40, 3.2, 610),
    Component("wiring", 13, 1.0, 0.10, 0.90, 1.5, 14),
    Component("control_module", 5, 0.7, 0.90, 0.10, 1.0, 420),
    Component("other", 4, 1.0, 0.40, 0.60, 1.0, 45),
)
COMPONENT_NAMES = tuple(c.name for c in COMPONENTS)


def _shop(shop_id: str, source_id: str, weight: float) -> Shop:
    bad = shop_id == EFFECTS.shop_id
    cures = EFFECTS.shop_first_time_fix if bad else EFFECTS.other_first_time_fix
    return Shop(shop_id, source_id, weight, cures, 1_150.0 if shop_id == "quarry_yard" else 0.0)


SHOPS = (
    *(_shop(name, "fleet_office", 0.085) for name in ("north_yard", "south_yard", "quarry_yard")),
    *(_shop(name, "fleet_office", 0.085) for name in ("water_depot", "bus_barn")),
    *(_shop(f"BW{n:02d}", "brightwell_shops", w) for n, w in enumerate((0.085, 0.09, 0.09, 0.085, 0.085), 1)),
    _shop("unit_a", "roadside_unit", 0.07),
    _shop("unit_b", "roadside_unit", 0.07),
)
STATIONS = tuple(f"ST{n:02d}" for n in range(1, 23))
