"""The gas of a dome: tank, canister before and behind its carbon, and what flows between them and the world.

Three gas rooms. The tank holds air and fuel vapor at a temperature of its own; roof, flanks and the film on the liquid
trade heat with it, each at its own temperature; the film gives vapor by difference of partial pressures, cools by what
it gives and is warmed from below; the walls give way, at once and by creep. The two rooms of the canister stand at
the carbon's temperature; the carbon takes up air by pressure with a delay. Between them lie a vapor line and the bed,
each losing pressure partly with the speed, partly with its square. Explicit steps of 1 ms: the stiffest room of the
fleet (vent open) answers within 1 ms or more, and every mole that leaves one room enters another.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from tests.end_to_end.dome_holes import AIR, FUEL, GAS, bed_flow, signed_flow

STEP_S, STEPS_A_LINE = 0.001, 50
DRAW, FILL, FLOW, ROUTINE = 0, 1, 2, 3
TANK, BEFORE, BEHIND = 0, 1, 2
#: Molar heats at constant volume [J/(mol K)] (diatomic 5/2 R; pentane from memory) and heat of evaporation [J/mol].
AIR_CV, FUEL_CV, LATENT = 20.8, 105.0, 25000.0
#: One standard litre a minute [mol/s], at 20 °C and 101.325 kPa as the contract has it.
STD_L_MIN = 101325.0 * 1e-3 / 60.0 / (GAS * 293.15)


class Tank(NamedTuple):
    """One vehicle on one day; SI units, pressures absolute unless told."""

    outside_pa: float
    outside_k: float
    gas_m3: float
    gas_k: float
    roof_k: float
    flank_k: float
    liquid_k: float
    warming_k_s: float
    roof_w_k: float
    flank_w_k: float
    film_w_k: float
    film_j_k: float
    film_s: float
    vapor_a: float
    vapor_b: float
    vapor_share: float
    vapor_m3_s: float
    give_m3_pa: float
    creep_m3_pa: float
    creep_s: float
    before_m3: float
    behind_m3: float
    sorbed_m3: float
    sorbing_s: float
    line_plain: float
    line_square: float
    bed_plain: float
    bed_square: float
    vent_plain: float
    vent_square: float
    vent_lag_s: float
    purge_m2: float
    purge_lag_s: float
    passing_m2: float
    manifold_pa: float
    relief_pa: float
    sensor_s: float
    hole_place: int
    hole_shape: int
    hole_m: float
    hole_long_m: float


class Course(NamedTuple):
    """What the operator does; times [s], pressures gauge [Pa], flows [mol/s]."""

    kind: int
    rest_s: float
    closed_s: float
    target_pa: float
    timeout_s: float
    first_hold_s: float
    hold_s: float
    release_s: float
    duty: float
    ramp_s: float
    stairs: int
    feed_mol_s: float
    feed_place: int
    droop_mol_s_pa: float


@njit(cache=True)
def nozzle(area_m2: float, p_up: float, p_down: float, t_up: float, molar: float) -> float:
    """Return the flow through a valve [mol/s], choked where the ratio says so (isentropic, gamma 1.4)."""
    if area_m2 <= 0.0 or p_up <= p_down:
        return 0.0
    r = max(p_down / p_up, 0.5283)
    speed = np.sqrt(7.0 * (r ** (10.0 / 7.0) - r ** (12.0 / 7.0)))
    return area_m2 * p_up * speed / np.sqrt(GAS * t_up * molar)


@njit(cache=True)
def tank_pressure(moles: float, t_k: float, tank: Tank, crept_m3: float) -> float:
    """Return the pressure at which moles, temperature and the room that the walls leave agree [Pa]."""
    room = tank.gas_m3 + crept_m3 - tank.give_m3_pa * tank.outside_pa
    if tank.give_m3_pa <= 0.0:
        return moles * GAS * t_k / room
    root = np.sqrt(room * room + 4.0 * tank.give_m3_pa * moles * GAS * t_k)
    return (root - room) / (2.0 * tank.give_m3_pa)


@njit(cache=True)
def run(tank: Tank, course: Course, most_s: float):
    """Return lines every 50 ms: t, tank gauge, sensed gauge, duty command, vent command, feed, stage, moles, T, vapor.

    Stages: 0 rest, 1 closed, 2 draw or feed, 3 hold, 4 release.
    """
    n_lines = int(most_s / (STEP_S * STEPS_A_LINE)) + 2
    out = np.zeros((n_lines, 10))
    p0 = tank.outside_pa
    vapor_pa = tank.vapor_share * np.exp(tank.vapor_a - tank.vapor_b / tank.liquid_k)
    t_gas, film, bulk = tank.gas_k, tank.liquid_k, tank.liquid_k
    fuel = vapor_pa * tank.gas_m3 / (GAS * t_gas)
    air = (p0 - vapor_pa) * tank.gas_m3 / (GAS * t_gas)
    per_pa_before = tank.before_m3 / (GAS * tank.outside_k)
    per_pa_behind = tank.behind_m3 / (GAS * tank.outside_k)
    before_air, before_fuel, behind = p0 * per_pa_before * 0.8, p0 * per_pa_before * 0.2, p0 * per_pa_behind
    sorb = 0.5 * tank.sorbed_m3 / (GAS * tank.outside_k)
    taken_before, taken_behind = sorb * p0, sorb * p0
    crept, duty, vent_open, sensed = 0.0, 0.0, 1.0, 0.0
    stage, since, draws = 0, 0.0, 0
    heard_duty, is_shut, feed = 0.0, False, 0.0
    p = p0
    step, line, t = 0, 0, 0.0
    while t < most_s:
        # the operator
        since += STEP_S
        if course.kind != ROUTINE:
            if stage == 0 and since >= course.rest_s:
                stage, since, is_shut = 1, 0.0, True
            elif stage == 1 and since >= course.closed_s:
                stage, since = 2, 0.0
                draws += 1
            elif stage == 2:
                is_done = since >= course.timeout_s
                if course.kind == DRAW:
                    is_done = is_done or -sensed >= course.target_pa
                elif course.kind == FILL:
                    is_done = is_done or sensed >= course.target_pa
                if is_done:
                    stage, since = (4, 0.0) if course.kind == FLOW else (3, 0.0)
                    is_shut = stage == 3
            elif stage == 3:
                if draws == 1 and course.first_hold_s > 0.0 and since >= course.first_hold_s:
                    stage, since = 2, 0.0
                    draws += 1
                elif since >= course.hold_s and (draws > 1 or course.first_hold_s <= 0.0):
                    stage, since, is_shut = 4, 0.0, False
            elif stage == 4 and since >= course.release_s:
                break
            heard_duty = 0.0
            if stage == 2 and course.kind == DRAW:
                share = 1.0 if course.ramp_s <= 0.0 else min(1.0, since / course.ramp_s)
                if course.stairs > 0:
                    share = min(1.0, np.floor(share * course.stairs + 1.0) / course.stairs)
                heard_duty = course.duty * share
        else:
            heard_duty = course.duty * max(0.0, np.sin(2.0 * np.pi * (t / course.ramp_s + 0.1)))
        duty += (heard_duty - duty) * STEP_S / tank.purge_lag_s
        vent_open += ((0.0 if is_shut else 1.0) - vent_open) * STEP_S / tank.vent_lag_s
        # flows between the rooms [mol/s]
        p_before = (before_air + before_fuel) / per_pa_before
        p_behind = behind / per_pa_behind
        molar = (air * AIR + fuel * FUEL) / (air + fuel)
        line_q = bed_flow(p - p_before, tank.line_plain, tank.line_square)
        bed_q = bed_flow(p_before - p_behind, tank.bed_plain, tank.bed_square)
        vent_q = 0.0
        if vent_open > 0.02:
            vent_q = bed_flow(
                p_behind - p0, tank.vent_plain / vent_open, tank.vent_square / (vent_open * vent_open)
            )
        lifted = max(0.0, duty - 0.06) / 0.94
        purge_q = nozzle(
            tank.purge_m2 * lifted + tank.passing_m2, p_before, tank.manifold_pa, tank.outside_k, AIR
        )
        hole = (0.0, 0.0, 0.0)
        if tank.hole_m > 0.0:
            inner = p if tank.hole_place == TANK else (p_before if tank.hole_place == BEFORE else p_behind)
            inner_k = t_gas if tank.hole_place == TANK else tank.outside_k
            inner_m = molar if tank.hole_place == TANK else AIR
            q = signed_flow(
                tank.hole_shape, tank.hole_m, tank.hole_long_m, inner, inner_k, inner_m, p0, tank.outside_k
            )
            hole = (
                q if tank.hole_place == TANK else 0.0,
                q if tank.hole_place == BEFORE else 0.0,
                q if tank.hole_place == BEHIND else 0.0,
            )
        if p - p0 < -tank.relief_pa:
            hole = (hole[0] + (p - p0 + tank.relief_pa) * 2e-6, hole[1], hole[2])
        elif p - p0 > 2.0 * tank.relief_pa:
            hole = (hole[0] + (p - p0 - 2.0 * tank.relief_pa) * 2e-6, hole[1], hole[2])
        feed = 0.0
        if stage == 2 and course.kind == FILL:
            feed = course.feed_mol_s
        elif stage == 2 and course.kind == FLOW:
            feed = min(course.feed_mol_s, max(0.0, (course.target_pa - (p - p0)) * course.droop_mol_s_pa))
        # the tank: amounts, then heat
        fuel_share, before_share = fuel / (air + fuel), before_fuel / (before_air + before_fuel)
        fed_tank = feed if course.feed_place == TANK else 0.0
        given = tank.vapor_m3_s * (np.exp(tank.vapor_a - tank.vapor_b / film) - p * fuel_share)
        given /= GAS * t_gas * max(0.15, 1.0 - fuel_share)
        air_in, fuel_in, heat = fed_tank, given, 0.0
        heat += fed_tank * ((AIR_CV + GAS) * tank.outside_k - AIR_CV * t_gas)
        heat += given * ((FUEL_CV + GAS) * film - FUEL_CV * t_gas)
        for q, share, k in ((line_q, before_share, tank.outside_k), (hole[0], 0.0, tank.outside_k)):
            if q >= 0.0:
                air_in -= q * (1.0 - fuel_share)
                fuel_in -= q * fuel_share
                heat -= q * GAS * t_gas
            else:
                air_in -= q * (1.0 - share)
                fuel_in -= q * share
                heat -= q * (1.0 - share) * ((AIR_CV + GAS) * k - AIR_CV * t_gas)
                heat -= q * share * ((FUEL_CV + GAS) * k - FUEL_CV * t_gas)
        heat += tank.roof_w_k * (tank.roof_k - t_gas) + tank.flank_w_k * (tank.flank_k - t_gas)
        heat += tank.film_w_k * (film - t_gas)
        crept_new = crept
        if tank.creep_m3_pa > 0.0:
            crept_new += (tank.creep_m3_pa * (p - p0) - crept) * STEP_S / tank.creep_s
        capacity = air * AIR_CV + fuel * FUEL_CV
        air += air_in * STEP_S
        fuel += fuel_in * STEP_S
        p_new = tank_pressure(air + fuel, t_gas + heat * STEP_S / capacity, tank, crept_new)
        work = p * (tank.give_m3_pa * (p_new - p) + crept_new - crept)
        t_gas += (heat * STEP_S - work) / capacity
        crept = crept_new
        bulk += tank.warming_k_s * STEP_S
        film += STEP_S * (
            (bulk - film) / tank.film_s + (tank.film_w_k * (t_gas - film) - given * LATENT) / tank.film_j_k
        )
        # the canister: carbon takes the vapor out of what goes on to the fresh side
        fed_before = feed - fed_tank
        up_before = (sorb * p_before - taken_before) / tank.sorbing_s
        up_behind = (sorb * p_behind - taken_behind) / tank.sorbing_s
        taken_before += up_before * STEP_S
        taken_behind += up_behind * STEP_S
        if line_q >= 0.0:
            before_air += line_q * (1.0 - fuel_share) * STEP_S
            before_fuel += line_q * fuel_share * STEP_S
        else:
            before_air += line_q * (1.0 - before_share) * STEP_S
            before_fuel += line_q * before_share * STEP_S
        lost = purge_q + max(0.0, hole[1])
        before_air += (
            -lost * (1.0 - before_share) - min(0.0, hole[1]) + fed_before - up_before - bed_q
        ) * STEP_S
        before_fuel -= lost * before_share * STEP_S
        behind += (bed_q - vent_q - hole[2] - up_behind) * STEP_S
        p = tank_pressure(air + fuel, t_gas, tank, crept)
        sensed += (p - p0 - sensed) * STEP_S / tank.sensor_s
        if step % STEPS_A_LINE == 0:
            out[line, 0], out[line, 1], out[line, 2], out[line, 3] = t, p - p0, sensed, heard_duty
            out[line, 4], out[line, 5], out[line, 6] = 1.0 if is_shut else 0.0, feed, stage
            out[line, 7] = air + fuel + before_air + before_fuel + behind + taken_before + taken_behind
            out[line, 8], out[line, 9] = t_gas, p * fuel / (air + fuel)
            line += 1
        step += 1
        t = step * STEP_S
    return out[:line]


def true_volume_m3(tank: Tank) -> float:
    """Return the volume of gas that would change its pressure as this system does when given time [m3]."""
    rooms = tank.gas_m3 + tank.before_m3 + tank.behind_m3 + tank.sorbed_m3
    return rooms + (tank.give_m3_pa + tank.creep_m3_pa) * tank.outside_pa
