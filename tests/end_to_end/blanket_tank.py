"""A fuel tank that breathes through carbon: gas over a blanket of vapor, walls of three warmths, walls that give.

Whatever is known here comes from textbooks by memory. One gas space at one pressure; its lowest centimeters are a
blanket of heavy vapor through which fuel must pass to reach the rest (film of Stefan's law below, weak mixing above);
roof, side and fuel warm or cool the gas, by natural convection where the warmer is below and hardly where it is above;
dissolved air leaves the fuel slowly, bubbles rise when the fuel is oversaturated; the wall gives at once and creeps;
carbon holds air as well as a space several times its own, part of it at once and part late; purge draws beside the
carbon, from a choked manifold or an ejector that stalls.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from tests.end_to_end.blanket_holes import air_viscosity_pa_s, flow_slope_m3_s_pa, hole_flow_m3_s

R = 8.314
CP_AIR = 29.1
CP_VAPOR = 110.0  # between butane and pentane [J/mol/K]
LATENT_J_MOL = 26_000.0
AIR_KG_MOL = 0.02897
VAPOR_KG_MOL = 0.066
RISE_PER_K = 3100.0  # vapor pressure as exp(-3100 K / T), gasoline, from memory

REST, CLOSED, DRAW, PAUSE, HOLD, RELEASE = 0, 1, 2, 3, 4, 5


class Tank(NamedTuple):
    """One tank as it stands in the bay: SI units; `*_share` of a valve are what it lets by against fully open."""

    gas_m3: float  # gas of tank, neck and lines when nothing pulls
    give_m3_pa: float  # wall, at once
    creep_m3_pa: float  # wall, late
    creep_s: float
    fuel_m3: float
    surface_m2: float
    roof_m2: float
    side_m2: float
    blanket_m: float
    air_pa: float
    air_drift_pa_s: float
    ambient_k: float
    roof_k: float
    side_k: float
    fuel_k: float
    fuel_warms_k_s: float
    radiates_w_m2_k: float
    convects_w: float  # factor of dT^(1/3) [W/m2/K^(4/3)]
    vapor_pa: float  # of the fuel at 293 K
    rest_share: float  # of saturation that the gas has reached when the test begins
    film_m_s: float
    mixing_m_s: float
    dissolved_share: float  # of the fuel's volume, as gas
    outgas_s: float
    bubble_mol_s_pa: float
    bubble_from_pa: float
    carbon_m3: float  # gas of bed and housing and what carbon takes at once
    late_carbon_m3: float
    late_carbon_s: float
    line_r1: float  # Pa s/m3
    line_r2: float  # Pa s2/m6
    bed_r1: float
    bed_r2: float
    purge_mol_s: float
    purge_dead_share: float
    manifold_pa: float  # 0: an ejector
    stall_pa: float
    purge_shut_share: float
    purge_open_share: float
    purge_lag_s: float
    vent_shut_share: float
    vent_open_share: float
    vent_lag_s: float
    relief_pa: float
    hole_m: float
    hole_depth_m: float
    hole_discharge: float
    crack_m3_s: float  # at 1 kPa
    crack_power: float
    sensor_lag_s: float
    reading_shift_pa: float


class Course(NamedTuple):
    """What the operator and the scan tool do; times [s], duties as shares. `draws` counts draws before the hold."""

    rest_s: float
    closed_s: float
    target_pa: float
    timeout_s: float
    duty_first: float
    duty_last: float
    ramp_s: float
    pulse_s: float  # 0: steady
    draws: int
    pause_s: float
    hold_s: float
    release_s: float


@njit(cache=True)
def through(drop_pa: float, r1: float, r2: float) -> tuple[float, float]:
    """Return flow [m3/s] and its slope of drop = r1 q + r2 q |q|."""
    root = math.sqrt(r1 * r1 + 4.0 * r2 * abs(drop_pa))
    q = 2.0 * abs(drop_pa) / (r1 + root)
    return (q if drop_pa > 0 else -q), 1.0 / root


@njit(cache=True)
def vapor_pressure_pa(tank: Tank, at_k: float) -> float:
    return tank.vapor_pa * math.exp(-RISE_PER_K * (1.0 / at_k - 1.0 / 293.15))


@njit(cache=True)
def pressure_pa(tank: Tank, moles: float, gas_k: float, crept_m3: float, air_pa: float) -> float:
    """Pressure at which the gas fills the tank that gives with it."""
    b = tank.gas_m3 + crept_m3 - tank.give_m3_pa * air_pa
    if tank.give_m3_pa <= 0.0:
        return moles * R * gas_k / b
    return (-b + math.sqrt(b * b + 4.0 * tank.give_m3_pa * moles * R * gas_k)) / (2.0 * tank.give_m3_pa)


@njit(cache=True)
def heat_w(tank: Tank, gas_k: float, fuel_k: float) -> float:
    """Warmth that walls and fuel give the gas [W]; the roof convects when colder than the gas, the fuel when warmer."""
    total = 0.0
    for n in range(3):
        area = tank.roof_m2 if n == 0 else (tank.side_m2 if n == 1 else tank.surface_m2)
        wall_k = tank.roof_k if n == 0 else (tank.side_k if n == 1 else fuel_k)
        d = wall_k - gas_k
        h = tank.radiates_w_m2_k
        if n == 1 or (n == 0 and d < 0) or (n == 2 and d > 0):
            h += tank.convects_w * abs(d) ** (1.0 / 3.0)
        total += area * h * d
    return total


@njit(cache=True)
def run_tank(tank: Tank, course: Course, step_s: float, soak_s: float, most_s: float):
    """Integrate one test; return times, true gauge pressure, sensed pressure, duty, vent and phase, and what leaked.

    Arrays are of one length (steps). `ledger` holds moles in tank, carbon, let in, drawn, vented, evaporated at the
    end less at the beginning, for the check that nothing is lost.
    """
    most = int(most_s / step_s) + 2
    times, gauge, sensed = np.zeros(most), np.zeros(most), np.zeros(most)
    duties, vents, phases, leaked = np.zeros(most), np.zeros(most), np.zeros(most, np.int64), np.zeros(most)
    air = tank.air_pa
    area_k = tank.roof_m2 + tank.side_m2 + tank.surface_m2
    gas_k = tank.roof_m2 * tank.roof_k + tank.side_m2 * tank.side_k + tank.surface_m2 * tank.fuel_k
    gas_k = gas_k / area_k
    skin_k = tank.fuel_k
    saturated = min(vapor_pressure_pa(tank, skin_k) / air, 0.97)
    y_low, y_high = (0.5 + 0.5 * tank.rest_share) * saturated, tank.rest_share * saturated
    moles = air * tank.gas_m3 / (R * gas_k)
    capacity = tank.carbon_m3 / (R * tank.ambient_k)
    carbon = capacity * air
    late = tank.late_carbon_m3 / (R * tank.ambient_k) * air
    in_fuel = tank.dissolved_share * tank.fuel_m3 / (R * tank.fuel_k) * air * (1.0 - y_high)
    crept, p, before_p = 0.0, air, air
    low_moles = air * tank.blanket_m * tank.surface_m2 / (R * gas_k)
    purge, vent, lagged = 0.0, tank.vent_open_share, 0.0
    phase, since, draws_left, n = REST, -soak_s, course.draws, 0
    t, total_leak = -soak_s, 0.0
    let_in = drawn = vented = evaporated = 0.0
    tank_0, carbon_0, late_0 = moles, carbon, late
    mu = air_viscosity_pa_s(tank.ambient_k)
    rho_air = air * AIR_KG_MOL / (R * tank.ambient_k)
    while n < most:
        dt = step_s if t >= -1e-9 else min(5.0 * step_s, -t)
        # --- what is told
        told = lagged + tank.reading_shift_pa
        if phase == REST and t - since >= course.rest_s + soak_s:
            phase, since = CLOSED, t
        elif phase == CLOSED and t - since >= course.closed_s:
            phase, since = DRAW, t
        elif phase == DRAW and (told <= -course.target_pa or t - since >= course.timeout_s):
            draws_left -= 1
            phase = PAUSE if draws_left > 0 else HOLD
            since = t
        elif phase == PAUSE and t - since >= course.pause_s:
            phase, since = DRAW, t
        elif phase == HOLD and t - since >= course.hold_s:
            phase, since = RELEASE, t
        elif phase == RELEASE and t - since >= course.release_s:
            break
        duty = 0.0
        if phase == DRAW:
            risen = 1.0 if course.ramp_s <= 0.0 else min(1.0, (t - since) / course.ramp_s)
            duty = course.duty_first + (course.duty_last - course.duty_first) * risen
            if course.pulse_s > 0.0 and ((t - since) % (2.0 * course.pulse_s)) >= course.pulse_s:
                duty = 0.0
        vent_told = 1.0 if phase in (REST, RELEASE) else 0.0
        # --- valves
        want = max(0.0, duty - tank.purge_dead_share) / (1.0 - tank.purge_dead_share) * tank.purge_open_share
        want = max(want, tank.purge_shut_share)
        purge += (want - purge) * (1.0 - math.exp(-dt / tank.purge_lag_s))
        vent_want = tank.vent_open_share if vent_told > 0.5 else tank.vent_shut_share
        vent += (vent_want - vent) * (1.0 - math.exp(-dt / tank.vent_lag_s))
        air = tank.air_pa + tank.air_drift_pa_s * max(t, 0.0)
        # --- flows [mol/s]
        density = p / (R * gas_k)
        carbon_pa = carbon / capacity
        line_q, line_slope = through(p - carbon_pa, tank.line_r1, tank.line_r2)
        line_n, line_s = line_q * density, line_slope * density
        vent_n, vent_s = 0.0, 0.0
        if vent > 1e-7:
            vent_q, vent_slope = through(carbon_pa - air, tank.bed_r1 / vent, tank.bed_r2 / (vent * vent))
            vent_n, vent_s = vent_q * density, vent_slope * density
        pull = carbon_pa / air
        if tank.manifold_pa > 0.0:
            ratio = tank.manifold_pa / max(carbon_pa, 1.0)
            if ratio > 0.53:
                pull *= math.sqrt(max(0.0, 1.0 - ((ratio - 0.53) / 0.47) ** 2))
        else:
            pull = max(0.0, 1.0 - (air - carbon_pa) / tank.stall_pa)
        purge_n = purge * tank.purge_mol_s * pull
        late_n = (tank.late_carbon_m3 / (R * tank.ambient_k) * carbon_pa - late) / tank.late_carbon_s
        gain = dt / capacity
        rise = gain * (line_n - vent_n - purge_n - late_n) / (1.0 + gain * (line_s + vent_s))
        line_n -= line_s * rise
        vent_n += vent_s * rise
        carbon += dt * (line_n - vent_n - purge_n - late_n)
        late += dt * late_n
        drop = air - p
        rho = rho_air if drop > 0 else density * (AIR_KG_MOL + (VAPOR_KG_MOL - AIR_KG_MOL) * y_high)
        hole_q = hole_flow_m3_s(abs(drop), tank.hole_m, tank.hole_depth_m, tank.hole_discharge, rho, mu)
        hole_q += tank.crack_m3_s * (abs(drop) / 1000.0) ** tank.crack_power
        relief_q = max(0.0, drop - tank.relief_pa) * 1e-6
        # A wide hole would swing about no drop within a step: as much less as its own flow takes off the drop.
        slope = flow_slope_m3_s_pa(abs(drop), tank.hole_m, tank.hole_depth_m, tank.hole_discharge, rho, mu)
        hole_q /= 1.0 + dt * slope * p / (tank.gas_m3 + tank.carbon_m3)
        leak_n = hole_q * (air / (R * tank.ambient_k) if drop > 0 else -density)
        relief_n = relief_q * air / (R * tank.ambient_k)
        # --- vapor
        saturated = min(vapor_pressure_pa(tank, skin_k) / p, 0.97)
        evap_n = tank.film_m_s * tank.surface_m2 * density * math.log((1.0 - y_low) / (1.0 - saturated))
        dissolved_pa = in_fuel * R * tank.fuel_k / max(tank.dissolved_share * tank.fuel_m3, 1e-9)
        over = vapor_pressure_pa(tank, tank.fuel_k) + dissolved_pa - p - tank.bubble_from_pa
        bubble_n = tank.bubble_mol_s_pa * max(0.0, over)
        out_n = (
            in_fuel - tank.dissolved_share * tank.fuel_m3 / (R * tank.fuel_k) * p * (1.0 - y_high)
        ) / tank.outgas_s
        bubble_air_n = bubble_n * max(0.0, 1.0 - saturated)
        in_fuel -= dt * (out_n + bubble_air_n)
        vapor_n = evap_n + bubble_n - bubble_air_n
        air_n = out_n + bubble_air_n
        # --- the blanket and what is above it
        now_low = p * tank.blanket_m * tank.surface_m2 / (R * gas_k)
        up_n = vapor_n - (now_low - low_moles) / dt
        low_moles = now_low
        mixing_n = tank.mixing_m_s * tank.surface_m2 * density * (y_low - y_high)
        y_low_rate = (vapor_n * (1.0 - y_low) - mixing_n + max(-up_n, 0.0) * (y_high - y_low)) / low_moles
        fresh_n = max(leak_n, 0.0) + relief_n + air_n + max(-line_n, 0.0)
        high_moles = max(moles - low_moles, 0.2 * moles)
        y_high_rate = (mixing_n + max(up_n, 0.0) * (y_low - y_high) - fresh_n * y_high) / high_moles
        # --- warmth
        y = (y_low * low_moles + y_high * high_moles) / (low_moles + high_moles)
        cp = CP_AIR + (CP_VAPOR - CP_AIR) * y
        warmth = heat_w(tank, gas_k, skin_k)
        warmth += (max(leak_n, 0.0) + relief_n + max(-line_n, 0.0)) * (
            CP_AIR * (tank.ambient_k - gas_k) + R * gas_k
        )
        warmth += vapor_n * (CP_VAPOR * (skin_k - gas_k) + R * gas_k)
        warmth += air_n * (CP_AIR * (tank.fuel_k - gas_k) + R * gas_k)
        warmth -= (max(line_n, 0.0) + max(-leak_n, 0.0)) * R * gas_k
        warmth -= p * tank.give_m3_pa * (p - before_p) / dt
        gas_rate = warmth / (moles * (cp - R))
        skin_heat = 4400.0 * tank.surface_m2
        fuel_k = tank.fuel_k + tank.fuel_warms_k_s * max(t, 0.0)
        skin_k += dt * (40.0 * tank.surface_m2 * (fuel_k - skin_k) - LATENT_J_MOL * vapor_n) / skin_heat
        crept += (tank.creep_m3_pa * (p - air) - crept) * (1.0 - math.exp(-dt / tank.creep_s))
        moles += dt * (leak_n + relief_n + vapor_n + air_n - line_n)
        gas_k += dt * gas_rate
        y_low = min(max(y_low + dt * y_low_rate, 0.0), 0.97)
        y_high = min(max(y_high + dt * y_high_rate, 0.0), 0.97)
        before_p = p
        p = pressure_pa(tank, moles, gas_k, crept, air)
        lagged += (p - air - lagged) * (1.0 - math.exp(-dt / tank.sensor_lag_s))
        let_in += dt * (leak_n + relief_n)
        drawn += dt * purge_n
        vented += dt * vent_n
        evaporated += dt * (vapor_n + air_n)
        t += dt
        if t > 1e-9:
            total_leak += dt * leak_n
            times[n], gauge[n], sensed[n], duties[n], vents[n] = t, p - air, lagged, duty, vent_told
            phases[n], leaked[n] = phase, total_leak
            n += 1
    ledger = np.array(
        [moles - tank_0, carbon - carbon_0 + late - late_0, let_in, drawn, vented, evaporated, moles, gas_k]
    )
    return times[:n], gauge[:n], sensed[:n], duties[:n], vents[:n], phases[:n], leaked[:n], ledger
