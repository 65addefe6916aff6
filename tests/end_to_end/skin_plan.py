"""What is recorded of a vehicle of the skin fleet: cause, procedure, weather and fuel as parameters of the tank.

The mix is a plausible one of repair bays: a third sound, a third leaking, the rest spread over the other faults; five
in six recordings are draw-downs. Values are judgement; vapor pressure of gasoline from Reid's at 37.8 degC with a
heat of 25 kJ/mol over the gas constant, 3000 K (from memory). Blends follow the season (about 80 kPa by Reid near
freezing, 55 in summer; from memory) and have lost a little to the canister. Tests under pressure are made with the
engine off on a vehicle that stood for a while: its fuel is little warmer than the bay and drifts slowly.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.end_to_end.skin_fleet import Vehicle
from tests.end_to_end.skin_truth import sharp_flow_m3_s

CAUSES = {
    "tight": 0.33,
    "leak": 0.35,
    "large_hole": 0.045,
    "vent_open": 0.04,
    "no_vacuum": 0.045,
    "purge_passes_closed": 0.045,
    "vent_restricted": 0.045,
    "sensor_flat": 0.03,
    "sensor_offset": 0.03,
    "sensor_disagrees": 0.02,
    "broken_off": 0.02,
}
KINDS = {"draw": 0.84, "fill": 0.065, "steady": 0.045, "routine": 0.05}
CODES = {
    "leak": ("P0442", "P0456", "P0455", "P0440"),
    "large_hole": ("P0455", "P0457"),
    "vent_open": ("P0455", "P0446", "P0449"),
    "no_vacuum": ("P0441", "P0497", "P0443"),
    "purge_passes_closed": ("P0496", "P0441"),
    "vent_restricted": ("P0446", "P2422"),
    "sensor_flat": ("P0451", "P0452", "P0453"),
    "sensor_offset": ("P0451", "P0442"),
    "sensor_disagrees": ("P0451", "P0454"),
}
CHECKS = {
    "large_hole": ("cap_seal=fail", "smoke=fail"),
    "leak": ("smoke=fail", "smoke=pass"),
    "vent_open": ("vent_click=fail", "circuit_load=fail"),
    "no_vacuum": ("purge_click=fail", "purge_click=pass"),
    "vent_restricted": ("vent_click=fail", "visual=fail"),
    "sensor_flat": ("sensor_reference=fail",),
    "sensor_offset": ("sensor_reference=fail",),
}


@dataclass
class Plan:
    """One recording to be: the tank's parameters, and what else of it the recorder and the truth want to know."""

    vehicle: Vehicle
    kind: str
    cause: str
    tank: dict[str, float]
    fuel_share: float
    ambient_c: float
    stage: str
    codes: list[str]
    checks: list[str]
    extra: dict[str, float | str | bool] = field(default_factory=dict)


def _one_of(rng: np.random.Generator, shares: dict[str, float]) -> str:
    p = np.array(list(shares.values()))
    return str(rng.choice(list(shares), p=p / p.sum()))


def _between(rng: np.random.Generator, low: float, high: float, is_log: bool = False) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))) if is_log else rng.uniform(low, high))


def hole(diameter_mm: float, laminar_share: float) -> dict[str, float]:
    """Resistances of a leak with a sharp hole's flow at 1.5 kPa in air of 20 degC, so much of them laminar."""
    d, dp = diameter_mm * 1e-3, 1500.0
    q = float(sharp_flow_m3_s(d, dp, 1.2041, 1.813e-5, 1.013e5))
    own = 24 * 1.813e-5 / d**3 * q / dp
    share = max(laminar_share, own)
    return {"leak_a": (1 - share) * dp / q**2, "leak_b": share * dp / q}


def _leak(rng: np.random.Generator, least_mm: float, most_mm: float) -> dict[str, float]:
    """A leak's resistances: half are sharp, a quarter thick-edged, a quarter cracks and seals, partly laminar."""
    shape = rng.random()
    share = 0.0 if shape < 0.5 else (_between(rng, 0.02, 0.08) if shape < 0.75 else _between(rng, 0.08, 0.35))
    return hole(_between(rng, least_mm, most_mm, True), share)


def _gas(
    vehicle: Vehicle, fuel_share: float, ambient_c: float, is_running: bool, rng: np.random.Generator
) -> dict[str, float]:
    m, shop = vehicle.model, vehicle.shop
    total_l = m.tank_l * m.dome * vehicle.volume + m.line_l
    gas_m3 = (total_l - fuel_share * m.tank_l) / 1000
    area = m.tank_l / 1000 / m.height_m
    walls = 2 * area + 4.4 * area**0.5 * gas_m3 / area
    warm_k = _between(rng, 0, 12) if is_running else _between(rng, 0, 5)
    fuel_k = ambient_c + 273.15 + warm_k
    pa = 1000 * (shop.baro_kpa + 0.6 * rng.normal())
    reid = 0.92 * (82e3 - 1000 * ambient_c + 5e3 * rng.normal())
    boil = min(reid * np.exp(-3000 * (1 / fuel_k - 1 / 310.95)), 0.6 * pa)
    exchange = float(np.exp(0.15 * rng.normal()))
    shell = m.shell_l_kpa * 1e-6 * vehicle.shell
    return {
        "ambient_pa": pa,
        "ambient_k": ambient_c + 273.15,
        "gas_m3": gas_m3,
        "shell_m3_pa": 0.82 * shell,
        "creep_m3_pa": 0.18 * shell,
        "creep_s": _between(rng, 8, 25),
        "canister_m3": m.canister_l / 1000 * float(np.exp(0.08 * rng.normal())),
        "wall_k": ambient_c + 273.15 + 0.6 * warm_k,
        "wall_k_s": (0.02 + 0.05 * rng.normal()) / 60,
        "still_w_k": 1.0 * walls * exchange,
        "free_w_k": 1.95 * walls * exchange,
        "surface_m2": area,
        "film_m_s": float(2.2e-4 * np.exp(0.5 * rng.normal())),
        "boil_pa": boil,
        "boil_1_s": 0.033 * (_between(rng, 0, 0.15) if is_running else 0.02 * rng.normal()) / 60,
        "gap_pa": float(min(220 * np.exp(0.7 * rng.normal()) * (0.5 + warm_k / 8), 3000)),
        "skin_mol_m2": _between(rng, 0.3, 0.8),
        "renew_s": _between(rng, 20, 120),
        "skin_j_m2k": 2300.0,
        "skin_s": _between(rng, 20, 60),
        "canister_vapor": _between(rng, 0.02, 0.3),
        "leak_a": 0.0,
        "leak_b": 0.0,
        "vent_a": 4e8,
        "vent_b": m.vent_kpa_s_l * 1e6 * float(np.exp(0.15 * rng.normal())),
        "vent_way": 0,
        "start_pa": 0.0,
        "purge_m3_s": m.purge_l_min / 6e4 * vehicle.purge * (1 + 0.03 * rng.normal()),
        "opens_pct": m.opens_pct + 0.8 * rng.normal(),
        "purge_works": 1.0,
        "passing": 0.0,
        "manifold_pa": _between(rng, 30e3, 40e3),
        "wobble": _between(rng, 0.0, 0.05),
        "wobble_hz": _between(rng, 0.3, 1.2),
    }


def _procedure(plan: Plan, rng: np.random.Generator) -> dict[str, float]:
    shop = plan.vehicle.shop
    way = {
        "rest_s": _between(rng, *shop.rest_s),
        "closed_s": _between(rng, *shop.closed_s),
        "duty_1": shop.duties[0],
        "duty_2": shop.duties[1],
        "duty_3": shop.duties[2],
        "step_s": 6.0,
        "target_pa": shop.target_pa,
        "timeout_s": shop.timeout_s,
        "hold_s": float(rng.choice(shop.hold_s)) + rng.uniform(0, 2),
        "first_hold_s": 0.0,
        "release_s": _between(rng, *shop.release_s),
        "seen_offset_pa": plan.vehicle.sensor_offset_pa,
        "feed_mol_s": 0.0,
        "feed_until_pa": 0.0,
        "feed_s": 0.0,
        "is_regulated": 0.0,
    }
    luck = rng.random()
    if luck < 0.05:
        way["hold_s"] = _between(rng, 15, 45)
    elif luck < 0.09:
        way["first_hold_s"] = _between(rng, 6, 20)
    if plan.kind == "fill":
        way |= {"feed_mol_s": _between(rng, 5, 15) / 60 * 0.0416, "feed_until_pa": 3487 + 40 * rng.normal()}
        way |= {"feed_s": 90.0, "hold_s": 121 + rng.uniform(0, 4)}
    if plan.kind == "steady":
        way |= {
            "feed_mol_s": 8 / 60 * 0.0416,
            "feed_until_pa": _between(rng, 2600, 3400),
            "is_regulated": 1.0,
        }
        way |= {"feed_s": _between(rng, 200, 300), "hold_s": 0.0, "first_hold_s": 0.0}
    return way


def _break(plan: Plan, rng: np.random.Generator) -> None:
    """Put the cause into the tank's parameters."""
    t, cause, m = plan.tank, plan.cause, plan.vehicle.model
    if cause == "leak":
        t |= _leak(rng, 0.25, 1.6 if plan.kind == "steady" else 3.0)
        return
    if rng.random() < 0.7:
        t |= hole(min(_between(rng, 0.03, 0.12), 0.12), _between(rng, 0.1, 0.6))
    if cause == "large_hole":
        t |= hole(_between(rng, 4.5, 16, True), 0.0)
        t["leak_b"] += 2e3
    elif cause == "vent_open":
        t["vent_way"] = 1
    elif cause == "no_vacuum":
        t["purge_works"] = 0.0
    elif cause == "purge_passes_closed":
        t["passing"] = _between(rng, 0.003, 0.03, True)
    elif cause == "vent_restricted":
        if rng.random() < 0.6:
            t |= {"vent_way": 2, "start_pa": _between(rng, -700, 500)}
        else:
            t["vent_b"] *= _between(rng, 50, 500, True)
    elif cause == "sensor_flat":
        where = rng.random()
        at = (
            _between(rng, -60, 60)
            if where < 0.5
            else (1000 * m.high_kpa if where < 0.75 else _between(rng, -900, 900))
        )
        plan.extra |= {"flat_at_pa": at, "is_still": bool(rng.random() < 0.7)}
        t["seen_offset_pa"] = 1e9
    elif cause == "sensor_offset":
        off = _between(rng, 200, 700) * float(rng.choice([-1, 1]))
        plan.extra["offset_pa"] = off
        t["seen_offset_pa"] = off
    elif cause == "sensor_disagrees":
        plan.extra["disagrees"] = str(rng.choice(["frozen_pressure", "frozen_volts", "gain", "contact"]))
    elif cause == "broken_off":
        if rng.random() < 0.5:
            t |= {"hold_s": _between(rng, 1, 4.5), "first_hold_s": 0.0}
        else:
            t |= {"timeout_s": _between(rng, 1, 2.5), "hold_s": 0.0, "first_hold_s": 0.0}


def plan_recording(vehicle: Vehicle, rng: np.random.Generator) -> Plan:
    """Draw one recording of a vehicle."""
    kind = _one_of(rng, KINDS)
    if kind in ("fill", "steady"):
        cause = _one_of(rng, {"tight": 0.45, "leak": 0.55 if kind == "steady" else 0.5})
    elif kind == "routine":
        cause = "tight"
    else:
        cause = _one_of(
            rng, {k: v for k, v in CAUSES.items() if vehicle.shop.has_volts or k != "sensor_disagrees"}
        )
    fuel = float(np.clip(rng.beta(2, 2), 0.1, 0.9))
    ambient_c = float(np.clip(19 + 7 * rng.normal(), 2, 38))
    tank = _gas(vehicle, fuel, ambient_c, kind in ("draw", "routine"), rng)
    plan = Plan(vehicle, kind, cause, tank, fuel, ambient_c, "routine", [], [])
    plan.tank |= _procedure(plan, rng)
    _break(plan, rng)
    if kind != "routine":
        is_bad = cause not in ("tight", "broken_off")
        plan.stage = "before_repair" if is_bad or rng.random() < 0.25 else "after_repair"
        told = CODES.get(cause, ("P0442", "P0455", "P0456"))
        if rng.random() < (0.8 if plan.stage == "before_repair" else 0.3):
            plan.codes = [str(rng.choice(told))]
        if cause in CHECKS and rng.random() < 0.4:
            plan.checks = [str(rng.choice(CHECKS[cause]))]
    return plan
