"""What the gas of a whole fleet of tanks does, step by step: blend of fuel, film, heat, carbon, lines and openings.

All recordings advance together, one array element each, in steps of 25 ms. The tank's gas holds air and seven fuel
vapors; the liquid's skin gives each vapor by its own pressure over the skin's own composition and temperature, and so
loses its light ends and cools; the wall gives heat; the canister is a second volume behind the vapor line whose carbon
takes up air (Henry, with a rate) and the vapors that come with the tank's gas. Flows through line, vent and leaks
are solved implicitly with their quadratic law, so that an open path stays stable.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.blend_fuel import LATENT_J, MOLAR_KG, activity, saturation_pa
from tests.end_to_end.blend_holes import EXPANSION, flow_m3_s

GAS = 8.314462618
MOLAR_AIR_KG = 0.02896
STEP_S = 0.025
AIR_CP, VAPOR_CP = 29.1, 105.0  # [J/(mol K)], from memory
LIQUID_MOL_M3 = 8000.0
LIQUID_J_MOL_K = 200.0
KEEP_EVERY = 2


@dataclass
class Cars:
    """One element per recording; SI units throughout, temperatures in kelvin, pressures absolute."""

    ambient_pa: np.ndarray
    ambient_k: np.ndarray
    fuel_k: np.ndarray
    wall_k: np.ndarray
    fuel_rise_k_s: np.ndarray
    ullage_m3: np.ndarray
    flex_m3_pa: np.ndarray
    surface_m2: np.ndarray
    wall_w_k: np.ndarray
    bulk_x: np.ndarray
    saturation: np.ndarray
    gas_transfer_m_s: np.ndarray
    film_m: np.ndarray
    film_renewal_per_s: np.ndarray
    film_w_m2_k: np.ndarray
    canister_m3: np.ndarray
    carbon_mol_pa: np.ndarray
    carbon_rate_per_s: np.ndarray
    carbon_capture: np.ndarray
    line_a: np.ndarray
    line_b: np.ndarray
    vent_open_a: np.ndarray
    vent_open_b: np.ndarray
    vent_shut_a: np.ndarray
    vent_shut_b: np.ndarray
    leak_a: np.ndarray
    leak_b: np.ndarray
    purge_m3_s: np.ndarray
    purge_passes_m3_s: np.ndarray
    purge_dead_duty: np.ndarray
    start_pa: np.ndarray


@dataclass
class Orders:
    """What is commanded, (recordings, segments): a segment ends after its time or at its gauge pressure."""

    seconds: np.ndarray
    is_vent_closed: np.ndarray
    duty: np.ndarray
    feed_mol_s: np.ndarray
    stop_pa: np.ndarray
    hold_at_pa: np.ndarray


@dataclass
class Course:
    """What truly happened, (steps kept, recordings): time is the index times `STEP_S * KEEP_EVERY`."""

    gauge_pa: np.ndarray
    segment: np.ndarray
    duty: np.ndarray


def pressure_pa(energy_j: np.ndarray, cars: Cars) -> np.ndarray:
    """Return the pressure [Pa] at which a tank whose walls give way holds `energy_j` = n R T [J].

    The positive root of p (V + C (p - ambient)) = n R T; exact also for a stiff tank, C = 0.
    """
    rest = cars.ullage_m3 - cars.flex_m3_pa * cars.ambient_pa
    return 2 * energy_j / (rest + np.sqrt(rest**2 + 4 * cars.flex_m3_pa * energy_j))


def run(cars: Cars, orders: Orders) -> Course:
    """Integrate until the last recording has ended."""
    n, last = orders.seconds.shape
    row = np.arange(n)
    sat0 = activity(cars.bulk_x) * saturation_pa(cars.fuel_k) * cars.bulk_x
    gas_k = cars.wall_k.copy()  # A tank that has stood is in balance with what surrounds its gas.
    vapor = sat0 * cars.saturation * cars.ullage_m3 / (GAS * gas_k)
    tank_pa = cars.ambient_pa + cars.start_pa
    air = tank_pa * cars.ullage_m3 / (GAS * gas_k) - vapor.sum(0)
    skin_x, skin_k, bulk_k = cars.bulk_x.copy(), cars.fuel_k.copy(), cars.fuel_k.copy()
    can_mol = tank_pa * cars.canister_m3 / (GAS * cars.ambient_k)
    held = cars.carbon_mol_pa * tank_pa
    film_mol = cars.surface_m2 * cars.film_m * LIQUID_MOL_M3
    segment, since = np.zeros(n, int), np.zeros(n)
    purge_now, pressed = np.zeros(n), np.zeros(n)
    air_kg_m3 = cars.ambient_pa * MOLAR_AIR_KG / (GAS * cars.ambient_k)
    gauges, segments, duties = [], [], []
    saturated = saturation_pa(skin_k)
    gamma = activity(skin_x)
    step = 0
    while True:
        is_over = segment >= last
        now = np.minimum(segment, last - 1)
        if step % KEEP_EVERY == 0:
            gauges.append((tank_pa - cars.ambient_pa).astype(np.float32))
            segments.append(np.where(is_over, last, segment).astype(np.int8))
            duties.append(orders.duty[row, now].astype(np.float32))
            if is_over.all():
                break
        step += 1
        dt = STEP_S
        if step % 8 == 1:
            saturated, gamma = saturation_pa(skin_k), activity(skin_x)
        # Liquid's skin: each vapor by its own pressure, with Stefan's flow through the air above.
        volume = cars.ullage_m3 + cars.flex_m3_pa * (tank_pa - cars.ambient_pa)
        total = air + vapor.sum(0)
        partial = vapor * (tank_pa / total)
        stefan = tank_pa / np.maximum(tank_pa - partial.sum(0), 0.15 * tank_pa)
        flux = (cars.gas_transfer_m_s * cars.surface_m2 * stefan / (GAS * gas_k)) * (
            skin_x * gamma * saturated - partial
        )
        given = flux.sum(0)
        skin_x += dt * ((skin_x * given - flux) / film_mol + (cars.bulk_x - skin_x) * cars.film_renewal_per_s)
        heat = cars.film_w_m2_k * cars.surface_m2 * (bulk_k - skin_k) - LATENT_J @ flux
        skin_k += dt * heat / (film_mol * LIQUID_J_MOL_K)
        bulk_k += dt * cars.fuel_rise_k_s
        # Openings of the tank: leak to the air, feed of the shop's gas.
        gauge = tank_pa - cars.ambient_pa
        give_m3 = volume + cars.flex_m3_pa * tank_pa
        stiff = dt * tank_pa / give_m3
        # What leaves is the tank's own, heavier gas; what enters is air.
        heavier = (air * MOLAR_AIR_KG + MOLAR_KG @ vapor) / volume / air_kg_m3
        jet = np.where(gauge > 0, heavier, 1.0) * cars.leak_b
        leak = flow_m3_s(gauge, cars.leak_a, jet, stiff) * (1 - EXPANSION * np.abs(gauge) / tank_pa)
        leak_mol = (
            leak
            * np.where(leak > 0, tank_pa, cars.ambient_pa)
            / (GAS * np.where(leak > 0, gas_k, cars.ambient_k))
        )
        feed = orders.feed_mol_s[row, now]
        target = orders.hold_at_pa[row, now]
        feed = np.where(np.isnan(target), feed, feed * np.clip((target - gauge) / 40.0, 0, 1))
        # Canister: purge, vent, then the line between the two volumes.
        can_pa = can_mol * GAS * cars.ambient_k / cars.canister_m3
        duty = orders.duty[row, now] / 100
        asked = np.clip((duty - cars.purge_dead_duty) / (1 - cars.purge_dead_duty), 0, 1) * cars.purge_m3_s
        purge_now += (asked - purge_now) * dt / 0.12
        can_k = GAS * cars.ambient_k
        can_mol -= dt * (purge_now + cars.purge_passes_m3_s) * can_pa / can_k
        taken = cars.carbon_rate_per_s * (cars.carbon_mol_pa * can_pa - held)
        held += dt * taken
        can_mol -= dt * taken
        can_pa = can_mol * can_k / cars.canister_m3
        is_shut = orders.is_vent_closed[row, now]
        vent = flow_m3_s(
            can_pa - cars.ambient_pa,
            np.where(is_shut, cars.vent_shut_a, cars.vent_open_a),
            np.where(is_shut, cars.vent_shut_b, cars.vent_open_b),
            dt * can_pa / cars.canister_m3,
        )
        can_mol -= dt * vent * cars.ambient_pa / can_k
        can_pa = can_mol * can_k / cars.canister_m3
        line = flow_m3_s(
            tank_pa - can_pa, cars.line_a, cars.line_b, dt * (tank_pa / give_m3 + can_pa / cars.canister_m3)
        )
        is_out = line > 0
        line_mol = line * tank_pa / (GAS * np.where(is_out, gas_k, cars.ambient_k))
        vapor_part = vapor.sum(0) / total
        can_mol += dt * line_mol * np.where(is_out, 1 - cars.carbon_capture * vapor_part, 1.0)
        # Tank's moles and heat.
        out = np.maximum(leak_mol, 0) + np.maximum(line_mol, 0)
        came = np.maximum(-leak_mol, 0) + np.maximum(-line_mol, 0) + feed
        cp = (air * AIR_CP + vapor.sum(0) * VAPOR_CP) / total
        warmth = (
            came * (AIR_CP * cars.ambient_k - (AIR_CP - GAS) * gas_k)
            + given * (VAPOR_CP * (skin_k - gas_k) + GAS * gas_k)
            - out * GAS * gas_k
            + cars.wall_w_k * (cars.wall_k - gas_k)
            - tank_pa * cars.flex_m3_pa * pressed / dt
        )
        gas_k += dt * warmth / (total * (cp - GAS))
        vapor += dt * (flux - out * vapor / total)
        air += dt * (came - out * air / total)
        before = tank_pa
        tank_pa = pressure_pa((air + vapor.sum(0)) * GAS * gas_k, cars)
        pressed = tank_pa - before
        # Who is done with a segment goes to the next.
        since += dt
        gauge = tank_pa - cars.ambient_pa
        stop = orders.stop_pa[row, now]
        is_reached = np.where(stop < 0, gauge <= stop, gauge >= stop)
        is_done = ~is_over & ((since >= orders.seconds[row, now]) | is_reached)
        segment = np.where(is_done, segment + 1, segment)
        since = np.where(is_done, 0.0, since)
    return Course(np.array(gauges), np.array(segments), np.array(duties))
