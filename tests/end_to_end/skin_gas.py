"""One tank of the skin fleet through one procedure: moles, heat, vapor and shell, step by step.

Conserved are the moles of the tank's gas with what the canister's bed holds in equilibrium, the moles of vapor in the
tank, and the tank gas's energy. One pressure for tank and canister (the line between them drops tens of pascals).
Resistances: dp = a Q^2 + b Q each (inertia and friction), density and viscosity of the gas that flows. The step is
linearly implicit in the pressure, so a wide opening does not make it stiff, and it keeps the moles exactly.

From memory, textbook values: heat capacities 29.1 (air) and 95 J/(mol K) (light ends, near butane and pentane), molar
mass of the vapor 0.065 kg/mol, heat of vaporisation 30 kJ/mol, slope of ln(vapor pressure) 0.033 1/K, viscosity of the
vapor about 0.4 of air's, free convection h about 1 + 1.3 (dT / L)^(1/4) W/(m2 K).
"""

from __future__ import annotations

import numba
import numpy as np

FIELDS = [
    "ambient_pa", "ambient_k", "gas_m3", "shell_m3_pa", "creep_m3_pa", "creep_s", "canister_m3",
    "wall_k", "wall_k_s", "still_w_k", "free_w_k", "surface_m2", "film_m_s", "boil_pa", "boil_1_s",
    "gap_pa", "skin_mol_m2", "renew_s", "skin_j_m2k", "skin_s", "canister_vapor", "leak_a", "leak_b",
    "vent_a", "vent_b", "vent_way", "start_pa", "purge_m3_s", "opens_pct", "purge_works", "passing",
    "manifold_pa", "wobble", "wobble_hz", "rest_s", "closed_s", "duty_1", "duty_2", "duty_3", "step_s",
    "target_pa", "timeout_s", "hold_s", "first_hold_s", "release_s", "seen_offset_pa", "feed_mol_s",
    "feed_until_pa", "feed_s", "is_regulated",
]  # fmt: skip
#: `vent_way`: 0 obeys, 1 stays open, 2 stays shut. Steps [s] of the integration and between kept states.
DT_S, KEEP = 0.02, 2
#: Columns of the kept states; `leak_pa` is the pressure that the leak has brought so far.
KEPT = [
    "t_s", "gauge_pa", "duty_pct", "is_shut", "feed_mol_s", "leak_m3_s", "leak_pa", "phase", "gas_k", "vapor_share",
]  # fmt: skip
#: Sums over the run, in mol: gas by leak, vent, purge, evaporation, feed (inward positive);
#: then what it held at start and end.
SUMS = ["leak", "vent", "purge", "evaporated", "fed", "start", "end"]
R = 8.314462


@numba.njit(cache=True)
def _through(dp, a, b):
    """Flow [m3/s] and its slope for a pressure difference [Pa] of either sign."""
    size = abs(dp)
    root = np.sqrt(b * b + 4 * a * size)
    flow = 2 * size / (b + root)
    return (flow if dp >= 0 else -flow), 1 / max(root, 1e-12)


@numba.njit(cache=True)
def _run(p, n_kept):
    (pa, ta, v0, cel, cve, tve, vcan, tw, tw_rate, h0, h1) = p[0:11]
    (area, film, boil, boil_rate, gap, nskin, renew, cskin, tskin, ycan) = p[11:21]
    (la, lb, va, vb, vent_way, start) = p[21:27]
    (qmax, opens, works, passing, manifold, wobble, wobble_hz) = p[27:34]
    (rest_s, closed_s, d1, d2, d3, step_s, target, timeout, hold_s, first_hold, release_s, seen) = p[34:46]
    (feed, feed_until, feed_s, regulated) = p[46:50]
    kept = np.zeros((n_kept, 10))
    sums = np.zeros(7)
    dt = 0.02
    t_gas, w, ts = tw, 0.0, 0.0
    pressure = pa + start
    vapor_p = 0.0
    # At the start evaporation is steady: the skin is as far from the bulk as the creep asks.
    e_flux = film * gap / (R * t_gas)
    s = 1.0 - e_flux * renew / nskin
    ts = -e_flux * 3.0e4 * tskin / cskin
    vapor_p = boil * s * np.exp(0.033 * ts) - gap
    volume = v0 + cel * start
    n = pressure * (volume / (R * t_gas) + vcan / (R * ta))
    sums[5] = n
    nt = pressure * volume / (R * t_gas)
    nv = vapor_p * volume / (R * t_gas)
    phase, since, time, draws, k_out = 0, 0.0, 0.0, 0, 0
    if rest_s <= 0:
        phase = 1
    leaked_pa, step = 0.0, 0
    while k_out < n_kept:
        gauge = pressure - pa
        # what is commanded
        if phase == 0 and since >= rest_s:
            phase, since = 1, 0.0
        if phase == 1 and since >= closed_s:
            phase, since = 2, 0.0
        if phase == 2:
            if feed > 0 and regulated < 0.5:
                if gauge >= feed_until or since >= feed_s:
                    phase, since = 3, 0.0
            elif regulated > 0.5:
                if since >= feed_s:
                    phase, since = 3, 0.0
            elif gauge + seen <= -target or since >= timeout:
                phase, since = 3, 0.0
                draws += 1
        if phase == 3:
            if first_hold > 0 and draws == 1:
                if since >= first_hold:
                    phase, since = 2, 0.0
            elif since >= hold_s:
                phase, since = 4, 0.0
        if phase == 4 and since >= release_s:
            break
        is_shut = phase >= 1 and phase <= 3
        duty = 0.0
        if phase == 2 and feed <= 0:
            duty = d1 if since < step_s else (d2 if since < 2 * step_s else d3)
        # flows into the system [mol/s] and their slopes over the pressure
        yv = nv / nt
        mu = (1 - 0.8 * yv) * (t_gas / 293.15) ** 0.7
        rho = pressure * (0.028965 * (1 - yv) + 0.065 * yv) / (R * t_gas) / 1.2041
        rho_air = pa * 0.028965 / (R * ta) / 1.2041
        mu_air = (ta / 293.15) ** 0.7
        leak, leak_d, q_leak = 0.0, 0.0, 0.0
        if la > 0:
            if gauge > 0:
                q_leak, slope = _through(gauge, la * rho, lb * mu)
                up, tu = pressure, t_gas
            else:
                q_leak, slope = _through(gauge, la * rho_air, lb * mu_air)
                up, tu = pa, ta
            q_leak *= 1 - 0.41 * abs(gauge) / (1.35 * up)
            leak, leak_d = -q_leak * up / (R * tu), -slope * up / (R * tu)
        vent, vent_d = 0.0, 0.0
        if (not is_shut and vent_way != 2) or vent_way == 1:
            q, slope = _through(gauge, va, vb)
            vent, vent_d = -q * pa / (R * ta), -slope * pa / (R * ta)
        frac = max(0.0, (duty - opens) / (100.0 - opens)) ** 0.9 * works
        frac = max(frac, passing)
        ratio = manifold / pressure
        choke = 1.0
        if ratio > 0.53:
            choke = np.sqrt(max(0.0, 1 - ((ratio - 0.53) / 0.47) ** 2))
        frac *= choke * (1 + wobble * np.sin(6.2832 * wobble_hz * time))
        purge = -frac * qmax * pressure / (R * t_gas)
        purge_d = purge / pressure
        boil_now = boil * np.exp(boil_rate * time + 0.033 * ts) * s
        vapor_p = nv * R * t_gas / volume
        stefan = pressure / max(pressure - 0.5 * (boil_now + vapor_p), 0.2 * pressure)
        evaporated = area * film * stefan * (boil_now - vapor_p) / (R * t_gas)
        fed = 0.0
        if phase == 2 and feed > 0:
            fed = feed
            if regulated > 0.5:
                fed = min(feed, max(0.0, feed * (feed_until - gauge) / (0.08 * feed_until)))
        # the shell, then the pressure
        w += dt * (cve * gauge - w) / tve
        base = v0 + w - cel * pa
        cap = (base + 2 * pressure * cel) / (R * t_gas) + vcan / (R * ta)
        net = leak + vent + purge + evaporated + fed
        slope_all = leak_d + vent_d + purge_d
        rise = dt * net / (cap - dt * slope_all)
        leak += leak_d * rise
        vent += vent_d * rise
        purge += purge_d * rise
        if k_out < n_kept and step % 2 == 0:
            kept[k_out, 0], kept[k_out, 1], kept[k_out, 2] = time, gauge, duty
            kept[k_out, 3], kept[k_out, 4], kept[k_out, 5] = 1.0 if is_shut else 0.0, fed, q_leak
            kept[k_out, 6], kept[k_out, 7], kept[k_out, 8], kept[k_out, 9] = leaked_pa, phase, t_gas, yv
            k_out += 1
        leaked_pa += leak * dt / cap
        n += dt * (leak + vent + purge + evaporated + fed)
        sums[0] += dt * leak
        sums[1] += dt * vent
        sums[2] += dt * purge
        sums[3] += dt * evaporated
        sums[4] += dt * fed
        # new pressure at the old temperature, then the tank's own balance
        c1, c2 = base / (R * t_gas) + vcan / (R * ta), cel / (R * t_gas)
        new_p = n / c1 if c2 <= 0 else (-c1 + np.sqrt(c1 * c1 + 4 * c2 * n)) / (2 * c2)
        new_v = base + cel * new_p
        new_nt = new_p * new_v / (R * t_gas)
        direct_in = dt * (evaporated + fed + max(leak, 0.0))
        direct_out = dt * max(-leak, 0.0)
        line = new_nt - nt - direct_in + direct_out
        cv = 20.8 * (1 - yv) + 86.7 * yv
        heat = h0 * (tw - t_gas) + h1 * abs(tw - t_gas) ** 0.25 * (tw - t_gas)
        energy = dt * heat - new_p * (new_v - volume)
        energy += dt * (evaporated * R * t_gas + (fed + max(leak, 0.0)) * (29.1 * ta - 20.8 * t_gas))
        energy -= direct_out * R * t_gas
        if line > 0:
            energy += line * (29.1 * ta - 20.8 * t_gas)
            nv += line * ycan
        else:
            energy += line * R * t_gas
            nv += line * yv
        nv += dt * evaporated - direct_out * yv
        t_new = t_gas + energy / (cv * new_nt)
        # the tank's warmth shifts gas between it and the canister within the same total
        c1, c2 = base / (R * t_new) + vcan / (R * ta), cel / (R * t_new)
        pressure = n / c1 if c2 <= 0 else (-c1 + np.sqrt(c1 * c1 + 4 * c2 * n)) / (2 * c2)
        volume = base + cel * pressure
        nt_next = pressure * volume / (R * t_new)
        nv *= nt_next / new_nt
        nt, t_gas = nt_next, t_new
        # the fuel's skin
        flux = evaporated / area
        s += dt * (-flux / nskin + (1 - s) / renew)
        ts += dt * (-flux * 3.0e4 / cskin - ts / tskin)
        tw += dt * tw_rate
        time += dt
        since += dt
        step += 1
    sums[6] = n
    return kept[:k_out], sums


def run_tank(parameters: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the kept states (rows of `KEPT`, every 0.04 s) and the sums of moles (`SUMS`)."""
    row = np.array([parameters[name] for name in FIELDS], float)
    span = sum(
        parameters[name] for name in ("rest_s", "closed_s", "hold_s", "first_hold_s", "release_s")
    ) + max(2 * parameters["timeout_s"], parameters["feed_s"])
    return _run(row, int(span / (DT_S * KEEP)) + 10)
