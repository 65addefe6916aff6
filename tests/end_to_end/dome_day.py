"""A vehicle on one day under one cause: the tank that is run, the hole in it, and what of it can be known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.end_to_end.dome_fleet import Shop, Vehicle
from tests.end_to_end.dome_holes import AIR, CRACK, DRILLED, GAS, SHARP
from tests.end_to_end.dome_tank import BEFORE, BEHIND, STD_L_MIN, TANK, Tank, nozzle, true_volume_m3

PLACES = ("tank_top", "filler", "vapor_line", "purge_line", "fresh_side")
ROOM_OF = {"tank_top": TANK, "filler": TANK, "vapor_line": BEFORE, "purge_line": BEFORE, "fresh_side": BEHIND}


@dataclass(frozen=True)
class Day:
    """What was run, beside what a truth file tells of it."""

    tank: Tank
    hole: dict[str, Any]
    place: str
    level: float
    true_volume_l: float
    extra_volume_l: float


def vapor_line_of(rvp_psi: float) -> tuple[float, float]:
    """Return a, b of p = exp(a - b / T) [Pa, K] for petrol (AP-42 7.1, distillation slope 3)."""
    s, ln = np.sqrt(3.0), np.log(rvp_psi)
    a = 15.64 - 1.854 * s - (0.8742 - 0.3280 * s) * ln
    b = 8742.0 - 1042.0 * s - (1049.0 - 179.4 * s) * ln
    return float(a + np.log(6894.76)), float(b / 1.8)


def day_of(rng: np.random.Generator, car: Vehicle, shop: Shop, cause: str, is_running: bool) -> Day:
    """Draw weather, fuel and fault, and build the tank."""
    m = car.model
    outside_pa = 101325.0 * np.exp(-shop.altitude_m / 8400.0) + rng.normal(0.0, 600.0)
    outside_k = 273.15 + rng.uniform(6.0, 33.0)
    liquid_k = outside_k + np.clip(rng.normal(3.0, 4.0), -4.0, 12.0)
    liquid_k = min(liquid_k, 309.0)
    level = rng.uniform(0.08, 0.88)
    liquid_l = m.tank_l * (m.reserve + level * (1.0 - m.reserve))
    gas_l = m.tank_l * (1.0 + m.dome) * car.room - liquid_l + m.neck_l
    # Walls: a flat box's areas, 0.35 m2 of roof for 60 l; free convection 3 to 5 W/m2K, less over heavy vapor.
    floor = 2.3 * (m.tank_l / 1000.0) ** (2 / 3)
    roof_k, flank_k = outside_k + rng.normal(1.0, 2.0), 0.5 * (outside_k + liquid_k) + rng.normal(0.0, 1.0)
    h = rng.uniform(3.0, 5.0)
    share = gas_l / (m.tank_l * (1.0 + m.dome))
    a, b = vapor_line_of(rng.uniform(7.6, 10.5) if outside_k > 288 else rng.uniform(8.5, 12.0))
    give = m.give_l_kpa * car.give * 1e-6
    purge = m.purge_l_min * car.purge * STD_L_MIN
    manifold = outside_pa - (9e3 if m.is_boosted else rng.uniform(56e3, 64e3) * outside_pa / 101325.0)
    at_full = nozzle(1.0, 101325.0, 101325.0 - (9e3 if m.is_boosted else 60e3), 293.15, AIR)
    vent_plain, purge_m2, passing_m2 = car.vent_plain, purge / at_full, 0.0
    vent_square = 6e4
    if cause == "release_blocked":
        vent_plain, vent_square = 10.0 ** rng.uniform(6.6, 8.0), 1e9
    elif cause == "purge_stuck_shut":
        purge_m2 = 0.0
    elif cause == "purge_passes":
        passing_m2 = 0.8 * 0.25 * np.pi * (1e-3 * rng.uniform(0.35, 1.0)) ** 2
        if m.is_boosted:
            passing_m2 *= 2.0
    bed_square = 1.5e5
    hole, place = _hole_of(rng, cause, car.bed_plain, bed_square)
    tank = Tank(
        outside_pa=float(outside_pa),
        outside_k=float(outside_k),
        gas_m3=gas_l * 1e-3,
        gas_k=float((roof_k + 0.9 * share * flank_k + 0.4 * liquid_k) / (1.4 + 0.9 * share)),
        roof_k=float(roof_k),
        flank_k=float(flank_k),
        liquid_k=float(liquid_k),
        warming_k_s=float(rng.uniform(-0.0002, 0.0012) if is_running else rng.uniform(-0.0003, 0.0004)),
        roof_w_k=h * floor,
        flank_w_k=h * floor * 0.9 * share,
        film_w_k=0.4 * h * floor,
        film_j_k=750.0 * 2100.0 * 0.003 * floor,
        film_s=rng.uniform(15.0, 50.0),
        vapor_a=a,
        vapor_b=b,
        vapor_share=float(rng.uniform(0.94, 0.995)),
        vapor_m3_s=10.0 ** rng.uniform(-4.4, -3.4) * floor,
        give_m3_pa=0.9 * give if m.is_steel else 0.75 * give,
        creep_m3_pa=0.1 * give if m.is_steel else 0.25 * give,
        creep_s=rng.uniform(10.0, 35.0),
        before_m3=(0.5 * 0.65 * m.bed_l + 0.45) * 1e-3,
        behind_m3=(0.5 * 0.65 * m.bed_l + 0.45) * 1e-3,
        sorbed_m3=m.bed_l * rng.uniform(0.9, 1.3) * car.load * 1e-3,
        sorbing_s=rng.uniform(0.8, 5.0),
        line_plain=car.line_plain,
        line_square=1.2e5,
        bed_plain=car.bed_plain,
        bed_square=bed_square,
        vent_plain=vent_plain,
        vent_square=vent_square,
        vent_lag_s=1e9 if cause == "vent_stuck_open" else rng.uniform(0.04, 0.2),
        purge_m2=float(purge_m2),
        purge_lag_s=rng.uniform(0.05, 0.25),
        passing_m2=float(passing_m2),
        manifold_pa=float(manifold) if is_running else float(outside_pa),
        relief_pa=rng.uniform(4.2e3, 6e3),
        sensor_s=m.sensor_s,
        hole_place=ROOM_OF[place],
        hole_shape=hole["shape"],
        hole_m=hole["d_m"],
        hole_long_m=hole["long_m"],
    )
    volume_l = true_volume_m3(tank) * 1e3
    return Day(tank, hole, place, level, volume_l, volume_l - m.tank_l * (1.0 - level))


def _hole_of(
    rng: np.random.Generator, cause: str, bed_plain: float, bed_square: float
) -> tuple[dict[str, Any], str]:
    """Draw the opening: seepage, a hole of known size, a crack, or something large."""
    place = str(rng.choice(PLACES, p=(0.3, 0.25, 0.2, 0.1, 0.15)))
    shape, long_m = SHARP, 0.0
    if cause == "hole":
        d_m = 1e-3 * float(np.exp(rng.uniform(np.log(0.24), np.log(3.0))))
        if rng.random() < 0.4:
            shape, long_m = DRILLED, float(rng.uniform(1.0, 2.5)) * d_m
            d_m *= 0.9
    elif cause == "crack":
        shape, d_m, long_m = CRACK, float(rng.uniform(0.05e-3, 0.15e-3)), float(rng.uniform(8e-3, 40e-3))
    elif cause == "gross":
        place, d_m = (
            str(rng.choice(["filler", "tank_top"], p=(0.8, 0.2))),
            1e-3 * float(rng.uniform(7.0, 18.0)),
        )
    else:
        d_m = 1e-3 * float(rng.uniform(0.01, 0.07))
    is_behind = place == "fresh_side"
    hole = {
        "shape": shape,
        "d_m": d_m,
        "long_m": long_m,
        "plain": bed_plain if is_behind else 0.0,
        "square": bed_square if is_behind else 0.0,
    }
    return hole, place


def passing_pa(day: Day, over_s: float) -> float:
    """Return the vacuum that the passing purge valve would draw from a tight system in this time [Pa]."""
    tank = day.tank
    flow = nozzle(tank.passing_m2, tank.outside_pa, tank.manifold_pa, tank.outside_k, AIR)
    return flow * over_s * GAS * tank.outside_k / (day.true_volume_l * 1e-3)
