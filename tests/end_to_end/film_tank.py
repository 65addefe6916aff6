"""A fuel tank with a surface film and carbon that breathes, step by step in time: pressure under given commands.

Head space of one temperature holds air and vapor [mol]. The fuel's surface film loses heat to evaporation and gets it
from the bulk. Carbon gives gas back slowly when drawn; the shell gives at once and creeps. Values are common
magnitudes of natural convection and of gasoline (from memory), no vehicle's.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numba
import numpy as np

GAS_J_MOL_K = 8.314462618
AIR_CV, AIR_CP, VAPOR_CV, VAPOR_CP = 20.8, 29.1, 82.0, 90.3  # J/(mol K); vapor like butane, from memory
AIR_KG_MOL, VAPOR_KG_MOL, LATENT_J_MOL = 0.02897, 0.066, 27_000.0  # light ends of gasoline, from memory
BOILING_K = 3700.0  # slope of ln(vapor pressure) against 1/T, from memory
STEP_S, KEPT_EVERY = 0.02, 2


class Tank(NamedTuple):
    """One vehicle in one test; SI units unless said otherwise."""

    air_pa: float
    head_m3: float
    give_m3_pa: float
    creep_m3_pa: float
    creep_s: float
    carbon_share: float
    carbon_s: float
    ambient_k: float
    wall_k: float
    fuel_k: float
    fuel_k_s: float
    wall_w_k: float
    surface_w_k: float
    surface_m2: float
    film_j_k: float
    film_w_k: float
    vapor_20c_pa: float
    transfer_m_s: float
    saturation: float
    hole_m: float
    hole_thickness: float
    hole_coefficient: float
    crack_m3_s_kpa: float
    crack_power: float
    vent_linear: float
    vent_square: float
    vent_open_share: float
    vent_shut_share: float
    purge_m2: float
    purge_shut_share: float
    manifold_pa: float
    lag_s: float


class BayTest(NamedTuple):
    """What the operator does; a hold is ended at one and a half times the target.

    `is_routine` leaves the vent open and lets the purge come and go."""

    rest_s: float
    closed_s: float
    target_pa: float
    timeout_s: float
    hold_s: float
    release_s: float
    duty: float
    profile: int
    is_routine: int
    ends_in_draw: int


@numba.njit
def saturated_pa(tank, kelvin):
    return tank.vapor_20c_pa * math.exp(BOILING_K * (1.0 / 293.15 - 1.0 / kelvin))


@numba.njit
def hole_mol_s(tank, drop_pa, pressure_pa, kelvin, kg_mol):
    """Flow through hole and crack for a drop [Pa] from gas of that pressure, temperature and molar mass."""
    if drop_pa <= 0.0:
        return 0.0
    flow = 0.0
    if tank.hole_m > 0.0:
        density = pressure_pa * kg_mol / (GAS_J_MOL_K * kelvin)
        speed = math.sqrt(2.0 * drop_pa / density)
        reynolds = density * speed * tank.hole_m / (1.81e-5 * (kelvin / 293.0) ** 0.7)
        drag = 20.0 * (1.0 + 2.25 * tank.hole_thickness) / max(reynolds, 1e-6)
        expansion = 1.0 - 0.41 * drop_pa / (1.4 * pressure_pa)  # expansion number of small holes, from memory
        area = math.pi / 4.0 * tank.hole_m**2
        flow += expansion / (1.0 / tank.hole_coefficient + drag) * area * speed
    if tank.crack_m3_s_kpa > 0.0:
        flow += tank.crack_m3_s_kpa * (drop_pa / 1000.0) ** tank.crack_power
    return flow * pressure_pa / (GAS_J_MOL_K * kelvin)


@numba.njit
def vent_mol_s(tank, drop_pa, share, kelvin):
    """Flow through canister and vent line: drop = linear q + square q^2, q scaled by `share`."""
    if drop_pa <= 0.0 or share <= 0.0:
        return 0.0
    a, b = tank.vent_linear, tank.vent_square
    q = 2.0 * drop_pa / (a + math.sqrt(a * a + 4.0 * b * drop_pa))
    return share * q * tank.air_pa / (GAS_J_MOL_K * kelvin)


@numba.njit
def purge_mol_s(tank, pressure_pa, kelvin, opening, kg_mol):
    """Nozzle flow to the manifold, choked below the critical ratio (textbook)."""
    if opening <= 0.0 or tank.manifold_pa >= pressure_pa:
        return 0.0
    ratio = max(tank.manifold_pa / pressure_pa, 0.5283)
    shape = math.sqrt(2.0 * 1.4 / 0.4 * (ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4)))
    return opening * tank.purge_m2 * pressure_pa * shape / math.sqrt(GAS_J_MOL_K * kelvin * kg_mol)


@numba.njit
def duty_now(test, since_s):
    if test.profile == 1:
        return test.duty * min(1.0, 0.34 * (1.0 + math.floor(since_s / 4.0)))
    if test.profile == 2:
        return test.duty * min(1.0, 0.15 + 0.85 * since_s / 10.0)
    return test.duty


@numba.njit
def run_tank(tank, test, most_s):
    """Return times, true gauge pressure, lagged gauge pressure, duty (0 to 1), vent command, phase; and moles' error.

    Phase: 0 rest, 1 closed, 2 draw, 3 hold, 4 release. Arrays are kept every KEPT_EVERY steps.
    """
    n = int(most_s / STEP_S)
    kept = n // KEPT_EVERY + 1
    times = np.empty(kept)
    true_pa = np.empty(kept)
    lagged_pa = np.empty(kept)
    duties = np.empty(kept)
    vents = np.empty(kept)
    phases = np.empty(kept)
    film_k = tank.fuel_k
    gas_k = (tank.wall_w_k * tank.wall_k + tank.surface_w_k * tank.fuel_k) / (
        tank.wall_w_k + tank.surface_w_k
    )
    vapor_part_pa = min(tank.saturation * saturated_pa(tank, tank.fuel_k), 0.8 * tank.air_pa)
    moles = tank.air_pa * tank.head_m3 / (GAS_J_MOL_K * gas_k)
    vapor = moles * vapor_part_pa / tank.air_pa
    air = moles - vapor
    held, crept, total_in = 0.0, 0.0, 0.0
    start_mol = moles
    volume = tank.head_m3
    lagged = 0.0
    phase, phase_start, k = 0, 0.0, 0
    last = 0
    for i in range(n):
        now = i * STEP_S
        moles = air + vapor
        base = tank.head_m3 + crept
        g = tank.give_m3_pa
        linear = base - g * tank.air_pa
        if g > 0.0:
            p = (-linear + math.sqrt(linear * linear + 4.0 * g * moles * GAS_J_MOL_K * gas_k)) / (2.0 * g)
        else:
            p = moles * GAS_J_MOL_K * gas_k / base
        gauge = p - tank.air_pa
        volume_before = volume
        volume = base + g * gauge
        lagged += (gauge - lagged) * (1.0 - math.exp(-STEP_S / tank.lag_s))
        since = now - phase_start
        was = phase
        if phase == 0 and since >= test.rest_s:
            phase = 1
        if phase == 1 and now - phase_start >= test.closed_s and was == 1:
            phase = 2
        if phase == 2 and was == 2 and (lagged <= -test.target_pa or since >= test.timeout_s):
            phase = 3
        is_too_deep = lagged < -1.5 * test.target_pa
        if phase == 3 and was == 3 and (since >= test.hold_s or is_too_deep):
            phase = 4
        if phase == 4 and was == 4 and since >= test.release_s:
            break
        if phase == 3 and test.ends_in_draw == 1:
            break
        if phase != was:
            phase_start = now
        is_shut = phase in (1, 2, 3) and test.is_routine == 0
        duty = duty_now(test, now - phase_start) if phase == 2 else 0.0
        if test.is_routine == 1:
            duty = test.duty * max(0.0, math.sin(now / 11.0))
        if i % KEPT_EVERY == 0:
            times[k], true_pa[k], lagged_pa[k] = now, gauge, lagged
            duties[k], vents[k], phases[k] = duty, 1.0 if is_shut else 0.0, phase
            k += 1
        y = vapor / moles
        kg_mol = y * VAPOR_KG_MOL + (1.0 - y) * AIR_KG_MOL
        share = tank.vent_shut_share if is_shut else tank.vent_open_share
        drop = abs(gauge)
        if gauge < 0.0:
            flow_in = hole_mol_s(tank, drop, tank.air_pa, tank.ambient_k, AIR_KG_MOL)
            flow_in += vent_mol_s(tank, drop, share, tank.ambient_k)
            flow_out = 0.0
        else:
            flow_in = 0.0
            flow_out = hole_mol_s(tank, drop, p, gas_k, kg_mol) + vent_mol_s(tank, drop, share, gas_k)
        most = 0.5 * drop * volume / (GAS_J_MOL_K * gas_k) / STEP_S
        flow_in, flow_out = min(flow_in, most), min(flow_out, most)
        flow_out += purge_mol_s(tank, p, gas_k, max(duty, tank.purge_shut_share), kg_mol)
        need_pa = saturated_pa(tank, film_k) - y * p
        evaporated = tank.transfer_m_s * tank.surface_m2 * need_pa / (GAS_J_MOL_K * film_k)
        carbon_mol_pa = tank.carbon_share * tank.head_m3 / (GAS_J_MOL_K * tank.ambient_k)
        given = (held - carbon_mol_pa * gauge) / tank.carbon_s
        held -= given * STEP_S
        heat = tank.wall_w_k * (tank.wall_k - gas_k) + tank.surface_w_k * (film_k - gas_k)
        heat += flow_in * (AIR_CP * tank.ambient_k - AIR_CV * gas_k) - flow_out * GAS_J_MOL_K * gas_k
        heat += evaporated * (VAPOR_CP * film_k - VAPOR_CV * gas_k)
        heat += given * GAS_J_MOL_K * gas_k - p * (volume - volume_before) / STEP_S
        gas_k += STEP_S * heat / (air * AIR_CV + vapor * VAPOR_CV)
        bulk_k = tank.fuel_k + tank.fuel_k_s * now
        film_heat = tank.film_w_k * (bulk_k - film_k) - evaporated * LATENT_J_MOL
        film_k += STEP_S * film_heat / tank.film_j_k
        air += STEP_S * (flow_in - flow_out * (1.0 - y) + given * (1.0 - y))
        vapor += STEP_S * (evaporated - flow_out * y + given * y)
        total_in += STEP_S * (flow_in - flow_out + evaporated + given)
        crept += STEP_S * (tank.creep_m3_pa * gauge - crept) / tank.creep_s
        last = i
    balance = (air + vapor - start_mol - total_in) / start_mol
    return times[:k], true_pa[:k], lagged_pa[:k], duties[:k], vents[:k], phases[:k], balance, last * STEP_S
