"""The course of pressure in a tank during a procedure: one run, step by step, of the tank that a plan describes.

Steps of 4 ms. What goes from one gas space to another in a step follows from the law of what joins them at the
pressures before the step, damped by what the step itself would even out (backward Euler for one link), so that short
wide pipes stay calm. Nothing is made or lost in a link; `FACTS` tells how many moles the books are out at the end.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

from tests.end_to_end.saddle_gas import (
    FUEL_J_M3_K,
    FUEL_M2_S,
    LATENT_J_MOL,
    density,
    evaporate,
    move,
    temperature,
    vapor_pressure,
    viscosity,
)
from tests.end_to_end.saddle_holes import (
    GAS,
    HEAT_J_MOL_K,
    KG_MOL,
    VISCOSITY_PA_S,
    hole_flow,
    resistance,
    volume_flow,
)

STEP_S = 0.004
ROW_S = 0.048
ROW_STEPS = 12
SLOW_STEPS = 25
MOST_ROWS = 8000
REST, CLOSED, DRAW, HOLD, RELEASE, FILLING, PAUSE = 0, 1, 2, 3, 4, 5, 6
#: Columns of a course.
T_S, GAUGE_PA, DUTY_PCT, IS_SHUT, PHASE = 0, 1, 2, 3, 4
#: What a run tells beside its course: moles that the books are out; time means over the last hold, while a tenth of the
#: difference is left, of the difference across the leak, and of pressure, density and viscosity before it.
FACTS = ("astray_mol", "difference_pa", "before_pa", "density", "viscosity", "mol_end")


@njit(cache=True)
def _between(p: float, q: float, creep: float, inertia: float, before_k: float, still: float) -> float:
    """Return the moles a second from the higher pressure to the lower; `still` is the step over the capacities."""
    difference = abs(p - q)
    flow = volume_flow(creep, inertia, difference) * max(p, q) / (GAS * before_k)
    if flow <= 0:
        return 0.0
    return difference / (difference / flow + still)


@njit(cache=True)
def _breathe(
    moles: float, into: int, mol: np.ndarray, energy: np.ndarray, kelvin: np.ndarray, outside_k: float
) -> float:
    """Let moles in from outside (positive) or out; return what came in."""
    if moles > 0:
        mol[into, 0] += moles
        energy[into] += moles * HEAT_J_MOL_K[0] * outside_k
    elif moles < 0:
        move(mol, energy, kelvin, into, -1, -moles)
    return moles


@njit(cache=True)
def _outside_flow(
    bore_m: float, creep: float, heads: float, p: float, outside: float, k_in: float, k_out: float,
    rho_in: float, rho_out: float, still: float,
) -> float:  # fmt: skip
    """Return moles a second that come in (positive) through a bore with friction."""
    if bore_m <= 0:
        return 0.0
    area = math.pi / 4 * bore_m**2
    is_in = outside > p
    rho = rho_out if is_in else rho_in
    k = k_out if is_in else k_in
    flow = _between(p, outside, creep, heads * rho / 2 / area**2, k, still)
    return flow if is_in else -flow


@njit(cache=True)
def run(plan: Any, rng: np.random.Generator, rows: np.ndarray, facts: np.ndarray) -> int:
    """Fill `rows` (MOST_ROWS, 5) and `facts`; return how many rows there are."""
    n_spaces = 3 if plan.saddle_m3 > 0 else 2
    still_volume = np.array([plan.tank_m3, plan.canister_m3, plan.saddle_m3])
    volume = still_volume.copy()
    shares = np.zeros(3)
    shares[0] = plan.tank_m3 / (plan.tank_m3 + plan.saddle_m3)
    shares[2] = 1 - shares[0]
    mol = np.zeros((3, 3))
    energy, kelvin, pressure = np.zeros(3), np.full(3, plan.wall_k), np.zeros(3)
    saturated, formed = np.zeros(3), np.zeros(3)
    fuel_k, wall_k = plan.fuel_k, plan.wall_k
    surface_k = np.full(3, fuel_k)
    parts = np.array([0.0, plan.light, plan.heavy])
    wind, manifold = 0.0, plan.manifold_pa
    outside = plan.ambient_pa
    for i in range(n_spaces):
        if i != 1:
            wet = plan.surface_m2 / (plan.wall_m2 + plan.surface_m2)
            kelvin[i] = wall_k + wet * (fuel_k - wall_k)
        pressure[i] = outside + plan.start_pa
        whole = pressure[i] * volume[i] / (GAS * kelvin[i])
        for part in range(1, 3):
            above = plan.saturation * parts[part] * vapor_pressure(part, fuel_k)
            if i == 1:
                above = plan.carbon_pa if part == 1 and plan.carbon_mol_s_pa > 0 else 0.0
            mol[i, part] = whole * min(above / pressure[i], 0.45)
        mol[i, 0] = whole - mol[i, 1] - mol[i, 2]
        for part in range(3):
            energy[i] += mol[i, part] * (HEAT_J_MOL_K[part] - GAS) * kelvin[i]
    start_mol = mol.sum()
    loaded = plan.carbon_mol * plan.carbon_per_pa * plan.carbon_pa / (1 + plan.carbon_per_pa * plan.carbon_pa)
    late_m3, come = 0.0, 0.0

    phase, since, draw = REST, 0.0, 0
    vent_open, duty, drive_until = 1.0, 0.0, 0.0
    if plan.vent_state == 2 and plan.block_m <= 0:
        vent_open = 0.0
    watch_at, stuck = 0.0, plan.start_pa
    held_s, first, is_spent = 0.0, 0.0, False
    n_rows = 0
    for step in range(MOST_ROWS * ROW_STEPS):
        t = step * STEP_S
        if step % SLOW_STEPS == 0:
            slow = SLOW_STEPS * STEP_S
            fuel_k += plan.fuel_k_s * slow
            wall_k += plan.wall_k_s * slow
            for part in range(1, 3):
                saturated[part] = parts[part] * vapor_pressure(part, surface_k[0])
            pull = slow / plan.wind_s
            wind += -wind * pull + plan.wind_pa * math.sqrt(2 * pull) * rng.standard_normal()
            manifold += (plan.manifold_pa - manifold) * slow / 1.5
            manifold += plan.manifold_sd_pa * math.sqrt(2 * slow / 1.5) * rng.standard_normal()
        outside = plan.ambient_pa + wind
        # The procedure: what is commanded now.
        gauge = pressure[plan.sense_at] - outside
        if t >= watch_at:
            watch_at += plan.watch_s
            told = stuck if plan.sense_is_stuck else plan.sense_gain * gauge + plan.sense_offset_pa
            in_phase = t - since
            turn = -1
            if phase == REST and in_phase >= plan.rest_s and plan.mode != 1:
                turn = CLOSED
            elif phase == REST and plan.mode == 1 and in_phase >= plan.hold_s:
                break
            elif phase == CLOSED and in_phase >= plan.closed_s:
                turn = FILLING if plan.mode == 2 else DRAW
            elif phase == DRAW and (told <= -plan.target_pa or in_phase >= plan.timeout_s):
                draw += 1
                turn = HOLD if draw >= plan.draws else PAUSE
            elif phase == FILLING and (told >= plan.target_pa or in_phase >= plan.timeout_s):
                turn = HOLD
            elif phase == PAUSE and in_phase >= plan.pause_s:
                turn = DRAW
            elif phase == HOLD and in_phase >= plan.hold_s:
                turn = RELEASE
            elif phase == RELEASE and in_phase >= plan.release_s:
                break
            if turn >= 0:
                phase, since = turn, t
            if plan.mode == 1 and t >= drive_until:
                drive_until = t + 3 + 15 * rng.random()
                duty = 0.0 if rng.random() < 0.3 else 0.05 + 0.6 * rng.random()
            elif phase == DRAW:
                duty = plan.duty
                if plan.ramp_s > 0:
                    duty *= min(1.0, math.ceil(10 * (t - since + 1e-6) / plan.ramp_s) / 10)
            elif plan.mode != 1:
                duty = 0.0
        is_shut = plan.mode != 1 and phase != REST and phase != RELEASE
        if step % ROW_STEPS == 0:
            row = rows[n_rows]
            row[0], row[1], row[2], row[3], row[4] = t, gauge, 100 * duty, is_shut, phase
            n_rows += 1
        wanted = 0.0 if is_shut and plan.vent_state != 1 else 1.0
        most = STEP_S / plan.vent_s
        vent_open += min(max(wanted - vent_open, -most), most)
        if plan.vent_state == 2 and plan.block_m <= 0:
            vent_open = 0.0

        # Vapor from the fuel, carbon, heat.
        for i in range(n_spaces):
            pull_k = wall_k - kelvin[i]
            rate = plan.heat_w_m2_k * (0.5 + 0.5 * min(abs(pull_k), 1.0) ** 0.25)
            if i == 1:
                energy[i] += rate * 75 * plan.canister_m3 * pull_k * STEP_S
                continue
            wet = plan.surface_m2 * shares[i]
            warm = rate * wet * (surface_k[i] - kelvin[i]) * STEP_S
            energy[i] += rate * plan.wall_m2 * shares[i] * pull_k * STEP_S + warm
            evaporate(mol[i], saturated, pressure[i], kelvin[i], wet, plan.transfer_m_s, STEP_S, formed)
            cost = warm
            for part in range(1, 3):
                mol[i, part] += formed[part]
                energy[i] += formed[part] * HEAT_J_MOL_K[part] * surface_k[i]
                come += formed[part]
                cost += formed[part] * LATENT_J_MOL[part]
            skin = FUEL_J_M3_K * plan.skin_m * wet
            back = (fuel_k - surface_k[i]) * STEP_S * FUEL_M2_S / plan.skin_m**2
            surface_k[i] += back - cost / skin
        if plan.carbon_mol_s_pa > 0:
            free = loaded / (plan.carbon_per_pa * (plan.carbon_mol - loaded))
            given = plan.carbon_mol_s_pa * (free - pressure[1] * mol[1, 1] / mol[1].sum()) * STEP_S
            given = max(given, -0.2 * mol[1, 1])
            mol[1, 1] += given
            energy[1] += given * HEAT_J_MOL_K[1] * kelvin[1]
            loaded -= given
            come += given

        # From space to space.
        for link in range(n_spaces - 1):
            other = 1 if link == 0 else 2
            bore = plan.line_m if link == 0 else plan.cross_m
            reach = plan.line_long_m if link == 0 else plan.cross_long_m
            giver, taker = (0, other) if pressure[0] >= pressure[other] else (other, 0)
            mix = viscosity(mol[giver])
            rho = density(mol[giver], volume[giver])
            creep = 128 * mix * reach / (math.pi * bore**4)
            inertia = 2.0 * rho / 2 / (math.pi / 4 * bore**2) ** 2
            still = STEP_S * GAS * (kelvin[0] / volume[0] + kelvin[other] / volume[other])
            moved = _between(pressure[0], pressure[other], creep, inertia, kelvin[giver], still) * STEP_S
            move(mol, energy, kelvin, giver, taker, moved)

        # Vent, safety valve, what even a sound system lets through.
        rho_out = outside * KG_MOL[0] / (GAS * plan.ambient_k)
        rho_in = density(mol[1], volume[1])
        still = STEP_S * GAS * kelvin[1] / volume[1]
        bore = plan.vent_m * math.sqrt(vent_open)
        if plan.vent_state == 2:
            bore = plan.block_m * math.sqrt(vent_open)
        moles = _outside_flow(
            bore,
            plan.vent_creep,
            2.7,
            pressure[1],
            outside,
            kelvin[1],
            plan.ambient_k,
            rho_in,
            rho_out,
            still,
        )
        come += _breathe(moles * STEP_S, 1, mol, energy, kelvin, plan.ambient_k)
        rho_in = density(mol[0], volume[0])
        still = STEP_S * GAS * kelvin[0] / volume[0]
        gauge = pressure[0] - outside
        over = max(-gauge - plan.relief_vacuum_pa, gauge - plan.relief_pa)
        if over > 0:
            bore = 0.008 * min(1.0, over / 500)
            moles = _outside_flow(
                bore, 0.0, 2.7, pressure[0], outside, kelvin[0], plan.ambient_k, rho_in, rho_out, still
            )
            come += _breathe(moles * STEP_S, 0, mol, energy, kelvin, plan.ambient_k)
        for hole in range(2):
            at = 0 if hole == 0 else plan.leak_at
            shape = 0 if hole == 0 else plan.leak_shape
            wide = plan.residual_m if hole == 0 else plan.leak_m
            head = 0.61 if hole == 0 else plan.leak_head
            if wide <= 0:
                continue
            is_in = outside > pressure[at]
            before = outside if is_in else pressure[at]
            rho = rho_out if is_in else density(mol[at], volume[at])
            mix = VISCOSITY_PA_S[0] if is_in else viscosity(mol[at])
            difference = abs(outside - pressure[at])
            k = plan.ambient_k if is_in else kelvin[at]
            flow = hole_flow(
                shape, wide, plan.leak_gap_m, plan.leak_long_m, head, before, before - difference, rho, mix
            ) * before / (GAS * k)  # fmt: skip
            if flow > 0:
                flow = difference / (difference / flow + STEP_S * GAS * kelvin[at] / volume[at])
                come += _breathe((flow if is_in else -flow) * STEP_S, at, mol, energy, kelvin, plan.ambient_k)
            if hole == 1 and phase == HOLD and not is_spent:
                first = max(first, difference)
                is_spent = difference < 0.1 * first
                held_s += STEP_S
                facts[1] += difference * STEP_S
                facts[2] += before * STEP_S
                facts[3] += rho * STEP_S
                facts[4] += mix * STEP_S
        # Purge: pulses, and what passes when shut.
        pulse = (t * plan.purge_hz) % 1.0 / plan.purge_hz
        opened = min(max((duty / plan.purge_hz - pulse) / STEP_S, 0.0), 1.0) if duty < 1 else 1.0
        area = plan.purge_m**2 * opened * plan.arrives + plan.passes_m**2
        if area > 0 and pressure[1] > manifold:
            flow = hole_flow(
                0, math.sqrt(area), 0.0, 0.0, 0.8, pressure[1], manifold, density(mol[1], volume[1]),
                viscosity(mol[1]),
            )  # fmt: skip
            moles = flow * pressure[1] / (GAS * kelvin[1]) * STEP_S
            come -= moles
            move(mol, energy, kelvin, 1, -1, moles)
        if phase == FILLING:
            come += _breathe(plan.fill_mol_s * STEP_S, 1, mol, energy, kelvin, plan.ambient_k)

        # Pressure; walls that give.
        late_m3 += (plan.gives_late_m3_pa * gauge - late_m3) * STEP_S / plan.late_s
        for i in range(n_spaces):
            if i == 0:
                now = still_volume[0] + plan.gives_m3_pa * gauge + late_m3
                energy[0] -= pressure[0] * (now - volume[0])
                volume[0] = now
            kelvin[i] = temperature(mol[i], energy[i])
            pressure[i] = mol[i].sum() * GAS * kelvin[i] / volume[i]
    facts[0] = mol.sum() - start_mol - come
    for k in range(1, 5):
        facts[k] /= max(held_s, 1e-9)
    facts[5] = mol.sum()
    return n_rows


@njit(cache=True)
def leak_facts(plan: Any, facts: np.ndarray) -> tuple[float, float]:
    """Return what leak and sound system let through [m3/s] at the last hold's mean difference, and creep's share."""
    at = (facts[2], facts[2] - facts[1], facts[3], facts[4])
    long, head = plan.leak_long_m, plan.leak_head
    flow = hole_flow(plan.leak_shape, plan.leak_m, plan.leak_gap_m, long, head, *at)
    creep, _ = resistance(
        plan.leak_shape, plan.leak_m, plan.leak_gap_m, long, head, facts[1], facts[3], facts[4]
    )
    own = hole_flow(0, plan.residual_m, 0.0, 0.0, 0.61, *at)
    return flow + own, creep * flow / max(facts[1], 1e-9)


def course_of(plan: Any, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the course (rows, 5) and the FACTS of a run."""
    rows = np.zeros((MOST_ROWS, 5))
    facts = np.zeros(len(FACTS))
    n = run(plan, np.random.default_rng(seed), rows, facts)
    return rows[:n].copy(), facts
