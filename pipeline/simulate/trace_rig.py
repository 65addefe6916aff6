"""What was physically there at each recording: weather, tank, lines, valves, with the fault in its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate import world
from pipeline.simulate.faults import FAULT
from pipeline.simulate.fleet import Fleet
from pipeline.simulate.trace_physics import AIR_G_MOL, CP, CV, GAS_CONSTANT, Rig
from pipeline.simulate.trace_plan import TracePlan

#: pressure of the air falls by e over this height (8.43 km: R T / g at 15 °C)
_SCALE_HEIGHT_M = 8430.0
KG_S_PER_STD_L_MIN = 1.2041 / 60_000  # air of 20 °C and 101.325 kPa
#: from memory: vapor of gasoline has 60 to 70 g/mol, and its butane and pentane 98 and 120 J/mol K at constant pressure
_VAPOR_G_MOL, _VAPOR_CP_J_MOL_K = 66.0, 108.0


@dataclass(frozen=True)
class Weather:
    """What the recorder notes beside a trace: fuel level [%], ambient temperature [°C], barometer [kPa]."""

    fuel_level_pct: np.ndarray
    ambient_c: np.ndarray
    barometric_kpa: np.ndarray


def draw_weather(rng: np.random.Generator, plan: TracePlan) -> Weather:
    """Draw season, tank and barometer of each visit; the recordings of one job share them."""
    visit = np.where(plan.job >= 0, plan.job, -1 - np.arange(plan.size))
    _, first, place = np.unique(visit, return_index=True, return_inverse=True)
    season = -np.cos(2 * np.pi * (plan.recorded[first] % 365.25) / 365.25)
    ambient = np.round(np.clip(12 + 12 * season + rng.normal(0, 4, first.size), -8, 38)) + 0.0
    fuel = np.round(rng.uniform(12, 85, first.size))
    thinner = np.exp(-plan.altitude_m[first] / _SCALE_HEIGHT_M)
    barometric = np.round(rng.normal(98.2, 0.8, first.size) * thinner)
    return Weather(fuel[place], ambient[place], barometric[place])


def build_rig(rng: np.random.Generator, fleet: Fleet, plan: TracePlan, weather: Weather) -> Rig:
    """Put together tank, lines and valves, with the fault in its place."""
    n, f = plan.size, plan.fault
    tank_l = np.array([m.fuel_tank_l for m in world.MODELS])[fleet.model[plan.vehicle]]
    volume = (tank_l * (1 - weather.fuel_level_pct / 100) + rng.uniform(3.5, 6.5, n)) / 1000
    barometric = weather.barometric_kpa * 1000
    kelvin = weather.ambient_c + 273.15 + rng.uniform(0, 7, n)
    vapor_share = np.minimum(rng.uniform(0.15, 0.4, n) * np.exp(0.035 * (kelvin - 293.15)), 0.7)
    creep_pa_s = rng.lognormal(np.log(2.5), 0.5, n) * np.exp(0.045 * (kelvin - 293.15))
    of_model = np.array([m.purge_flow_l_min for m in world.MODELS])[fleet.model[plan.vehicle]]
    flow_m3_s = of_model / 60_000 * rng.lognormal(0.0, 0.12, n)
    purge = np.sqrt(flow_m3_s / (0.61 * np.pi / 4 * 200.0))  # choked speed of about 200 m/s, duty left out
    wide_open, shut = f == FAULT["gross_leak"], f == FAULT["vent_restricted"]
    # an opening so wide that the purge draws no more than this vacuum
    remains_pa = np.exp(rng.uniform(np.log(40), np.log(600), n))
    opening_mm = 1000 * np.sqrt(flow_m3_s / (0.61 * np.pi / 4 * np.sqrt(2 * remains_pa / 1.17)))
    leak_mm = np.select(
        [f == FAULT["leak"], wide_open], [plan.diameter_mm, opening_mm], rng.uniform(0.02, 0.10, n)
    )
    return Rig(
        volume_m3=volume,
        barometric_pa=barometric,
        start_gauge_pa=np.where(shut, rng.uniform(-350, 200, n), 0.0),
        wall_k=kelvin,
        leak_m=leak_mm / 1000,
        vent_open_m=np.where(shut, rng.uniform(0.0, 0.3, n), rng.uniform(6, 9, n)) / 1000,
        vent_shut_m=np.zeros(n),
        purge_m=np.where(f == FAULT["no_vacuum"], rng.uniform(0, 0.08e-3, n), purge),
        purge_shut_m=np.where(f == FAULT["purge_passes_closed"], rng.uniform(0.35e-3, 0.9e-3, n), 0.0),
        purge_delay_s=rng.uniform(0.05, 0.3, n),
        manifold_pa=rng.uniform(30_000, 45_000, n),
        vapor_kg_s=creep_pa_s * volume / (GAS_CONSTANT * kelvin),
        vapor_scale_pa=rng.uniform(4_000, 9_000, n),
        wall_time_s=rng.uniform(3, 10, n),
        relief_pa=rng.uniform(3_650, 3_900, n),
        gas_g_mol=AIR_G_MOL + (_VAPOR_G_MOL - AIR_G_MOL) * vapor_share,
        gas_cv=CV + (_VAPOR_CP_J_MOL_K / AIR_G_MOL * 1000 - CP) * vapor_share,
        feed_kg_s=KG_S_PER_STD_L_MIN * rng.uniform(8, 16, n),
    )
