"""Pressure of many fuel tanks at once: carbon that gives vapour back, layers of fuel, gas and its walls.

Tank and canister hold one pressure. The gas of the tank trades heat with its walls by natural convection, the canister
is as warm as its carbon. Fuel evaporates from a surface whose layers cool, carbon gives vapour back when drawn down.
Each opening resists as `dp = a Q + b Q^2`: for a round hole the creeping flow of Sampson (1891), with the tube of
Poiseuille behind it where the wall is thick (Dagan, Weinbaum and Pfeffer, J. Fluid Mech. 115, 1982), and the jet; for a
crack the flow between plates (Poiseuille) and the jet. Numbers without a source are this author's own judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GAS = 8.314462618  # J/(mol K), CODATA 2018
AIR_KG_MOL = 0.028964
FUEL_KG_MOL = 0.066  # light ends, as vapour of gasoline is commonly taken, from memory
CP_AIR, CP_FUEL = 29.1, 95.0  # J/(mol K), from memory
HEAT_OF_VAPOUR = 3.0e4  # J/mol, from memory
VAPOUR_SLOPE_K = HEAT_OF_VAPOUR / GAS  # Clausius and Clapeyron
REID_K = 310.93  # 100 degF
VISCOSITY = 1.82e-5  # Pa s, air at 20 degC
JET = 0.61
EXPANSION = 0.546  # of dp, reference_checks.md section 12, 0.98684 of the flow at 2.5 kPa against 103.8 kPa
STEP_S = 0.05
KEEP = 2  # a state is kept every so many steps
REST, CLOSED, DRAW, HOLD, DRAW_AGAIN, HOLD_AGAIN, RELEASE, OVER = range(8)
LAYERS_M = (4e-4, 1.2e-3, 4e-3)
FUEL_K_W, FUEL_HEAT_J = 0.12, 740.0 * 2200.0  # W/(m K), J/(m3 K), from memory


def hole(diameter_m: np.ndarray, wall_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a [Pa s/m3] and b [Pa s2/kg m3, times density] of a round hole in a wall of any thickness."""
    r = np.maximum(diameter_m, 1e-6) / 2
    return VISCOSITY * (3 / r**3 + 8 * wall_m / (np.pi * r**4)), 1 / (2 * (JET * np.pi * r**2) ** 2)


def crack(length_m: np.ndarray, width_m: np.ndarray, wall_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a and b, as of `hole`, of a straight crack through a wall."""
    w = np.maximum(width_m, 1e-7)
    return 12 * VISCOSITY * wall_m / (length_m * w**3), 1 / (2 * (0.7 * length_m * w) ** 2)


def flow(a: np.ndarray, b: np.ndarray, density: np.ndarray, dp: np.ndarray) -> np.ndarray:
    """Return the flow [m3/s] that `dp` [Pa, not negative] drives through an opening."""
    return 2 * dp / (a + np.sqrt(a * a + 4 * b * density * dp))


def same_sharp_hole_m(flow_m3_s: np.ndarray, density: np.ndarray, dp: np.ndarray) -> np.ndarray:
    """Return the diameter [m] of the sharp-edged hole that passes `flow_m3_s` at `dp`, by halving; 0 for no flow."""
    low, high = np.full_like(dp, 1e-6), np.full_like(dp, 0.1)
    for _ in range(50):
        middle = np.sqrt(low * high)
        is_more = flow(*hole(middle, np.zeros_like(dp)), density, dp) > flow_m3_s
        low, high = np.where(is_more, low, middle), np.where(is_more, middle, high)
    return np.where(flow_m3_s > 0, middle, 0.0)


@dataclass
class Tanks:
    """What is asked of n recordings: one array of n each; SI units, pressures absolute but `target_pa` (gauge)."""

    ambient_pa: np.ndarray
    ambient_k: np.ndarray
    tank_m3: np.ndarray  # gas above the fuel
    canister_m3: np.ndarray  # gas of canister and lines
    wall_m2: np.ndarray
    surface_m2: np.ndarray
    stir_w: np.ndarray  # W/(m2 K), what moving gas adds to natural convection
    wall_k: np.ndarray
    wall_drift_k_s: np.ndarray
    fuel_k: np.ndarray
    reid_pa: np.ndarray
    dryness: np.ndarray  # how far the vapour is below saturation at the start, a share
    film_m_s: np.ndarray
    pump_mixing: np.ndarray  # how many times the fuel's own conduction
    carbon_mol: np.ndarray  # vapour on the carbon times the exponent of its isotherm
    carbon_s: np.ndarray
    leak_a: np.ndarray
    leak_b: np.ndarray
    leak_gives: np.ndarray  # share that the opening grows by at 2.5 kPa of vacuum, shrinks by under pressure
    vent_a: np.ndarray
    vent_b: np.ndarray
    vent_late_s: np.ndarray
    is_vent_stuck: np.ndarray
    purge_m3_s: np.ndarray  # at full duty, choked
    purge_passes: np.ndarray  # share of it that flows with the valve shut
    manifold_pa: np.ndarray
    dead_duty: np.ndarray
    duty: np.ndarray  # (n, 2): at the start and at the end of a draw, 0 to 1
    ramp_s: np.ndarray
    feed_mol_s: np.ndarray  # in the place of a draw
    regulator_pa: np.ndarray  # gauge, where the feed ends by itself
    relief_pa: np.ndarray  # the cap's own valve opens at this vacuum, and at twice this pressure
    target_pa: np.ndarray
    seen_offset_pa: np.ndarray
    phase_s: np.ndarray  # (n, 7): the longest time of each phase
    stirs_at_s: np.ndarray  # someone gets in: the fuel sloshes
    is_driving: np.ndarray
    drive_phase: np.ndarray


@dataclass
class Course:
    """What happened: (steps, n) each, every 0.1 s."""

    t_s: np.ndarray
    gauge_pa: np.ndarray
    phase: np.ndarray
    duty: np.ndarray
    vapour_share: np.ndarray
    gas_k: np.ndarray


def saturated_pa(tanks: Tanks, kelvin: np.ndarray) -> np.ndarray:
    return tanks.reid_pa * np.exp(-VAPOUR_SLOPE_K * (1 / kelvin - 1 / REID_K))


def run(tanks: Tanks, longest_s: float = 340.0) -> Course:
    """Integrate until every recording is over; it begins in balance but for dryness."""
    n = len(tanks.ambient_pa)
    steps = int(longest_s / STEP_S)
    layers = np.array(LAYERS_M)
    gauge, wall = np.zeros(n), tanks.wall_k.copy()
    share_wall = tanks.wall_m2 / (tanks.wall_m2 + tanks.surface_m2)
    gas_k = share_wall * wall + (1 - share_wall) * tanks.fuel_k
    fuel = np.repeat(tanks.fuel_k[:, None], len(layers), axis=1)
    room = tanks.tank_m3 / gas_k + tanks.canister_m3 / tanks.wall_k
    moles = tanks.ambient_pa * room / GAS
    vapour = moles * saturated_pa(tanks, tanks.fuel_k) * (1 - tanks.dryness) / tanks.ambient_pa
    on_carbon = np.zeros(n)
    phase, since, vent_shut_for = np.zeros(n, int), np.zeros(n), np.zeros(n)
    phase = _skip(tanks, phase)
    kept = steps // KEEP
    out = [np.zeros((kept, n), np.float32) for _ in range(4)]
    phases = np.full((kept, n), OVER, np.int8)
    for step in range(steps):
        t = step * STEP_S
        is_draw = (phase == DRAW) | (phase == DRAW_AGAIN)
        commanded = np.where(is_draw, _duty(tanks, since), 0.0)
        commanded = np.where(tanks.is_driving, _driving_duty(tanks, t), commanded)
        commanded = np.where(tanks.feed_mol_s > 0, 0.0, commanded)
        share = np.clip(vapour / moles, 0, 0.9)
        pressure = tanks.ambient_pa + gauge
        if step % KEEP == 0:
            k = step // KEEP
            out[0][k], out[1][k], out[2][k], out[3][k] = gauge, commanded, share, gas_k
            phases[k] = phase
        is_vent_shut = (phase != REST) & (phase < RELEASE) & ~tanks.is_driving
        vent_shut_for = np.where(is_vent_shut, vent_shut_for + STEP_S, 0.0)
        is_open = tanks.is_vent_stuck | (vent_shut_for < tanks.vent_late_s) | ~is_vent_shut

        # Openings to the air; the gas that flows is air inwards, the mixture outwards.
        mixture = pressure / (GAS * gas_k) * (AIR_KG_MOL + share * (FUEL_KG_MOL - AIR_KG_MOL))
        air = tanks.ambient_pa * AIR_KG_MOL / (GAS * tanks.ambient_k)
        density = np.where(gauge > 0, mixture, air)
        size = np.maximum(1 - tanks.leak_gives * gauge / 2500, 0.2)
        lean = np.maximum(np.abs(gauge), 0.05)
        openness = size * flow(tanks.leak_a, tanks.leak_b, density, lean) / lean
        openness = openness + np.where(is_open, flow(tanks.vent_a, tanks.vent_b, density, lean) / lean, 0)

        beyond = np.maximum(-gauge - tanks.relief_pa, gauge - 2 * tanks.relief_pa)
        openness = openness + 1e-7 * np.clip(beyond / 200, 0, 1)

        # Purge, choked below half of the pressure: mol/s out.
        opened = np.clip((commanded - tanks.dead_duty) / (1 - tanks.dead_duty), 0, 1)
        opened = np.maximum(opened, tanks.purge_passes)
        ratio = np.clip(tanks.manifold_pa / pressure, 0, 1)
        choke = np.where(ratio < 0.5, 1.0, np.sqrt(np.maximum(1 - (2 * ratio - 1) ** 2, 0)))
        drawn = opened * tanks.purge_m3_s * choke * pressure / (GAS * gas_k)
        fed = np.where(is_draw, tanks.feed_mol_s, 0.0) * np.clip((tanks.regulator_pa - gauge) / 300, 0, 1)

        # Fuel, its layers and the carbon.
        stirred = 1 + 5 * ((t > tanks.stirs_at_s) & (t < tanks.stirs_at_s + 1.5))
        gap = saturated_pa(tanks, fuel[:, 0]) - share * pressure
        risen = stirred * tanks.film_m_s * tanks.surface_m2 * gap / (GAS * gas_k)
        heat = -risen * HEAT_OF_VAPOUR / tanks.surface_m2
        mixing = (tanks.pump_mixing * stirred)[:, None]
        between = FUEL_K_W * mixing * np.diff(fuel, axis=1) / ((layers[1:] + layers[:-1]) / 2)
        into = np.zeros_like(fuel)
        into[:, :-1] += between
        into[:, 1:] -= between
        into[:, 0] += heat
        into[:, -1] += FUEL_K_W * mixing[:, 0] * (tanks.fuel_k - fuel[:, -1]) / layers[-1]
        fuel = fuel + STEP_S * into / (layers * FUEL_HEAT_J)
        given = -(tanks.carbon_mol * gauge / tanks.ambient_pa - on_carbon) / tanks.carbon_s
        on_carbon = on_carbon - STEP_S * given

        # Heat of the gas of the tank, then its pressure, openings taken at the step's end.
        cp = CP_AIR + share * (CP_FUEL - CP_AIR)
        wall = wall + STEP_S * tanks.wall_drift_k_s
        breadth = np.cbrt(tanks.tank_m3)
        heated = 0.0
        for area, kelvin in ((tanks.wall_m2, wall), (tanks.surface_m2, fuel[:, 0])):
            cold = kelvin - gas_k
            heated = heated + area * (tanks.stir_w + 1.32 * (np.abs(cold) / breadth) ** 0.25) * cold
        incoming = np.maximum(-gauge, 0) * openness * tanks.ambient_pa / (GAS * tanks.ambient_k)
        heated = heated + (incoming + fed) * CP_AIR * (tanks.ambient_k - gas_k)
        stiff = (1 - GAS / cp) * tanks.tank_m3 / gas_k + tanks.canister_m3 / tanks.wall_k
        other = (risen + given + fed - drawn) * STEP_S
        pushed = (GAS * other + GAS / cp * heated * STEP_S / gas_k) / stiff
        upstream = np.maximum(pressure, tanks.ambient_pa) - EXPANSION * np.abs(gauge)
        per_pa = openness * upstream / (GAS * np.where(gauge > 0, gas_k, tanks.ambient_k))
        after = (gauge + pushed) / (1 + STEP_S * GAS * per_pa / stiff)
        leaked = -per_pa * after * STEP_S
        held = pressure * tanks.tank_m3 / (GAS * gas_k)
        gas_k = gas_k + (tanks.tank_m3 * (after - gauge) + heated * STEP_S) / (held * cp)
        outwards = np.minimum(leaked, 0) - drawn * STEP_S
        vapour = vapour + (risen + given) * STEP_S + share * outwards
        moles = moles + other + leaked
        gauge = after

        since = since + STEP_S
        reading = gauge + tanks.seen_offset_pa
        is_reached = np.where(tanks.feed_mol_s > 0, reading >= tanks.target_pa, reading <= tanks.target_pa)
        is_done = since >= tanks.phase_s[np.arange(n), np.minimum(phase, RELEASE)]
        is_next = (phase < OVER) & (is_done | (is_draw & is_reached & (since > 0.5)))
        phase = _skip(tanks, np.where(is_next, phase + 1, phase))
        since = np.where(is_next, 0.0, since)
        if (phase == OVER).all():
            kept = min(kept, step // KEEP + 1)
            break
    t_s = np.arange(kept) * STEP_S * KEEP
    return Course(t_s, out[0][:kept], phases[:kept], out[1][:kept], out[2][:kept], out[3][:kept])


def _skip(tanks: Tanks, phase: np.ndarray) -> np.ndarray:
    """Pass over phases that last no time."""
    rows = np.arange(len(phase))
    for _ in range(OVER):
        lasts = tanks.phase_s[rows, np.minimum(phase, RELEASE)]
        phase = np.where((phase < OVER) & (lasts <= 0), phase + 1, phase)
    return phase


def _duty(tanks: Tanks, since: np.ndarray) -> np.ndarray:
    along = np.clip(since / np.maximum(tanks.ramp_s, 0.1), 0, 1)
    return tanks.duty[:, 0] + along * (tanks.duty[:, 1] - tanks.duty[:, 0])


def _driving_duty(tanks: Tanks, t: float) -> np.ndarray:
    """Return the duty of an engine that purges as it drives: minutes of more and less, and some of none."""
    wave = np.sin(t / 17 + tanks.drive_phase) + 0.6 * np.sin(t / 5.3 + 2 * tanks.drive_phase)
    return np.clip(tanks.duty[:, 1] * (0.4 + 0.5 * wave), 0, 1)
