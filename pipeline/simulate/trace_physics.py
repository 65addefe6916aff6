"""The truth behind a trace: a tank's gas, integrated through a test by ordinary differential equations.

Nothing here is shared with the estimator. Many traces go through one fixed-step loop together.
State per trace: absolute pressure p [Pa] and gas temperature T [K] of a rigid volume V, mass m = p V/(R T):

    dm/dt = leak + vent + relief + feed - purge + vapor
    m cv dT/dt = inflow (cp T_wall - cv T) - outflow R T + m cv (T_wall - T)/tau

Masses are counted as if all gas were air. The tank's own gas holds fuel vapor: it is heavier, so that fewer of its
moles flow out through a hole, by the root of air's molar mass over the mixture's (Graham's law of effusion, any
text), and its heat capacity cv is larger, so that it cools less when it is drawn down.

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
AIR_G_MOL = 28.97
STAGES = ("rest", "purge_first", "closed", "first_draw", "first_hold", "feed", "draw", "hold", "release")
STAGE = {name: k for k, name in enumerate(STAGES)}
_DONE = len(STAGES)
_PULLING = np.isin(STAGES, ["purge_first", "first_draw", "draw"])
#: the vent is commanded shut in all stages but these
IS_SHUT = ~np.isin(STAGES, ["rest", "purge_first", "release"])
LEAST_DRAW_S = 2.0
#: a pressure regulator closes over this much [Pa] below what it is set to
_REGULATOR_PA = 100.0
_PURGE_STEPS = 3


@dataclass(frozen=True)
class Rig:
    """What is physically there, one entry per trace; `_m` are orifice diameters [m].

    `gas_cv` is the heat capacity of the tank's gas, of as many moles as a kilogram of air has [J/K].
    """

    volume_m3: np.ndarray
    barometric_pa: np.ndarray
    start_gauge_pa: np.ndarray
    wall_k: np.ndarray
    leak_m: np.ndarray
    vent_open_m: np.ndarray
    vent_shut_m: np.ndarray
    purge_m: np.ndarray
    purge_shut_m: np.ndarray
    purge_delay_s: np.ndarray
    manifold_pa: np.ndarray
    vapor_kg_s: np.ndarray
    vapor_scale_pa: np.ndarray
    wall_time_s: np.ndarray
    relief_pa: np.ndarray
    gas_g_mol: np.ndarray
    gas_cv: np.ndarray
    feed_kg_s: np.ndarray


@dataclass(frozen=True)
class Script:
    """What the technician does: seconds per stage (n, 9), pressures aimed at on the gauge [Pa], the duty [0-1].

    A draw ends at `target_pa` (the first of two at `first_target_pa`), a feed at `fed_to_pa`, its supply being
    regulated to `regulated_pa`; what never arrives ends after its seconds, and the hold is cut to `hold_if_missed_s`.
    Where `duty_step_s` is above 0 the purge is opened in three steps of that length. The gauge shows `gain` times the
    true pressure and `offset_pa`, and nothing below `lowest_pa`.
    """

    seconds: np.ndarray
    target_pa: np.ndarray
    first_target_pa: np.ndarray
    fed_to_pa: np.ndarray
    regulated_pa: np.ndarray
    duty: np.ndarray
    duty_step_s: np.ndarray
    gain: np.ndarray
    offset_pa: np.ndarray
    lowest_pa: np.ndarray
    hold_if_missed_s: np.ndarray


@dataclass(frozen=True)
class History:
    """True gauge pressure (n, k) [Pa] every `every_s`, and when each stage began, with the end (n, 10) [s]."""

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


def commanded_duty(
    duty: np.ndarray, step_s: np.ndarray, stage: np.ndarray, since_s: np.ndarray
) -> np.ndarray:
    """Return the purge duty [0-1] in a stage that began `since_s` ago; none before it begins."""
    steps = np.floor(since_s / np.where(step_s > 0, step_s, 1.0)) + 1
    share = np.where(step_s > 0, np.minimum(steps, _PURGE_STEPS) / _PURGE_STEPS, 1.0)
    return np.where(_PULLING[stage] & (since_s >= 0), duty * share, 0.0)


def feed_flow(
    feed_kg_s: np.ndarray, regulated_pa: np.ndarray, stage: np.ndarray, gauge_pa: np.ndarray
) -> np.ndarray:
    """Return what the supply gives [kg/s] into a tank at `gauge_pa`: all it can, less as its regulator closes."""
    is_open = np.clip((regulated_pa - gauge_pa) / _REGULATOR_PA, 0, 1)
    return np.where(stage == STAGE["feed"], feed_kg_s * is_open, 0.0)


def integrate(rig: Rig, script: Script, step_s: float = 0.02, keep_every: int = 5) -> History:
    """Run every trace from its first stage to its end.

    The step in pressure is an exponential one (Rosenbrock-Euler with the flows' secant conductance), so that an
    open vent, which settles within a few steps, stays stable.
    """
    n = len(rig.volume_m3)
    seconds, rows = script.seconds.copy(), np.arange(n)
    stage = np.argmax(seconds > 0, axis=1)
    starts = np.zeros((n, _DONE + 1))
    pressure, kelvin = rig.barometric_pa + rig.start_gauge_pa, rig.wall_k.copy()
    kept, k = [], 0
    limit = int(seconds.sum(axis=1).max() / step_s) + 2 * _DONE
    while k < limit and (stage < _DONE).any():
        now = k * step_s
        if k % keep_every == 0:
            kept.append(pressure - rig.barometric_pa)
        at = np.minimum(stage, _DONE - 1)
        pressure, kelvin = _advance(rig, script, at, now - starts[rows, at], pressure, kelvin, step_s)
        k += 1
        stage = _next_stage(rig, script, seconds, starts, rows, stage, pressure, now + step_s)
    starts[:, _DONE] = np.where(stage < _DONE, k * step_s, starts[:, _DONE])
    kept.append(pressure - rig.barometric_pa)
    return History(step_s * keep_every, np.array(kept).T, starts)


def _advance(
    rig: Rig,
    script: Script,
    stage: np.ndarray,
    since_s: np.ndarray,
    p: np.ndarray,
    kelvin: np.ndarray,
    step: float,
) -> tuple[np.ndarray, np.ndarray]:
    gauge = p - rig.barometric_pa
    vent = np.where(IS_SHUT[stage], rig.vent_shut_m, rig.vent_open_m)
    relief = 0.004 * np.sqrt(np.clip((-gauge - rig.relief_pa) / 500, 0, 1))
    hole = np.sqrt(rig.leak_m**2 + vent**2 + relief**2)
    up, down = np.maximum(p, rig.barometric_pa), np.minimum(p, rig.barometric_pa)
    through = orifice_flow(hole, up, down, np.where(gauge < 0, rig.wall_k, kelvin))
    duty = commanded_duty(script.duty, script.duty_step_s, stage, since_s - rig.purge_delay_s)
    purge = orifice_flow(rig.purge_shut_m, p, rig.manifold_pa, kelvin)
    purge = purge + duty * orifice_flow(rig.purge_m, p, rig.manifold_pa, kelvin)
    feed = feed_flow(rig.feed_kg_s, script.regulated_pa, stage, gauge)
    vapor = rig.vapor_kg_s * (1 - gauge / rig.vapor_scale_pa)
    out = through * np.sqrt(AIR_G_MOL / rig.gas_g_mol)
    inflow = np.where(gauge < 0, through, 0) + feed + np.maximum(vapor, 0)
    outflow = np.where(gauge < 0, 0, out) + purge + np.maximum(-vapor, 0)
    mass = p * rig.volume_m3 / (GAS_CONSTANT * kelvin)
    warming = (inflow * (CP * rig.wall_k - CV * kelvin) - outflow * GAS_CONSTANT * kelvin) / (
        mass * rig.gas_cv
    )
    warming += (rig.wall_k - kelvin) / rig.wall_time_s
    slope = p * ((inflow - outflow) / mass + warming / kelvin)
    conductance = through / np.maximum(np.abs(gauge), 0.05) + rig.vapor_kg_s / rig.vapor_scale_pa
    conductance += np.where((feed > 0) & (feed < rig.feed_kg_s), rig.feed_kg_s / _REGULATOR_PA, 0)
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
    """Move on the traces whose stage is over; changes `starts` and the hold seconds of what never arrived."""
    at = np.minimum(stage, _DONE - 1)
    over = (stage < _DONE) & (now - starts[rows, at] >= seconds[rows, at])
    seen = np.maximum((p - rig.barometric_pa) * script.gain + script.offset_pa, script.lowest_pa)
    there = np.select(
        [stage == STAGE["draw"], stage == STAGE["first_draw"], stage == STAGE["feed"]],
        [seen <= script.target_pa, seen <= script.first_target_pa, seen >= script.fed_to_pa],
        False,
    )
    arrived = there & (now - starts[rows, at] >= LEAST_DRAW_S)
    missed = over & np.isin(stage, [STAGE["draw"], STAGE["feed"]]) & ~arrived
    hold = STAGE["hold"]
    seconds[missed, hold] = np.minimum(seconds[missed, hold], script.hold_if_missed_s[missed])
    for row in np.flatnonzero(over | arrived):
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
