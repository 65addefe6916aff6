"""The physics of one recording of the harbor fleet: two gas nodes, carbon that breathes, a wall that gives, live fuel.

Nodes: the ullage (air and fuel vapor, one temperature, stirred) and the canister's gas with the lines (isothermal: the
carbon's heat is large). Between them a vapor line, from the canister's far end the vent path, at its tank end the
purge port. All magnitudes from memory, as typical of passenger vehicles:

- Gas to wall 3 to 5.5 W/m2K times (difference in K)^0.25, on 0.6 to 1.2 m2, half as much again while gas is
  moved: time constant 8 to 20 s for 30 l,
  whose heat capacity the vapor doubles.
- Fuel: true vapor pressure 20 to 35 kPa at 20 degC (weathered), exchanged at 0.1 to 0.6 mm/s through the still,
  heavy layer above it; a surface film loses its light ends and takes about 40 s to be fresh again.
- Carbon: what it holds of gas beyond its voids is as 0.5 to 2.5 l of gas at ambient, given up in 3 to 15 s.
- Walls give 0.004 (steel) to 0.05 l/kPa (plastic), a fifth of it late.
- Holes: dp = zeta/2 rho v^2 + b mu v; sharp ones have zeta = 1/0.61^2, and b = 6 pi/d, the slow flow through a hole in
  a thin wall (textbook), so that the coefficient falls slowly at low Reynolds number.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit

R = 8.314462
AIR_KG_MOL, VAPOR_KG_MOL = 0.02896, 0.065
CV_AIR, CV_VAPOR = 20.8, 88.0  # J/mol K; light ends of four to five carbons, memory
STEP_S, OUT_EVERY = 0.0025, 8
STD_MOL_PER_L = 101325 / (R * 293.15) / 1000
SHARP_ZETA = 1 / 0.61**2
REST, CLOSED, DRAW, HOLD, RELEASE = range(5)


class Car(NamedTuple):
    """One vehicle as it stands in the bay; SI units."""

    ullage_m3: float
    footprint_m2: float
    canister_m3: float
    adsorbed_m3: float
    adsorb_per_s: float
    give_m3_pa: float
    give_late: float
    wall_w_m2k: float
    vapor_m_s: float
    saturation_pa: float  # of the fuel's surface at the start
    saturation_share: float  # how much of it the ullage holds at the start
    gas_k: float
    wall_k_s: float
    film_mol_m2: float
    bed_share: float  # vapor in the canister's gas, as a share of the ullage's
    line_a: float
    line_b: float
    vent_a: float
    vent_b: float
    purge_mol_s: float  # choked, full duty, at 101325 Pa
    manifold_pa: float
    ambient_k: float
    atmosphere_pa: float


class Fault(NamedTuple):
    """Holes as area, zeta, b per meter, one at the tank and one at the canister; valves as shares of open."""

    tank_area: float
    tank_zeta: float
    tank_b: float
    can_area: float
    can_zeta: float
    can_b: float
    purge_stuck: float  # 1: never opens
    purge_seat: float  # share of full flow that passes when shut
    vent_leaks: float  # share of open that is left when shut
    vent_blocked: float  # share of open that it has at the release


class Procedure(NamedTuple):
    """What the operator does; s, Pa, shares. `kind`: 0 draw, 1 fill, 2 steady flow, 3 routine."""

    kind: int
    rest_s: float
    closed_s: float
    target_pa: float
    timeout_s: float
    duty: float
    ramp_s: float
    hold_s: float
    release_s: float
    draws: int
    short_hold_s: float
    vent_lag_s: float
    purge_lag_s: float
    sensor_lag_s: float
    feed_mol_s: float
    cut_s: float
    filter_seed: int


@njit(cache=True, error_model="numpy", fastmath=True)
def hole_mol_s(
    area: float, zeta: float, b: float, p: float, t: float, y: float, pa: float, ta: float
) -> float:
    """Flow out of a node (mol/s, negative inward) through a hole; the gas upstream is what flows."""
    if area <= 0.0 or p == pa:
        return 0.0
    up, tu, yu = (p, t, y) if p > pa else (pa, ta, 0.0)
    molar = AIR_KG_MOL + yu * (VAPOR_KG_MOL - AIR_KG_MOL)
    rho = up * molar / (R * tu)
    mu = 1.82e-5 * (1 - 0.55 * yu) * (0.3 + 0.7 * tu / 293.15)
    dp = abs(p - pa)
    bm = b * mu
    v = (-bm + math.sqrt(bm * bm + 2 * zeta * rho * dp)) / (zeta * rho)
    out = area * v * (1 - 0.546 * dp / up) * up / (R * tu)
    return out if p > pa else -out


@njit(cache=True, error_model="numpy", fastmath=True)
def path_m3_s(dp: float, a: float, b: float) -> float:
    """Volume flow through a path whose loss is a q + b q^2."""
    q = (-a + math.sqrt(a * a + 4 * b * abs(dp))) / (2 * b)
    return q if dp > 0 else -q


@njit(cache=True, error_model="numpy", fastmath=True)
def run(car: Car, fault: Fault, do: Procedure, levels: Any) -> Any:
    """Return rows each 0.02 s: gauge at the sensor, duty %, vent shut, fed std l/min, true gauge, phase, moles in."""
    pa, ta = car.atmosphere_pa, car.ambient_k
    total_s = (
        do.rest_s
        + do.closed_s
        + do.draws * (do.timeout_s + 1)
        + do.short_hold_s
        + do.hold_s
        + do.release_s
        + 30
    )
    out = np.zeros((int(total_s / STEP_S / OUT_EVERY) + 2, 7))
    temperature = car.gas_k
    volume = car.ullage_m3
    p = pa
    n = p * volume / (R * temperature)
    nv = min(car.saturation_share * car.saturation_pa, 0.85 * pa) * volume / (R * temperature)
    na = n - nv
    y_can = car.bed_share * nv / n
    nc = pa * car.canister_m3 / (R * ta)
    cv = y_can * nc
    ca = nc - cv
    adsorbed = 0.0
    late = 0.0
    spent = 0.0
    area_wall = (
        2 * car.footprint_m2 + 4 * math.sqrt(car.footprint_m2) * 1.1 * car.ullage_m3 / car.footprint_m2
    )
    seen = 0.0
    vent_open = 1.0
    purge_open = 0.0
    phase = REST
    phase_t = 0.0
    draws_done = 0
    row = 0
    tick = 0
    t = 0.0
    net = 0.0
    while True:
        # The operator.
        duty, shut, feed = 0.0, False, 0.0
        if do.kind == 3:
            duty = levels[min(int(t / 5), len(levels) - 1)]
            if t >= do.hold_s:
                break
        else:
            if phase == REST and phase_t >= do.rest_s:
                phase, phase_t = CLOSED, 0.0
            if phase == CLOSED and phase_t >= do.closed_s:
                phase, phase_t = DRAW, 0.0
            if phase == DRAW:
                reached = -seen >= do.target_pa if do.kind == 0 else seen >= do.target_pa
                if (reached and do.kind != 2) or phase_t >= do.timeout_s:
                    phase, phase_t = HOLD, 0.0
                    draws_done += 1
                    if do.kind == 2:
                        phase = RELEASE
            if phase == HOLD:
                if draws_done < do.draws:
                    if phase_t >= do.short_hold_s:
                        phase, phase_t = DRAW, 0.0
                elif phase_t >= do.hold_s:
                    phase, phase_t = RELEASE, 0.0
            if (phase == RELEASE and phase_t >= do.release_s) or t >= do.cut_s:
                break
            shut = phase != REST and phase != RELEASE
            if phase == DRAW:
                if do.kind == 0:
                    duty = do.duty * min(1.0, (phase_t + 0.3) / (do.ramp_s + 0.3))
                elif do.kind == 1:
                    feed = do.feed_mol_s * min(1.0, max(0.0, do.target_pa - seen) / 300 + 0.1)
                else:
                    feed = do.feed_mol_s * min(1.0, max(0.0, (do.target_pa - (p - pa)) / 250))
        # Valves.
        want_vent = fault.vent_leaks if shut else (fault.vent_blocked if phase == RELEASE else 1.0)
        vent_open += (want_vent - vent_open) * STEP_S / do.vent_lag_s
        if shut and abs(vent_open - want_vent) < 0.005:
            vent_open = want_vent
        want_purge = max(0.0, duty - 0.06) / 0.94 * (1 - fault.purge_stuck)
        purge_open += (want_purge - purge_open) * STEP_S / do.purge_lag_s
        if want_purge == 0.0 and purge_open < 0.002:
            purge_open = 0.0
        # Flows, mol/s.
        pc = (ca + cv) * R * ta / car.canister_m3
        y = nv / (na + nv)
        yc = cv / (ca + cv)
        q = path_m3_s(p - pc, car.line_a, car.line_b)
        along = q * (p / (R * temperature) if q > 0 else pc / (R * ta))
        vented = 0.0
        if vent_open > 0.0:
            qv = path_m3_s(pc - pa, car.vent_a / vent_open, car.vent_b / vent_open**2)
            vented = qv * pa / (R * ta)
        ratio = car.manifold_pa / pc
        psi = 1.0 if ratio < 0.5 else math.sqrt(max(0.0, 1 - ((ratio - 0.5) / 0.5) ** 2))
        purged = car.purge_mol_s * pc / 101325 * psi * (purge_open + fault.purge_seat)
        lost = hole_mol_s(fault.tank_area, fault.tank_zeta, fault.tank_b, p, temperature, y, pa, ta)
        lost_can = hole_mol_s(fault.can_area, fault.can_zeta, fault.can_b, pc, ta, yc, pa, ta)
        wanted = car.adsorbed_m3 * (pc - pa) / (R * ta)
        taken = car.adsorb_per_s * (wanted - adsorbed)
        adsorbed += taken * STEP_S
        surface = car.saturation_pa * (1 + 0.01 * car.wall_k_s * t) * (1 - spent)
        stir = 1.5 if phase == DRAW else 1.0
        boiled = car.vapor_m_s * stir * car.footprint_m2 * (surface / (R * car.gas_k) - nv / volume)
        spent += STEP_S * (boiled / car.footprint_m2 / car.film_mol_m2 - spent / 40.0)
        # Moles.
        y_line = y if along > 0 else yc
        na -= STEP_S * (along * (1 - y_line) + (lost * (1 - y) if lost > 0 else lost) - feed)
        nv -= STEP_S * (along * y_line + (lost * y if lost > 0 else 0.0) - boiled)
        y_vent = yc * 0.1 if vented > 0 else 0.0
        past = min(purged, max(0.0, along))  # from the tank to the purge port, past the carbon
        out_can = purged - past + (lost_can if lost_can > 0 else 0.0)
        in_can = -(lost_can if lost_can < 0 else 0.0)
        ca += STEP_S * (
            (along - past) * (1 - y_line) - vented * (1 - y_vent) - out_can * (1 - yc) + in_can - taken
        )
        cv += STEP_S * ((along - past) * y_line - vented * y_vent - out_can * yc)
        cv += STEP_S * 0.05 * (y_can * (ca + cv) - cv)
        net += STEP_S * (
            boiled - lost - lost_can + feed - vented - purged - taken + 0.05 * (y_can * (ca + cv) - cv)
        )
        # Heat and volume.
        cvn = na * CV_AIR + nv * CV_VAPOR
        wall = car.gas_k + car.wall_k_s * t
        dtw = wall - temperature
        heat = stir * car.wall_w_m2k * math.sqrt(math.sqrt(max(abs(dtw), 0.05))) * area_wall * dtw
        inward = (-along if along < 0 else 0.0) + (-lost if lost < 0 else 0.0) + feed
        outward = (along if along > 0 else 0.0) + (lost if lost > 0 else 0.0)
        late += STEP_S / 30.0 * (car.give_late * car.give_m3_pa * (p - pa) - late)
        new_volume = car.ullage_m3 + car.give_m3_pa * (1 - car.give_late) * (p - pa) + late
        work = p * (new_volume - volume) / STEP_S
        volume = new_volume
        mixing = inward * ((CV_AIR + R) * ta - CV_AIR * temperature) + boiled * R * temperature
        temperature += STEP_S * (heat - work + mixing - outward * R * temperature) / cvn
        p = (na + nv) * R * temperature / volume
        seen += (p - pa - seen) * STEP_S / do.sensor_lag_s
        if tick % OUT_EVERY == 0 and row < len(out):
            out[row, 0], out[row, 1], out[row, 2] = seen, 100 * duty, 1.0 if shut else 0.0
            out[row, 3], out[row, 4], out[row, 5], out[row, 6] = feed / STD_MOL_PER_L, p - pa, phase, net
            row += 1
        tick += 1
        t += STEP_S
        phase_t += STEP_S
    return out[:row]


def effective_mm(area: float, zeta: float, b: float, gauge_pa: float, atmosphere_pa: float) -> float:
    """Return the diameter of the sharp hole that passes the same air at this distance from the atmosphere."""
    if area <= 0:
        return 0.0
    given = (atmosphere_pa - abs(gauge_pa), 293.15, 0.0, atmosphere_pa, 293.15)
    want = -hole_mol_s(area, zeta, b, *given)
    low, high = 1e-6, 0.08
    for _ in range(60):
        mid = 0.5 * (low + high)
        flow = -hole_mol_s(math.pi / 4 * mid**2, SHARP_ZETA, 6 * math.pi / mid, *given)
        low, high = (mid, high) if flow < want else (low, mid)
    return 1000 * low
