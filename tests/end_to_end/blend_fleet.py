"""Which vehicles, shops, days, faults and procedures there are: all drawn from one key, nothing shared with others.

Makes, models and shops are invented. Distributions are this author's judgement of a mixed fleet of many shops
(common practice, no source): steel and plastic tanks of 40 to 110 l with 2 to 8 % more room than their nominal size,
fuels from summer to winter blends with 0 to 15 % (moles: more) ethanol, bays from 2 to 36 °C, sea level to 1,800 m.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.blend_fuel import mixture
from tests.end_to_end.blend_holes import CLOSED, bore, crack, round_hole, same_flow_diameter_m
from tests.end_to_end.blend_tank import Cars, Orders

N_MODELS, N_SHOPS = 9, 22
NAMES = ("Tessal", "Orbin", "Quarl", "Veldane", "Mirrow", "Haskeld", "Pellin", "Drovic", "Lanter")
MOST_SEGMENTS = 8
KINDS = ("draw", "fill", "steady", "routine", "aborted")
KIND_ODDS = (0.79, 0.10, 0.02, 0.06, 0.03)
FAULTS = ("tight", "leak", "gross", "no_vacuum", "passes", "restricted", "flat", "offset", "disagrees")
FAULT_ODDS = (0.33, 0.38, 0.06, 0.05, 0.05, 0.04, 0.03, 0.04, 0.02)


@dataclass
class Models:
    tank_l: np.ndarray
    room: np.ndarray
    canister_l: np.ndarray
    carbon_kg: np.ndarray
    is_plastic: np.ndarray
    purge_l_s: np.ndarray
    volts_at_rest: np.ndarray
    pa_per_volt: np.ndarray
    sensor_low_pa: np.ndarray
    sensor_high_pa: np.ndarray
    lag_s: np.ndarray


@dataclass
class Shops:
    altitude_m: np.ndarray
    climate_c: np.ndarray
    rate_hz: np.ndarray
    step_pa: np.ndarray
    has_volts: np.ndarray
    rest_s: np.ndarray
    closed_s: np.ndarray
    target_pa: np.ndarray
    hold_s: np.ndarray
    release_s: np.ndarray
    duty: np.ndarray
    is_ragged: np.ndarray


@dataclass
class Fleet:
    """One element per recording."""

    kind: np.ndarray
    fault: np.ndarray
    model: np.ndarray
    shop: np.ndarray
    shape: np.ndarray
    place: np.ndarray
    level: np.ndarray
    diameter_m: np.ndarray
    steady_diameter_m: np.ndarray
    cars: Cars
    orders: Orders
    models: Models
    shops: Shops


def _models(rng: np.random.Generator) -> Models:
    n = N_MODELS
    tank = rng.permutation(np.linspace(40, 110, n))
    # The module reads its pressure from the sensor's line, so neither ends where the other goes on.
    at_rest, sign = rng.uniform(1.4, 2.7, n), rng.choice([-1, 1], n)
    below, above = (
        np.where(sign > 0, at_rest - 0.1, 4.9 - at_rest),
        np.where(sign > 0, 4.9 - at_rest, at_rest - 0.1),
    )
    slope = rng.uniform(3750, 5000, n) / below
    return Models(
        tank_l=tank.round(),
        room=rng.uniform(1.02, 1.08, n),
        canister_l=rng.uniform(1.6, 3.2, n),
        carbon_kg=rng.uniform(0.4, 0.9, n),
        is_plastic=rng.random(n) < 0.65,
        purge_l_s=rng.uniform(0.25, 0.75, n),
        volts_at_rest=at_rest,
        pa_per_volt=sign * slope,
        sensor_low_pa=-slope * below,
        sensor_high_pa=np.minimum(slope * above, rng.choice([4000.0, 3900.0], n)),
        lag_s=rng.uniform(0.03, 0.35, n),
    )


def _shops(rng: np.random.Generator) -> Shops:
    n = N_SHOPS
    return Shops(
        altitude_m=np.where(rng.random(n) < 0.7, rng.uniform(0, 300, n), rng.uniform(300, 1800, n)),
        climate_c=rng.uniform(8, 28, n),
        rate_hz=rng.choice([2.0, 4.0, 5.0, 10.0, 20.0], n),
        step_pa=rng.choice([0.25, 1.0, 5.0, 12.2, 24.9], n, p=[0.3, 0.3, 0.15, 0.15, 0.1]),
        has_volts=rng.random(n) < 0.75,
        rest_s=rng.uniform(4, 14, n),
        closed_s=np.where(rng.random(n) < 0.65, rng.uniform(5, 25, n), 0.0),
        target_pa=-rng.uniform(1500, 3100, n),
        hold_s=rng.choice([60.0, 60.0, 75.0, 90.0, 120.0], n),
        release_s=rng.uniform(6, 14, n),
        duty=rng.choice([30.0, 50.0, 75.0, 100.0], n),
        is_ragged=rng.random(n) < 0.3,
    )


def fleet_of(n: int, rng: np.random.Generator) -> Fleet:
    """Draw `n` recordings' vehicles, days, faults and commands."""
    models, shops = _models(rng), _shops(rng)
    model, shop = rng.integers(0, N_MODELS, n), rng.integers(0, N_SHOPS, n)
    kind = rng.choice(KINDS, n, p=KIND_ODDS)
    fault = rng.choice(FAULTS, n, p=FAULT_ODDS)
    fault[(kind == "routine") | (kind == "aborted")] = "tight"
    is_press = (kind == "fill") | (kind == "steady")
    fault[is_press] = rng.choice(["tight", "leak", "gross"], is_press.sum(), p=[0.46, 0.48, 0.06])
    level = rng.uniform(0.1, 0.9, n)
    cars, shape, place, ambient_density = _cars(n, rng, models, shops, model, shop, level, fault)
    orders = _orders(n, rng, kind, fault, shops, shop, cars)
    a = np.where(place == "vent", cars.vent_shut_a, cars.leak_a)
    b = np.where(place == "vent", cars.vent_shut_b, cars.leak_b)
    reach = np.where(kind == "draw", np.abs(shops.target_pa[shop]), 3487.0)
    sizes = np.array(
        [
            [same_flow_diameter_m(np.array(part * p), np.array(ai), np.array(bi), d) for part in (0.25, 0.6)]
            for p, ai, bi, d in zip(reach, a, b, ambient_density, strict=True)
        ]
    )
    is_open = a < CLOSED
    return Fleet(
        kind, fault, model, shop, shape, place, level,
        np.where(is_open, sizes[:, 1], 0.0), np.where(is_open, sizes[:, 0], 0.0),
        cars, orders, models, shops,
    )  # fmt: skip


def _cars(n, rng, models, shops, model, shop, level, fault):
    ambient_pa = 101325 * (1 - 2.25577e-5 * shops.altitude_m[shop]) ** 5.25588 + rng.normal(0, 700, n)
    ambient_k = 273.15 + np.clip(shops.climate_c[shop] + rng.normal(0, 6, n), 2, 36)
    density = ambient_pa / (287.05 * ambient_k)
    rho = density
    fuel_k = ambient_k + np.clip(rng.normal(2.5, 3, n), -4, 9)
    summer = np.clip((ambient_k - 283) / 15, 0, 1)
    recipes = [
        mixture(r, e)
        for r, e in zip(
            rng.normal(90, 6, n) - 34 * summer, rng.choice([0.0, 0.18, 0.2, 0.26], n), strict=True
        )
    ]
    tank_m3 = 1e-3 * models.tank_l[model]
    ullage = tank_m3 * (models.room[model] - level)
    surface = rng.uniform(0.75, 1.0, n) * tank_m3 / rng.uniform(0.18, 0.26, n)
    plastic = models.is_plastic[model]
    load = rng.uniform(0.1, 0.9, n)
    shape = rng.choice(["round", "crack", "bore"], n, p=[0.6, 0.25, 0.15])
    size = np.where(
        rng.random(n) < 0.08,
        rng.uniform(0.08e-3, 0.25e-3, n),
        1e-3 * np.exp(rng.uniform(np.log(0.25), np.log(4), n)),
    )
    a, b = round_hole(size, rho)
    gap = np.clip(rng.lognormal(np.log(0.12e-3), 0.5, n), 0.04e-3, 0.5e-3)
    ca, cb = crack(0.785 * size**2 / gap, gap, rng.uniform(0.3e-3, 2e-3, n), rho)
    ba, bb = bore(size, rng.uniform(3, 8, n) * size, rho)
    a = np.select([shape == "crack", shape == "bore"], [ca, ba], a)
    b = np.select([shape == "crack", shape == "bore"], [cb, bb], b)
    place = np.where(fault == "leak", rng.choice(["tank", "vent"], n, p=[0.8, 0.2]), "none")
    gross_place = rng.choice(["cap", "vent"], n)
    place = np.where(fault == "gross", gross_place, place)
    big_a, big_b = round_hole(rng.uniform(4.5e-3, 14e-3, n), rho)
    # The vent's own path when open: filter and carbon bed; friction and jets of one 8 to 11 mm opening.
    bed_a = rng.uniform(2e4, 1.2e5, n)
    open_a, open_b = round_hole(rng.uniform(7e-3, 11e-3, n), rho)
    open_a = open_a + bed_a
    stuck_a, stuck_b = open_a.copy(), open_b.copy()
    block_a, block_b = round_hole(rng.uniform(0.25e-3, 1.1e-3, n), rho)
    is_blocked = fault == "restricted"
    open_a, open_b = np.where(is_blocked, block_a, open_a), np.where(is_blocked, block_b, open_b)
    in_tank = (fault == "leak") & (place == "tank")
    at_vent = (fault == "leak") & (place == "vent")
    cap, stuck = (fault == "gross") & (place == "cap"), (fault == "gross") & (place == "vent")
    line_a, line_b = round_hole(rng.uniform(4e-3, 8e-3, n), rho)
    # Purge through a seat that does not shut: choked, 0.8 of the ideal 199 m/s (air at 293 K, upstream density).
    seat = np.where(fault == "passes", np.exp(rng.uniform(np.log(0.15e-3), np.log(0.6e-3), n)), 0.0)
    cars = Cars(
        ambient_pa=ambient_pa,
        ambient_k=ambient_k,
        fuel_k=fuel_k,
        wall_k=0.5 * ambient_k + 0.5 * fuel_k + rng.normal(0, 0.8, n),
        fuel_rise_k_s=rng.exponential(0.0007, n),
        ullage_m3=ullage,
        flex_m3_pa=np.where(
            plastic, rng.lognormal(np.log(2.0e-8), 0.5, n), rng.lognormal(np.log(4e-9), 0.4, n)
        )
        * np.sqrt(tank_m3 / 0.06),
        surface_m2=surface,
        wall_w_k=rng.uniform(2.5, 6.0, n) * 6 * ullage ** (2 / 3) * 1.15,
        bulk_x=np.array(recipes).T,
        saturation=np.clip(1 - rng.exponential(0.02, n), 0.8, 1.0),
        gas_transfer_m_s=rng.lognormal(np.log(2.5e-4), 0.5, n),
        film_m=rng.uniform(0.15e-3, 0.5e-3, n),
        film_renewal_per_s=rng.uniform(0.03, 0.3, n),
        film_w_m2_k=rng.uniform(100, 400, n),
        canister_m3=1e-3 * (0.65 * models.canister_l[model] + rng.uniform(0.3, 0.9, n)),
        carbon_mol_pa=2.5e-6 * models.carbon_kg[model] * (1 - load),
        carbon_rate_per_s=rng.uniform(0.1, 0.8, n),
        carbon_capture=1 - 0.6 * load,
        line_a=line_a + rng.uniform(5e3, 6e4, n),
        line_b=line_b,
        vent_open_a=open_a,
        vent_open_b=open_b,
        vent_shut_a=np.select([at_vent, stuck], [a, stuck_a], CLOSED),
        vent_shut_b=np.select([at_vent, stuck], [b, stuck_b], CLOSED),
        leak_a=np.select([in_tank, cap], [a, big_a], CLOSED),
        leak_b=np.select([in_tank, cap], [b, big_b], CLOSED),
        purge_m3_s=np.where(
            fault == "no_vacuum", 0.0, 1e-3 * models.purge_l_s[model] * rng.lognormal(0, 0.06, n)
        ),
        purge_passes_m3_s=0.8 * 199 * np.pi / 4 * seat**2,
        purge_dead_duty=rng.uniform(0.03, 0.08, n),
        start_pa=np.where(is_blocked, rng.uniform(-500, 200, n), rng.normal(0, 5, n)),
    )
    return cars, shape, place, density


def _orders(n, rng, kind, fault, shops, shop, cars):
    shape = (n, MOST_SEGMENTS)
    orders = Orders(
        np.zeros(shape), np.zeros(shape, bool), np.zeros(shape), np.zeros(shape),
        np.full(shape, np.nan), np.full(shape, np.nan),
    )  # fmt: skip
    for i in range(n):
        s = shop[i]
        rest = max(3.0, shops.rest_s[s] + rng.normal(0, 1))
        closed = max(0.0, shops.closed_s[s] + rng.normal(0, 1)) if shops.closed_s[s] else 0.0
        hold = shops.hold_s[s] + rng.uniform(0, 4)
        release = max(5.0, shops.release_s[s] + rng.normal(0, 1))
        target, duty = shops.target_pa[s] * rng.uniform(0.95, 1.05), shops.duty[s]
        timeout = rng.uniform(25, 40)
        feed = 3487 * cars.ullage_m3[i] / (8.314 * cars.ambient_k[i]) / rng.uniform(6, 20)
        if rng.random() < 0.05:
            hold = rng.uniform(15, 50)  # The operator opens the vent early.
        rows: list[tuple[float, bool, float, float, float, float]]
        nan = np.nan
        if kind[i] == "draw":
            rows = [(rest, False, 0, 0, nan, nan), (closed, True, 0, 0, nan, nan)]
            if rng.random() < 0.12:
                rows.append((rng.uniform(3, 8), True, 0.4 * duty, 0, target, nan))
            rows += [(timeout, True, duty, 0, target, nan), (hold, True, 0, 0, -5500.0, nan)]
            if rng.random() < 0.08:
                rows += [(timeout, True, duty, 0, target, nan), (hold, True, 0, 0, -5500.0, nan)]
            rows.append((release, False, 0, 0, nan, nan))
        elif kind[i] == "fill":
            top = 3487 * rng.uniform(0.975, 1.025)
            rows = [(rest, False, 0, 0, nan, nan), (60.0, True, 0, feed, top, nan)]
            rows += [(120.0 + rng.uniform(0, 4), True, 0, 0, nan, nan), (release, False, 0, 0, nan, nan)]
        elif kind[i] == "steady":
            rows = [(rest, False, 0, 0, nan, nan), (185.0, True, 0, 2 * feed, nan, 2450.0)]
            rows.append((release, False, 0, 0, nan, nan))
        elif kind[i] == "routine":
            rows = [
                (rng.uniform(8, 40), False, rng.choice([0.0, 15.0, 35.0, 60.0]), 0, nan, nan)
                for _ in range(5)
            ]
        else:
            rows = [(rest, False, 0, 0, nan, nan), (timeout, True, duty, 0, 0.6 * target, nan)]
            rows += [(rng.uniform(0.3, 1.2), True, 0, 0, nan, nan), (release, False, 0, 0, nan, nan)]
        for j, (seconds, is_shut, percent, mol, stop, at) in enumerate(rows):
            orders.seconds[i, j], orders.is_vent_closed[i, j], orders.duty[i, j] = seconds, is_shut, percent
            orders.feed_mol_s[i, j], orders.stop_pa[i, j], orders.hold_at_pa[i, j] = mol, stop, at
    return orders
