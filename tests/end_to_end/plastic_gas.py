"""A tank of plastic that gives, its canister behind a line, fuel that evaporates through a film, and their valves.

Written by somebody who has not read the project's estimator, its physics or its simulator. Two pressures (tank and
canister), air and three hydrocarbons in the gas, a surface layer of fuel that cools and grows poor, walls that give
at once and late, vapor that a canister gives back, holes of five kinds. Each step solves both pressures at once by
linearized flows, and books moles and heat by what flowed. Everything that is compiled stands in this one file:
what is kept compiled is made anew when its own file changes, not when another one does.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

GAS_J_MOL_K = 8.314462
VISCOSITY_PA_S = 1.82e-5
CD_HIGH = 0.61
TICK_S = 0.005
ROW_TICKS = 4
ROW_S = TICK_S * ROW_TICKS
SETTLE_TICKS = 20
CALM_AFTER_S, STILL_AFTER_S = 2.0, 10.0
STILLER = 4
SLOPE_OVER_PA = 0.02

#: Of air, butane, pentane and hexane: mass [kg/mol]; vapor pressure at 298.15 K [Pa], latent heat and heat capacity.
KG_MOL = np.array([0.0289, 0.0581, 0.0722, 0.0862])
VAPOR_PA = np.array([0.0, 243e3, 91e3, 20.2e3])
LATENT_J_MOL = np.array([0.0, 22.4e3, 26.0e3, 31.0e3])
CP_J_MOL_K = np.array([29.1, 101.0, 122.0, 146.0])

REST, PREOPEN, CLOSED, DRAW, HOLD, RELEASE, OVER = range(7)
DRAW_DOWN, FILL, STEADY_FLOW, DRIVE, CLICK = range(5)
NO_HOLE, SHARP, TUBE, SLIT, GIVES, BELOW_LIQUID = range(6)

compiled = njit(cache=True, error_model="numpy", fastmath=True)


@compiled
def discharge(reynolds):
    """Return the coefficient of a sharp-edged hole: 0.163 sqrt(Re) in creeping flow, a hump, 0.61 at high Re."""
    if reynolds < 1e-9:
        return 1e-6
    turbulent = CD_HIGH + 0.115 * math.exp(-((0.65 * reynolds / 1400.0) ** 0.6))
    creeping = 37.7 / reynolds
    return 1 / (0.5 * (creeping + math.sqrt(creeping * creeping + 4 / (turbulent * turbulent))))


@compiled
def orifice(drop_pa, hole_m, kg_m3, upstream_pa):
    """Return kg/s through a sharp-edged hole, `drop_pa` not below zero."""
    if hole_m <= 0 or drop_pa <= 0:
        return 0.0
    speed = math.sqrt(2 * drop_pa / kg_m3)
    c = discharge(kg_m3 * speed * hole_m / VISCOSITY_PA_S)
    expansion = 1 - 0.41 * drop_pa / (1.38 * upstream_pa)
    return c * 0.7853981633974483 * hole_m * hole_m * expansion * kg_m3 * speed


@compiled
def _speed(drop_pa, friction, kg_m3):
    """Return m/s where the drop is 1.5 heads of speed and laminar friction."""
    a = 0.75 * kg_m3
    return (-friction + math.sqrt(friction * friction + 4 * a * drop_pa)) / (2 * a)


@compiled
def leak_kg_s(kind, drop_pa, a, b, c, kg_m3, upstream_pa, is_inward):
    """Return kg/s of a hole.

    By kind: sharp (a m wide); tube (a wide, b long); slit (a high, b wide, c deep); one that gives (its area
    changes by the share b per 2 kPa); one below the liquid, which lets air in from b Pa on.
    """
    if kind == NO_HOLE or drop_pa <= 0:
        return 0.0
    if kind == SHARP:
        return orifice(drop_pa, a, kg_m3, upstream_pa)
    if kind == TUBE:
        friction = 32 * VISCOSITY_PA_S * b / (a * a)
        return 0.7853981633974483 * a * a * kg_m3 * _speed(drop_pa, friction, kg_m3)
    if kind == SLIT:
        return a * b * kg_m3 * _speed(drop_pa, 12 * VISCOSITY_PA_S * c / (a * a), kg_m3)
    if kind == GIVES:
        area = min(max(1 + b * (drop_pa - 2000.0) / 2000.0, 0.15), 2.2)
        return orifice(drop_pa, a * math.sqrt(area), kg_m3, upstream_pa)
    return orifice(drop_pa - b, a, kg_m3, upstream_pa) if is_inward > 0 else 0.0


@compiled
def _leak(p, drop_pa, kg_m3_in, kg_m3_out):
    """Return kg/s of air in, or less than zero of gas out."""
    if drop_pa >= 0:
        return leak_kg_s(p.leak_kind, drop_pa, p.leak_a, p.leak_b, p.leak_c, kg_m3_in, p.ambient_pa, 1.0)
    up = p.ambient_pa - drop_pa
    return -leak_kg_s(p.leak_kind, -drop_pa, p.leak_a, p.leak_b, p.leak_c, kg_m3_out, up, 0.0)


@compiled
def _passage(drop_pa, wide_m, linear, kg_m3):
    """Return signed kg/s of a line or filter: a drop with the square of the flow and one in line with it."""
    sign = -1.0 if drop_pa < 0 else 1.0
    drop_pa = abs(drop_pa)
    if wide_m <= 0 or drop_pa <= 0:
        return 0.0
    area = 0.7853981633974483 * wide_m * wide_m * 0.65
    a = 1 / (2 * kg_m3 * area * area)
    b = linear + 12 * math.pi * VISCOSITY_PA_S / (kg_m3 * wide_m**3) / 2
    return sign * (-b + math.sqrt(b * b + 4 * a * drop_pa)) / (2 * a)


@compiled
def _nozzle(up_pa, down_pa, wide_m, kelvin, kg_mol, gamma):
    """Return kg/s through a valve, choked where the ratio of pressures is low."""
    if wide_m <= 0 or up_pa <= down_pa:
        return 0.0
    r = max(down_pa / up_pa, (2 / (gamma + 1)) ** (gamma / (gamma - 1)))
    area = 0.7853981633974483 * wide_m * wide_m * 0.80
    speed = math.sqrt(2 * gamma / (gamma - 1) * (r ** (2 / gamma) - r ** ((gamma + 1) / gamma)))
    return area * up_pa * math.sqrt(kg_mol / (GAS_J_MOL_K * kelvin)) * speed


@compiled
def _vapor_pa(i, share, kelvin):
    return share * VAPOR_PA[i] * math.exp(-LATENT_J_MOL[i] / GAS_J_MOL_K * (1 / kelvin - 1 / 298.15))


@compiled
def _fill_with_gas(p, s, gas, layer, bulk):
    """Begin vented, gas near saturation with its fuel (at most three quarters of the air's pressure)."""
    bulk[1], bulk[2], bulk[3] = p.butane, p.pentane, p.hexane
    s.fuel_k = s.surface_k = p.fuel_k
    s.gas_k, s.wall_k = 0.6 * p.fuel_k + 0.4 * p.wall_k, p.wall_k
    partial, total = np.zeros(4), 0.0
    for i in range(1, 4):
        partial[i] = p.saturation * _vapor_pa(i, bulk[i], s.surface_k)
        total += partial[i]
    much = 0.75 * p.ambient_pa / total if total > 0.75 * p.ambient_pa else 1.0
    partial, total = partial * much, total * much
    for i in range(1, 4):
        bulk[i] *= much
        layer[i] = bulk[i]
    s.tank_pa = s.canister_pa = s.sensed_pa = p.ambient_pa + p.start_pa
    partial[0] = s.tank_pa - total
    s.volume_m3 = p.volume_m3 + p.wall_m3_pa * (s.tank_pa - p.ambient_pa)
    for i in range(4):
        gas[i] = partial[i] * s.volume_m3 / (GAS_J_MOL_K * s.gas_k)
    in_air = p.canister_m3 / (GAS_J_MOL_K * p.ambient_k)
    s.canister_mol = s.canister_pa * in_air
    s.adsorbed_mol = p.adsorbed * in_air * (s.canister_pa - p.ambient_pa)
    s.vent = 1.0
    s.booked_mol = -(gas.sum() + s.canister_mol + s.adsorbed_mol)


@compiled
def _commands(p, s, now):
    """Go on to the next phase where one is over; set duty, vent, pump and cap."""
    s.duty = s.vent_command = 0.0
    if p.mode == DRAW_DOWN:
        _draw_down(p, s)
    elif p.mode == FILL:
        if s.phase == REST and s.spent_s >= p.rest_s:
            s.phase, s.spent_s, s.is_pumping = CLOSED, 0.0, 1.0
        elif s.phase == CLOSED and s.is_pumping > 0 and s.tank_pa - p.ambient_pa >= p.fill_pa:
            s.phase, s.spent_s, s.is_pumping = HOLD, 0.0, 0.0
        elif s.phase == HOLD and s.spent_s >= p.hold_s:
            s.phase, s.spent_s, s.is_cap_off = RELEASE, 0.0, p.by_cap
        elif s.phase == RELEASE and s.spent_s >= p.release_s:
            s.phase = OVER
        if s.phase == CLOSED or s.phase == HOLD or (s.phase == RELEASE and p.by_cap > 0):
            s.vent_command = 1.0
    elif p.mode == DRIVE:
        if now >= p.longest_s - 1:
            s.phase = OVER
        duty = p.duty * max(0.0, math.sin(2 * math.pi * now / p.ramp_s)) if p.ramp_s > 0 else 0.0
        s.duty = duty if duty >= 0.05 else 0.0
    else:
        shut_s = p.hold_s if p.mode == STEADY_FLOW else p.closed_s
        if s.phase == REST and s.spent_s >= p.rest_s:
            s.phase, s.spent_s = CLOSED, 0.0
        elif s.phase == CLOSED and s.spent_s >= shut_s:
            s.phase, s.spent_s = RELEASE, 0.0
        elif s.phase == RELEASE and s.spent_s >= p.release_s:
            s.phase = OVER
        if s.phase == CLOSED:
            s.vent_command = 1.0


@compiled
def _draw_down(p, s):
    reading = (s.sensed_pa - p.ambient_pa) * p.sensor_gain + p.offset_pa
    is_last = s.draws >= p.n_draws
    if s.phase == REST and s.spent_s >= p.rest_s:
        s.spent_s = 0.0
        s.phase = PREOPEN if p.preopen_s > 0 else (CLOSED if p.closed_s > 0 else DRAW)
    elif (s.phase == PREOPEN and s.spent_s >= p.preopen_s) or (s.phase == CLOSED and s.spent_s >= p.closed_s):
        s.phase, s.spent_s = DRAW, 0.0
    elif s.phase == DRAW and ((reading <= p.target_pa and p.is_sensor_dead == 0) or s.spent_s >= p.timeout_s):
        s.phase, s.spent_s = HOLD, 0.0
        s.draws += 1
    elif s.phase == HOLD:
        planned = p.hold_s if is_last else p.first_hold_s
        if is_last and p.early_s > 0:
            planned = p.early_s
        if s.spent_s >= planned:
            s.phase, s.spent_s = (RELEASE if is_last else DRAW), 0.0
    elif s.phase == RELEASE and s.spent_s >= p.release_s:
        s.phase = OVER
    if s.phase == PREOPEN:
        s.duty = p.duty
    if s.phase == DRAW:
        is_ramp = p.ramp_s > 0 and s.spent_s < p.ramp_s and p.preopen_s == 0
        s.duty = p.duty * (max(0.08, s.spent_s / p.ramp_s) if is_ramp else 1.0)
    if s.phase == CLOSED or s.phase == DRAW or s.phase == HOLD:
        s.vent_command = 1.0


@compiled
def _valves(p, s, now, dt):
    """Return how wide the vent and the purge valve stand [m]."""
    wanted = max(1.0 - s.vent_command, p.vent_stuck_open)
    if p.is_vent_stuck > 0 and now > -15:
        wanted = 0.0
    s.vent += (wanted - s.vent) * min(1.0, dt / p.vent_lag_s)
    vent_m = p.seep_m
    if s.vent > 1e-3:
        vent_m = math.sqrt((p.vent_m * math.sqrt(max(s.vent, 0.0))) ** 2 + p.seep_m**2)
    on = 0.0
    if s.duty > 0:
        on = 1.0 if p.pulse_hz <= 0 or s.duty >= 0.98 or (now * p.pulse_hz) % 1.0 < s.duty else 0.0
    return vent_m, math.sqrt(on * p.purge_m**2 + p.passing_m**2)


@compiled
def _line(p, s, gas_kg_m3, behind_kg_m3, gas_kg_mol, behind_kg_mol):
    """Return mol/s from tank to canister, and its slope [mol/(s Pa)]."""
    drop = s.tank_pa - s.canister_pa
    wide = p.line_m * (0.25 if p.rollover > 0 else 1.0)
    kg_mol, kg_m3 = gas_kg_mol, gas_kg_m3
    if drop < 0:
        wide *= p.line_asymmetry
    if drop <= 0:
        kg_mol, kg_m3 = behind_kg_mol, behind_kg_m3
    flow = _passage(drop, wide, p.line_linear, kg_m3) / kg_mol
    return flow, abs(
        _passage(drop + SLOPE_OVER_PA, wide, p.line_linear, kg_m3) / kg_mol - flow
    ) / SLOPE_OVER_PA


@compiled
def _vent(p, s, vent_m, air_kg_m3, behind_kg_mol):
    """Return mol/s in through the vent, and its slope."""
    drop = p.ambient_pa - s.canister_pa
    kg_mol = KG_MOL[0] if drop >= 0 else behind_kg_mol
    linear = p.vent_linear if vent_m > 0.002 else 0.0
    flow = _passage(drop, vent_m, linear, air_kg_m3) / kg_mol
    return flow, abs(
        _passage(drop + SLOPE_OVER_PA, vent_m, linear, air_kg_m3) / kg_mol - flow
    ) / SLOPE_OVER_PA


@compiled
def _hole(p, s, air_kg_m3, gas_kg_m3, gas_kg_mol, behind_kg_mol):
    """Return mol/s in through the leak, and its slope."""
    drop = p.ambient_pa - (s.tank_pa if p.leak_behind == 0 else s.canister_pa)
    out_kg_mol = gas_kg_mol if p.leak_behind == 0 else behind_kg_mol
    kg_mol = KG_MOL[0] if drop >= 0 else out_kg_mol
    flow = _leak(p, drop, air_kg_m3, gas_kg_m3)
    slope = abs(_leak(p, drop + SLOPE_OVER_PA, air_kg_m3, gas_kg_m3) - flow) / SLOPE_OVER_PA
    return flow / kg_mol, slope / kg_mol


@compiled
def _relief(p, s, air_kg_m3):
    """Return mol/s in through the cap, off or with its relief valves, and its slope."""
    gauge = s.tank_pa - p.ambient_pa
    slope = 2e-7 / KG_MOL[0] * 50
    if s.is_cap_off > 0:
        flow = _passage(-gauge, 0.03, 0.0, air_kg_m3) / KG_MOL[0]
        return flow, abs(
            _passage(-gauge + SLOPE_OVER_PA, 0.03, 0.0, air_kg_m3) / KG_MOL[0] - flow
        ) / SLOPE_OVER_PA
    if gauge < -p.relief_vacuum_pa:
        return slope * (-p.relief_vacuum_pa - gauge), slope
    if gauge > p.relief_pa:
        return -slope * (gauge - p.relief_pa), slope
    return 0.0, 0.0


@compiled
def _evaporation(p, s, gas, layer, now, comes):
    """Fill `comes` with mol/s of each vapor through the film; return their sum and the heat that they take [W]."""
    total, heat = 0.0, 0.0
    slosh = 1.0 + 0.25 * math.sin(2 * math.pi * p.slosh_hz * now) * p.slosh_pa / 8.0
    for i in range(1, 4):
        over = _vapor_pa(i, layer[i], s.surface_k) - gas[i] * GAS_J_MOL_K * s.gas_k / s.volume_m3
        comes[i] = p.film_m_s * slosh * p.surface_m2 * over / (GAS_J_MOL_K * s.gas_k)
        total += comes[i]
        heat += comes[i] * LATENT_J_MOL[i]
    return total, heat


@compiled
def _advance(p, s, gas, layer, bulk, comes, now, dt):
    """Move tank, canister and fuel by `dt` [s] under the commands that stand."""
    vent_m, purge_m = _valves(p, s, now, dt)
    ambient, air_k = p.ambient_pa, p.ambient_k
    moles = gas.sum()
    gas_kg_mol = (gas[0] * KG_MOL[0] + gas[1] * KG_MOL[1] + gas[2] * KG_MOL[2] + gas[3] * KG_MOL[3]) / moles
    behind_kg_mol = 0.6 * KG_MOL[0] + 0.4 * gas_kg_mol if s.vent < 0.1 else KG_MOL[0]
    air_kg_m3 = ambient * KG_MOL[0] / (GAS_J_MOL_K * air_k)
    gas_kg_m3 = s.tank_pa * gas_kg_mol / (GAS_J_MOL_K * s.gas_k)
    behind_kg_m3 = s.canister_pa * behind_kg_mol / (GAS_J_MOL_K * air_k)
    swing = p.manifold_noise * math.sqrt(dt) * np.random.randn()  # noqa: NPY002 - numba's own generator, seeded in `run`
    s.manifold_noise_pa += -s.manifold_noise_pa * 0.5 * dt + swing
    manifold = min(p.manifold_pa + s.manifold_noise_pa + p.manifold_pa_s * now, ambient)
    line, line_slope = _line(p, s, gas_kg_m3, behind_kg_m3, gas_kg_mol, behind_kg_mol)
    hole, hole_slope = _hole(p, s, air_kg_m3, gas_kg_m3, gas_kg_mol, behind_kg_mol)
    vent, vent_slope = _vent(p, s, vent_m, air_kg_m3, behind_kg_mol)
    purge = _nozzle(s.canister_pa, manifold, purge_m, air_k, behind_kg_mol, 1.3) / behind_kg_mol
    purge_slope = purge / s.canister_pa
    cap, cap_slope = _relief(p, s, air_kg_m3)
    pumped = p.fill_mol_s if s.is_pumping > 0 else 0.0
    if p.mode == STEADY_FLOW and s.phase == CLOSED:
        pumped = min(p.fill_mol_s, max(0.0, (p.fill_pa - (s.tank_pa - ambient)) * 2e-6 / 0.028 * 5))
    vapor, vapor_w = _evaporation(p, s, gas, layer, now, comes)
    per_pa = p.canister_m3 / (GAS_J_MOL_K * air_k)
    desorbed = (s.adsorbed_mol - p.adsorbed * per_pa * (s.canister_pa - ambient)) / p.adsorption_s
    # Both pressures at the step's end, from flows and their slopes at its beginning.
    at_tank = 1.0 if p.leak_behind == 0 else 0.0
    tank_room = (s.volume_m3 + p.wall_m3_pa * s.tank_pa) / (1.15 * GAS_J_MOL_K * s.gas_k)
    to_tank = -line + hole * at_tank + cap + pumped + vapor
    to_canister = line + hole * (1 - at_tank) + vent - purge + desorbed
    a11 = tank_room / dt + line_slope + hole_slope * at_tank + cap_slope
    a22 = per_pa / dt + line_slope + hole_slope * (1 - at_tank) + vent_slope + purge_slope
    a22 += p.adsorbed * per_pa / p.adsorption_s
    whole = a11 * a22 - line_slope * line_slope
    tank_step = (to_tank * a22 + line_slope * to_canister) / whole
    canister_step = (a11 * to_canister + line_slope * to_tank) / whole
    line += line_slope * (tank_step - canister_step)
    hole -= hole_slope * (tank_step if at_tank > 0 else canister_step)
    cap -= cap_slope * tank_step
    vent -= vent_slope * canister_step
    purge += purge_slope * canister_step
    desorbed -= p.adsorbed * per_pa / p.adsorption_s * canister_step
    surface_w_m2_k = _exchange(p, s.surface_k - s.gas_k)
    _book_tank(p, s, gas, comes, (line, hole * at_tank, cap, pumped), surface_w_m2_k, now, dt)
    s.canister_mol += (line + vent - purge + desorbed + hole * (1 - at_tank)) * dt
    s.adsorbed_mol -= desorbed * dt
    s.canister_pa = s.canister_mol * GAS_J_MOL_K * air_k / p.canister_m3
    s.booked_mol -= (pumped + hole + cap + vent - purge + vapor) * dt
    _book_fuel(p, s, layer, bulk, comes, vapor_w, surface_w_m2_k, now, dt)
    felt = s.tank_pa if p.is_sensor_behind == 0 else s.canister_pa
    s.sensed_pa += (felt - s.sensed_pa) * min(1.0, dt / p.sensor_s)


@compiled
def _book_tank(p, s, gas, comes, flows, surface_w_m2_k, now, dt):
    """Book moles and heat of the tank's gas, and give its walls their new place."""
    line, hole, cap, pumped = flows
    moles = gas.sum()
    cp = (
        gas[0] * CP_J_MOL_K[0] + gas[1] * CP_J_MOL_K[1] + gas[2] * CP_J_MOL_K[2] + gas[3] * CP_J_MOL_K[3]
    ) / moles
    cv = cp - GAS_J_MOL_K
    air_in = pumped + max(-line, 0.0) + max(hole, 0.0) + max(cap, 0.0)
    out = max(line, 0.0) + max(-hole, 0.0) + max(-cap, 0.0)
    for i in range(4):
        gas[i] -= out * dt * gas[i] / moles
    gas[0] += air_in * dt
    watt = air_in * (CP_J_MOL_K[0] * p.ambient_k - (CP_J_MOL_K[0] - GAS_J_MOL_K) * s.gas_k)
    watt -= out * GAS_J_MOL_K * s.gas_k
    for i in range(1, 4):
        gas[i] = max(gas[i] + comes[i] * dt, 0.0)
        from_k = s.surface_k if comes[i] > 0 else s.gas_k
        watt += comes[i] * (CP_J_MOL_K[i] * from_k - (CP_J_MOL_K[i] - GAS_J_MOL_K) * s.gas_k)
    watt += _exchange(p, s.wall_k - s.gas_k) * p.wall_m2 * (s.wall_k - s.gas_k)
    watt += surface_w_m2_k * p.surface_m2 * (s.surface_k - s.gas_k)
    moles = gas.sum()
    before = s.volume_m3
    s.late_m3 += (p.late_m3_pa * (s.tank_pa - p.ambient_pa) - s.late_m3) * dt / p.late_s
    swing = p.swing * p.volume_m3 * math.sin(2 * math.pi * p.slosh_hz * now) * 1e-6
    s.gas_k += watt * dt / (moles * cv)
    at_rest = p.volume_m3 + s.late_m3 + swing - p.wall_m3_pa * p.ambient_pa
    work = moles * GAS_J_MOL_K * s.gas_k
    s.tank_pa = work / at_rest
    if p.wall_m3_pa > 1e-12:
        root = math.sqrt(at_rest * at_rest + 4 * p.wall_m3_pa * work)
        s.tank_pa = (-at_rest + root) / (2 * p.wall_m3_pa)
    s.volume_m3 = at_rest + p.wall_m3_pa * s.tank_pa
    s.gas_k += -s.tank_pa * (s.volume_m3 - before) / (moles * cv)


@compiled
def _exchange(p, warmer_k):
    """Return W/(m2 K) between gas and a wall: still air, and convection."""
    return p.heat_w_m2_k + p.convection * abs(warmer_k) ** 0.3333


@compiled
def _book_fuel(p, s, layer, bulk, comes, vapor_w, surface_w_m2_k, now, dt):
    """Let the surface layer lose what evaporated, and take after the fuel below; fuel and walls warm."""
    moles = p.layer_m * p.surface_m2 * 7000.0
    heat = p.layer_m * p.surface_m2 * 740.0 * 2100.0
    for i in range(1, 4):
        layer[i] += dt / moles * -comes[i] + dt * p.mixing_m_s / p.layer_m * (bulk[i] - layer[i])
    watt = -vapor_w + 0.12 / p.layer_m * p.surface_m2 * (s.fuel_k - s.surface_k)
    watt += surface_w_m2_k * p.surface_m2 * (s.gas_k - s.surface_k)
    s.surface_k += dt / heat * watt
    if now >= 0:
        s.fuel_k += p.fuel_k_s * dt
        s.wall_k += p.fuel_k_s * 0.7 * dt


@compiled
def _ticks_of(p, s, tick, calm_ticks):
    """Return how long a step may be [5 ms]: one where something was just switched, pulses or grows."""
    is_pulsed = p.pulse_hz > 0 and 0 < s.duty < 0.98
    if calm_ticks == 1 or is_pulsed or s.spent_s <= max(CALM_AFTER_S, p.ramp_s) or tick % ROW_TICKS != 0:
        return 1
    return calm_ticks * (STILLER if s.spent_s > STILL_AFTER_S else 1)


@compiled
def run(p, s, rows, seed, calm_ticks):
    """Fill `rows` and return how many; `p` is a plan, `s` a state, both records that are explained elsewhere."""
    np.random.seed(seed)  # noqa: NPY002 - numba's own generator
    gas, layer, bulk, comes = np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(4)
    _fill_with_gas(p, s, gas, layer, bulk)
    tick, k = -int(p.settle_s / TICK_S), 0
    last = int(p.longest_s / TICK_S)
    while tick < last:
        now, ticks = tick * TICK_S, 1
        if tick >= 0:
            _commands(p, s, now)
            if s.phase == OVER:
                break
            if tick % ROW_TICKS == 0 and k < len(rows):
                rows[k, 0], rows[k, 1] = s.sensed_pa - p.ambient_pa, s.duty
                rows[k, 2], rows[k, 3], rows[k, 4] = s.vent_command, s.phase, s.tank_pa - p.ambient_pa
                k += 1
            ticks = _ticks_of(p, s, tick, calm_ticks)
        elif calm_ticks > 1:
            ticks = SETTLE_TICKS
        sensed, tank = s.sensed_pa, s.tank_pa
        _advance(p, s, gas, layer, bulk, comes, now, ticks * TICK_S)
        for j in range(ROW_TICKS, ticks if tick >= 0 else 0, ROW_TICKS):
            if k < len(rows):
                rows[k] = rows[k - 1]
                rows[k, 0] = sensed + (s.sensed_pa - sensed) * j / ticks - p.ambient_pa
                rows[k, 4] = tank + (s.tank_pa - tank) * j / ticks - p.ambient_pa
                k += 1
        s.spent_s = s.spent_s + ticks * TICK_S if tick >= 0 else 0.0
        tick += ticks
    s.booked_mol += gas.sum() + s.canister_mol + s.adsorbed_mol
    return k
