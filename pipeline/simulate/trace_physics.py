"""The truth behind a trace: a tank's gas, integrated through a vacuum test by ordinary differential equations.

Nothing here is shared with the estimator. Many traces go through one fixed-step loop together.
State per trace: absolute pressure p [Pa] and gas temperature T [K] of a rigid volume V, mass m = p V/(R T):

    dm/dt = leak + vent + relief - purge + vapor
    m cv dT/dt = inflow (cp T_wall - cv T) - outflow R T + m cv (T_wall - T)/tau

Flows: isentropic orifice flow of an ideal gas, choked below the critical ratio (any gas dynamics text), with
Cd = 0.61 Re/(Re + 20), which tends to the sharp-edged value at high Reynolds number and to laminar flow
(proportional to the pressure difference) at low (common practice in simulation, constants by our choice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GAS_CONSTANT, GAMMA, VISCOSITY = 287.05, 1.4, 1.82e-5
CD_HIGH_RE, RE_LAMINAR = 0.61, 20.0
CP = GAMMA * GAS_CONSTANT / (GAMMA - 1)
CV = CP - GAS_CONSTANT
STAGES = ("rest", "purge_first", "closed", "draw", "hold", "release")
_DRAW, _HOLD, _DONE = 3, 4, 6
LEAST_DRAW_S = 2.0


@dataclass(frozen=True)
class Rig:
    """What is physically there, one entry per trace; `_m` are orifice diameters [m]."""

    volume_m3: np.ndarray
    barometric_pa: np.ndarray
    start_gauge_pa: np.ndarray
    wall_k: np.ndarray
    leak_m: np.ndarray
    vent_open_m: np.ndarray
    vent_shut_m: np.ndarray
    purge_m: np.ndarray
    purge_shut_m: np.ndarray
    manifold_pa: np.ndarray
    vapor_kg_s: np.ndarray
    vapor_scale_pa: np.ndarray
    wall_time_s: np.ndarray
    relief_pa: np.ndarray


@dataclass(frozen=True)
class Script:
    """What the technician does: seconds per stage (n, 6), the vacuum aimed at on the gauge [Pa], the duty [0-1].

    `gain` and `offset_pa` are what the gauge makes of the true pressure. A draw that never arrives ends after
    its seconds, and the hold is cut to `hold_if_missed_s`.
    """

    seconds: np.ndarray
    target_pa: np.ndarray
    duty: np.ndarray
    gain: np.ndarray
    offset_pa: np.ndarray
    hold_if_missed_s: np.ndarray


@dataclass(frozen=True)
class History:
    """True gauge pressure (n, k) [Pa] every `every_s`, and when each stage began, with the end (n, 7) [s]."""

    every_s: float
    gauge_pa: np.ndarray
    starts_s: np.ndarray


def orifice_flow(
    diameter_m: np.ndarray, up_pa: np.ndarray, down_pa: np.ndarray, up_k: np.ndarray
) -> np.ndarray:
    """Mass flow through an orifice [kg/s], from the higher absolute pressure `up_pa` to the lower `down_pa`.

    Of almost equal pressures no digits are lost: what is left of them would go with the processor, and be its own noise
    at a vented rest.
    """
    log_ratio = np.log1p(-np.clip((up_pa - down_pa) / up_pa, 0, 1 - 0.5283))
    head = (
        -2 * GAMMA / (GAMMA - 1) * np.exp(2 / GAMMA * log_ratio) * np.expm1((GAMMA - 1) / GAMMA * log_ratio)
    )
    flux = up_pa * np.sqrt(np.maximum(head, 0) / (GAS_CONSTANT * up_k))
    reynolds = flux * diameter_m / VISCOSITY
    cd = CD_HIGH_RE * reynolds / (reynolds + RE_LAMINAR)
    return cd * np.pi / 4 * diameter_m**2 * flux


def integrate(rig: Rig, script: Script, step_s: float = 0.02, keep_every: int = 5) -> History:
    """Run every trace from its first stage to its end.

    The step in pressure is an exponential one (Rosenbrock-Euler with the flows' secant conductance), so that an
    open vent, which settles within a few steps, stays stable.
    """
    n = len(rig.volume_m3)
    seconds, rows = script.seconds.copy(), np.arange(n)
    stage = np.argmax(seconds > 0, axis=1)
    starts = np.zeros((n, 7))
    pressure, kelvin = rig.barometric_pa + rig.start_gauge_pa, rig.wall_k.copy()
    kept, k = [], 0
    limit = int(seconds.sum(axis=1).max() / step_s) + 12
    while k < limit and (stage < _DONE).any():
        now = k * step_s
        if k % keep_every == 0:
            kept.append(pressure - rig.barometric_pa)
        pressure, kelvin = _advance(rig, script, stage, pressure, kelvin, step_s)
        k += 1
        stage = _next_stage(rig, script, seconds, starts, rows, stage, pressure, now + step_s)
    starts[:, _DONE] = np.where(stage < _DONE, k * step_s, starts[:, _DONE])
    kept.append(pressure - rig.barometric_pa)
    return History(step_s * keep_every, np.array(kept).T, starts)


def _advance(
    rig: Rig, script: Script, stage: np.ndarray, p: np.ndarray, kelvin: np.ndarray, step: float
) -> tuple[np.ndarray, np.ndarray]:
    shut = (stage >= 2) & (stage <= _HOLD)
    pulling = (stage == 1) | (stage == _DRAW)
    gauge = p - rig.barometric_pa
    vent = np.where(shut, rig.vent_shut_m, rig.vent_open_m)
    relief = 0.004 * np.sqrt(np.clip((-gauge - rig.relief_pa) / 500, 0, 1))
    hole = np.sqrt(rig.leak_m**2 + vent**2 + relief**2)
    up, down = np.maximum(p, rig.barometric_pa), np.minimum(p, rig.barometric_pa)
    through = orifice_flow(hole, up, down, np.where(gauge < 0, rig.wall_k, kelvin))
    purge = orifice_flow(rig.purge_shut_m, p, rig.manifold_pa, kelvin)
    purge = purge + np.where(pulling, script.duty, 0) * orifice_flow(rig.purge_m, p, rig.manifold_pa, kelvin)
    vapor = rig.vapor_kg_s * (1 - gauge / rig.vapor_scale_pa)
    inflow = np.where(gauge < 0, through, 0) + np.maximum(vapor, 0)
    outflow = np.where(gauge < 0, 0, through) + purge + np.maximum(-vapor, 0)
    mass = p * rig.volume_m3 / (GAS_CONSTANT * kelvin)
    warming = (inflow * (CP * rig.wall_k - CV * kelvin) - outflow * GAS_CONSTANT * kelvin) / (mass * CV)
    warming += (rig.wall_k - kelvin) / rig.wall_time_s
    slope = p * ((inflow - outflow) / mass + warming / kelvin)
    conductance = through / np.maximum(np.abs(gauge), 0.05) + rig.vapor_kg_s / rig.vapor_scale_pa
    decay = GAMMA * p / mass * conductance * step
    gain = np.where(decay > 1e-9, -np.expm1(-decay) / np.maximum(decay, 1e-9), 1.0)
    return p + slope * step * gain, kelvin + warming * step


def _next_stage(
    rig: Rig,
    script: Script,
    seconds: np.ndarray,
    starts: np.ndarray,
    rows: np.ndarray,
    stage: np.ndarray,
    p: np.ndarray,
    now: float,
) -> np.ndarray:
    """Move on the traces whose stage is over; changes `starts` and the hold seconds of a missed draw."""
    running = stage < _DONE
    at = np.minimum(stage, 5)
    over = running & (now - starts[rows, at] >= seconds[rows, at])
    seen = (p - rig.barometric_pa) * script.gain + script.offset_pa
    long_enough = now - starts[rows, at] >= LEAST_DRAW_S
    arrived = (stage == _DRAW) & long_enough & (seen <= script.target_pa)
    missed = over & (stage == _DRAW) & ~arrived
    seconds[missed, _HOLD] = np.minimum(seconds[missed, _HOLD], script.hold_if_missed_s[missed])
    moving = np.flatnonzero(over | arrived)
    for row in moving:
        stage = _enter_next(stage, seconds, starts, int(row), now)
    return stage


def _enter_next(
    stage: np.ndarray, seconds: np.ndarray, starts: np.ndarray, row: int, now: float
) -> np.ndarray:
    following = int(stage[row]) + 1
    starts[row, following] = now
    while following < _DONE and seconds[row, following] <= 0:
        following += 1
        starts[row, following] = now
    stage[row] = following
    return stage
