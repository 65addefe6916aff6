"""The tank of the layered recordings: moles and energy, stepped through a drawn or filled hold.

Two gases (air or test gas, fuel vapor) in three rooms: the rich layer over the fuel, the dome above it (both of one
pressure and temperature), and the canister behind the vapor line. The vent and the purge valve are on the canister.

* State of the dome and layer: p V = n R T, V = V0 + give (p - p_amb) + creep of the shell, which follows p with a lag.
* Energy: n cv dT/dt = inflow (cp T_in - cv T) - outflow R T - p dV/dt + h A (T_wall - T).
* Vapor: the fuel gives to the layer (film coefficient), the layer to the dome (diffusion against the density, faster
  while gas is drawn through). The layer keeps its volume: what expands from it goes into the dome.
* Canister: void gas of one temperature; air on the carbon follows its pressure with a lag, fuel vapor is mostly held.
* Openings: drop = a Q + b Q^2 (creep and jet), with a small correction for the gas expanding in the jet; the purge
  valve is a nozzle, choked below 0.528 of the tank's pressure.

The pressures of tank and canister are advanced together and implicitly (2 x 2), so that a vent of 8 mm and a canister
of 2 l do not need microseconds. Coefficients: orders of magnitude from memory of free convection in closed vessels, of
N2 on activated carbon (some 0.3 mmol/g at 1 bar) and of blow-molded tanks; none from a published table.
"""

from __future__ import annotations

import numba
import numpy as np

R = 8.314462618
CP_AIR, CP_VAPOR = 29.1, 105.0
M_AIR, M_VAPOR = 0.02896, 0.066
STEP_S = 0.01
KEEP_EVERY = 5

#: One recording's tank, procedure and fault; SI units, temperatures in K, conductances as (a, b) of drop = a Q + b Q^2
#: with a in Pa s/m3 per viscosity and b in Pa s2/m6 per density.
NAMES = (
    "ambient_pa ambient_k fuel_k fuel_k_s wall_k "
    "gas_m3 layer_m3 surface_m2 give_m3_pa creep_m3_pa creep_s heat_w_k "
    "saturation_pa saturation_at_k film_m_s exchange_m_s stir start_share "
    "canister_m3 carbon_ratio carbon_s capture desorbed "
    "line_a line_b vent_a vent_b hole_a hole_b hole_at_canister "
    "purge_mol_s purge_opens passing_mol_s manifold_pa is_purge_dead "
    "rest_s closed_s duty ramp_s n_steps target_pa timeout_s hold_s second_s release_s "
    "is_fill fill_mol_s fill_pa is_flow flow_s sees sees_offset_pa idle_duty climb_pct_s most_duty relief_pa"
)
TANK = np.dtype([(name, np.float64) for name in NAMES.split()])
#: Columns of the kept course, every 0.05 s.
P_TANK, DUTY, VENT, LEAKED, FED, PHASE, T_GAS, P_CANISTER = range(8)
REST, CLOSED, DRAW, HOLD, RELEASE = range(5)


@numba.njit(cache=True)
def opening(drop, a, b, rho, mu):
    """Return the flow [m3/s] through an opening at a drop [Pa] of either sign, and its slope [m3/s/Pa]."""
    lin, sq = a * mu, b * rho
    root = np.sqrt(lin * lin + 4 * sq * abs(drop))
    flow = (root - lin) / (2 * sq)
    return (flow if drop >= 0 else -flow), 1.0 / root


@numba.njit(cache=True)
def mixture(y, p, k):
    """Return density [kg/m3], viscosity [Pa s] of air with a vapor share `y`.

    Sutherland for air; the mixture by Herning and Zipperer (weights by the root of the molar mass; from memory).
    """
    mu_air = 1.716e-5 * (k / 273.15) ** 1.5 * (273.15 + 110.4) / (k + 110.4)
    mu_vapor = 7.2e-6 * k / 293.15
    heavy, light = y * np.sqrt(M_VAPOR), (1 - y) * np.sqrt(M_AIR)
    return p * (M_AIR + y * (M_VAPOR - M_AIR)) / (R * k), (heavy * mu_vapor + light * mu_air) / (
        heavy + light
    )


@numba.njit(cache=True)
def course(t, out):
    """Step one recording (`t` of dtype TANK) and fill `out` (rows every 0.05 s, 8 columns); return (rows, ...).

    Returns rows used, index of the last hold's beginning, of its end, and the effective gas volume [m3] at the
    hold's beginning.
    """
    pa, ta = t.ambient_pa, t.ambient_k
    p, temp = pa, t.wall_k
    sat0 = t.saturation_pa
    y_sat = sat0 * np.exp(0.038 * (t.fuel_k - t.saturation_at_k)) / pa
    y_dome = t.start_share * y_sat
    y_layer = 0.5 * (y_sat + y_dome)
    n_layer, n_dome = p * t.layer_m3 / (R * temp), p * (t.gas_m3 - t.layer_m3) / (R * temp)
    v_layer, v_dome = n_layer * y_layer, n_dome * y_dome
    a_layer, a_dome = n_layer - v_layer, n_dome - v_dome
    p_can = pa
    n_can = pa * t.canister_m3 / (R * ta)
    held = t.carbon_ratio * t.canister_m3 * pa / (R * ta)
    shell, volume = 0.0, t.gas_m3
    leaked = 0.0
    phase, since, draws = REST, -60.0, 0
    now, k, row = -60.0, 0, 0
    duty, closed = 0.0, 0.0
    hold_from, hold_to, v_eff = 0, 0, 0.0
    fill_flow = 0.0
    while True:
        seen = (p - pa) * t.sees + t.sees_offset_pa
        if phase == REST and now >= t.rest_s:
            phase, since, closed = CLOSED, now, 1.0
        elif phase == CLOSED and now - since >= t.closed_s:
            phase, since = DRAW, now
        elif phase == DRAW:
            is_there = abs(seen) >= t.target_pa and seen * (1.0 if t.is_fill > 0 else -1.0) > 0
            is_over = now - since >= t.flow_s if t.is_flow > 0 else is_there or now - since >= t.timeout_s
            if is_over:
                phase, since, draws = HOLD, now, draws + 1
                hold_from = row
                give = t.give_m3_pa + t.creep_m3_pa
                v_eff = volume + p * give + t.canister_m3 * (1 + t.carbon_ratio)
        elif phase == HOLD:
            if t.second_s > 0 and draws == 1 and now - since >= t.second_s:
                phase, since = DRAW, now
            elif now - since >= t.hold_s and (t.second_s <= 0 or draws > 1):
                phase, since, closed = RELEASE, now, 0.0
                hold_to = row
        elif phase == RELEASE and now - since >= t.release_s:
            break
        if row >= out.shape[0]:
            break
        if phase == DRAW and t.is_fill <= 0:
            steps = max(t.n_steps, 1.0)
            part = min(1.0, (np.floor((now - since) / t.ramp_s * steps) + 1) / steps) if t.ramp_s > 0 else 1.0
            duty = t.duty * part
            if t.climb_pct_s > 0:  # a control module that asks for more where nothing comes
                duty = max(duty, min(t.most_duty, t.duty + t.climb_pct_s * (now - since - 8.0)))
        elif phase == REST and t.idle_duty > 0:  # the engine's own purging, vent open
            duty = max(0.0, t.idle_duty * (0.6 + 0.6 * np.sin(now / 13.0)))
        else:
            duty = 0.0

        y_dome, y_layer = v_dome / (a_dome + v_dome), v_layer / (a_layer + v_layer)
        n = a_dome + v_dome + a_layer + v_layer
        y_mean = (v_dome + v_layer) / n
        # Openings, in mol/s with their slopes; out of the tank (or canister) is positive.
        rho, mu = mixture(y_dome, p, temp)
        q, s = opening(p - p_can, t.line_a, t.line_b, rho, mu)
        up = max(p, p_can) / (R * temp)
        f_line, g_line = q * up, s * up
        at_can = t.hole_at_canister > 0
        inner, y_in = (p_can, 0.1) if at_can else (p, y_dome)
        drop = inner - pa
        if drop >= 0:
            rho, mu = mixture(y_in, inner, temp)
            up = inner / (R * temp)
        else:
            rho, mu = mixture(0.0, pa, ta)
            up = pa / (R * ta)
        q, s = opening(drop, t.hole_a, t.hole_b, rho, mu)
        expands = 1.0 - 0.53 * abs(drop) / max(inner, pa)
        f_hole, g_hole = q * up * expands, s * up * expands
        f_vent, g_vent = 0.0, 0.0
        if closed == 0.0:
            rho, mu = mixture(0.05, pa, ta)
            q, s = opening(p_can - pa, t.vent_a, t.vent_b, rho, mu)
            f_vent, g_vent = q * pa / (R * ta), s * pa / (R * ta)
        ratio = t.manifold_pa / p_can
        choke = 1.0 if ratio < 0.528 else np.sqrt(max(0.0, 1 - ((ratio - 0.528) / 0.472) ** 2))
        lift = min(1.0, max(0.0, (duty - t.purge_opens) / (100.0 - t.purge_opens)))
        purge = t.purge_mol_s * lift * (1 - t.is_purge_dead) + t.passing_mol_s
        purge *= choke * p_can / 101325.0 * np.sqrt(293.15 / ta)
        fill = 0.0
        if t.is_fill > 0 and phase == DRAW:
            # A regulator: full flow until near its pressure, then what keeps it.
            want = t.fill_mol_s * min(1.0, max(0.0, (t.fill_pa - (p - pa)) / 60.0))
            fill_flow += (want - fill_flow) * min(1.0, STEP_S / 0.15)
            fill = fill_flow
        else:
            fill_flow = 0.0
        # Vapor.
        fuel = t.fuel_k + t.fuel_k_s * max(0.0, now)
        p_sat = sat0 * np.exp(0.038 * (fuel - t.saturation_at_k))
        evaporated = t.film_m_s * t.surface_m2 * (p_sat - y_layer * p) / (R * temp)
        mixing = t.exchange_m_s * (1 + t.stir * min(1.0, abs(f_line) / 0.005))
        crossing = mixing * t.surface_m2 * (y_layer - y_dome) * p / (R * temp)
        caught = t.capture * y_dome * f_line if f_line > 0 else 0.0
        freed = t.desorbed * purge
        onto_carbon = (t.carbon_ratio * t.canister_m3 * p_can / (R * ta) - held) / t.carbon_s
        # The cap's own vacuum relief.
        g_relief = 7e-5 if p - pa < -t.relief_pa else 0.0
        f_relief = g_relief * (p - pa + t.relief_pa)
        # Both pressures, implicitly.
        c_tank = (volume + p * t.give_m3_pa) / (R * temp) / STEP_S
        c_can = t.canister_m3 / (R * ta) / STEP_S
        out_tank = f_line + (0.0 if at_can else f_hole) - fill - evaporated + f_relief
        out_can = -f_line + (f_hole if at_can else 0.0) + f_vent + purge + caught - freed + onto_carbon
        m11 = c_tank + g_line + g_relief + (0.0 if at_can else g_hole)
        m22 = c_can + g_line + g_vent + (g_hole if at_can else 0.0)
        det = m11 * m22 - g_line * g_line
        dp = -(m22 * out_tank + g_line * out_can) / det
        dp_can = -(m11 * out_can + g_line * out_tank) / det
        f_line += g_line * (dp - dp_can)
        f_hole += g_hole * (dp_can if at_can else dp)
        f_vent += g_vent * dp_can
        # Moles.
        leak_out = 0.0 if at_can else f_hole
        gone = max(f_line, 0.0) + max(leak_out, 0.0)
        come = max(-leak_out, 0.0) + fill - f_relief
        back = max(-f_line, 0.0)
        v_dome += STEP_S * (crossing - y_dome * gone + 0.1 * back)
        a_dome += STEP_S * (-crossing - (1 - y_dome) * gone + come + 0.9 * back)
        v_layer += STEP_S * (evaporated - crossing)
        a_layer += STEP_S * crossing
        n_can += STEP_S * (
            f_line - caught + freed - purge - f_vent - onto_carbon - (f_hole if at_can else 0.0)
        )
        held += STEP_S * onto_carbon
        # Energy, then the state.
        cv = CP_AIR + y_mean * (CP_VAPOR - CP_AIR) - R
        old = volume
        power = t.heat_w_k * (t.wall_k + t.fuel_k_s * max(0.0, now) * 0.5 - temp) - gone * R * temp
        power += (come + back) * (CP_AIR * ta - (CP_AIR - R) * temp)
        power += evaporated * R * temp
        n = a_dome + v_dome + a_layer + v_layer
        shell += STEP_S * (t.creep_m3_pa * (p - pa) - shell) / t.creep_s
        for _ in range(3):
            volume = t.gas_m3 + t.give_m3_pa * (p - pa) + shell
            p = n * R * temp / volume
        power -= p * (volume - old) / STEP_S
        temp += STEP_S * power / (n * cv)
        for _ in range(3):
            volume = t.gas_m3 + t.give_m3_pa * (p - pa) + shell
            p = n * R * temp / volume
        p_can = n_can * R * ta / t.canister_m3
        # The layer keeps its volume.
        over = a_layer + v_layer - p * t.layer_m3 / (R * temp)
        y = v_layer / (a_layer + v_layer) if over > 0 else v_dome / (a_dome + v_dome)
        v_layer, a_layer = v_layer - over * y, a_layer - over * (1 - y)
        v_dome, a_dome = v_dome + over * y, a_dome + over * (1 - y)
        leaked -= STEP_S * f_hole
        if now >= -1e-9:
            if k % KEEP_EVERY == 0:
                out[row, P_TANK], out[row, DUTY], out[row, VENT] = p - pa, duty, closed
                out[row, LEAKED], out[row, FED], out[row, PHASE] = leaked, fill, phase
                out[row, T_GAS], out[row, P_CANISTER] = temp, p_can - pa
                row += 1
            k += 1
        now += STEP_S
    return row, hold_from, hold_to if hold_to > 0 else row, v_eff
