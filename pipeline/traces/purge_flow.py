"""Purge flow: from the draw of a tight system, and back from it to the hole that a steady vacuum means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pipeline.physics.orifice import (
    HEAT_RATIO_AIR,
    air_density,
    air_viscosity,
    discharge_at,
    hole_diameter_mm,
    leak_speed,
)
from pipeline.traces.air import Air
from pipeline.traces.beliefs import heat_of_gas
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.drawn import FROM_SHARE, TO_SHARE
from pipeline.traces.extra_volume import OPENS_SD_PCT, flow_share
from pipeline.traces.hold_bins import HEAT_RATIO
from pipeline.traces.model_norms import Norms
from pipeline.traces.readings import Shown
from pipeline.traces.signs import effect_error
from pipeline.traces.sizes import NOMINAL_VOLUME_L, USUAL_DELAY_S

#: Beside the scatter of a model's own draws: discharge of a large hole [share of flow] (judgement).
_MODEL_LOG_SD = 0.1
#: A norm from few recordings is known no better than this [share], and the duty at which a valve opens no better than
#: this [% duty]: valves of one kind differ.
LEAST_LOG_SD = 0.05
LEAST_OPENS_SD_PCT = 1.0
#: Draws of one model whose flows scatter by more than this [share] have no purge flow in common.
MOST_SCATTER = 0.5
#: A draw to less vacuum than this [Pa] does not tell its rate well.
TELLING_PA = 500.0
_LITER_M3, _MINUTE_S = 1e-3, 60.0
_ROUNDS = 3
#: Errors of a fall's time in samples' intervals: of two uniform ends, and of two that were interpolated (judgement).
_UNSEEN, _CROSSED = (2 / 12) ** 0.5, 0.15


@dataclass(frozen=True)
class Equilibrium:
    """Hole [mm] through which as much comes in as the model's purge takes out at the vacuum that the draw settled at,
    with bounds; nan where the model's purge flow is unknown or no vacuum was seen."""

    diameter: Floats
    low: Floats
    high: Floats


def purge_flow_l_min(shown: Shown, leak: Floats, volume_l: Floats, air: Air) -> Floats:
    """Return the purge flow at full duty [l/min, ambient] that the draw's fall means, nan where it tells none.

    Q = V / P (dp/dt + a F(p)) / duty: a volume V loses pressure as the purge takes gas out of it and a leak `a` [1/m]
    lets some in. Good while the vacuum is small against the manifold's, which keeps the flow sonic and proportional to
    duty; told by systems that kept most of a vacuum of TELLING_PA.
    """
    with np.errstate(all="ignore"):
        drawn = volume_l * _drawn_per_liter(shown, leak, volume_l, air)
        flow = drawn / (duty_of_fall(shown) / 100)
    return np.where((flow > 0) & np.isfinite(flow), flow, np.nan)


def volume_by_flow_l(shown: Shown, leak: Floats, norms: Norms, air: Air) -> Floats:
    """Return the gas volume [l] that the draw's fall means at the purge flow of its model.

    The equation of `purge_flow_l_min` turned about; nan where the draw tells none.
    """
    with np.errstate(all="ignore"):
        flow = norms.norm["purge_flow_l_min"] * flow_share(duty_of_fall(shown), opens_at(norms))
        volume = np.full(len(flow), NOMINAL_VOLUME_L)
        # How cold the gas becomes goes with the volume that is asked for.
        for _ in range(_ROUNDS):
            volume = flow / _drawn_per_liter(shown, leak, volume, air)
    return np.where((volume > 0) & np.isfinite(volume), volume, np.nan)


def opens_at(norms: Norms) -> Floats:
    """Return the duty [%] at which each model's purge valve begins to open; 0 where its draws do not tell."""
    return np.nan_to_num(norms.norm["purge_opens_pct"])


def duty_log_sd(duty: Floats, norms: Norms) -> Floats:
    """Return what the duty at which a valve begins to open leaves open of its flow at `duty` [%] [log]."""
    told = norms.spread["purge_opens_pct"]
    opens_sd = np.where(np.isfinite(told), np.maximum(told, LEAST_OPENS_SD_PCT), OPENS_SD_PCT)
    with np.errstate(all="ignore"):
        return np.minimum(opens_sd / (100 * flow_share(duty, opens_at(norms))), 1.0)


def is_timed(shown: Shown) -> Flags:
    """Say of which draws the middle of the fall was seen: no valve's or sensor's delay is in its time."""
    return np.isfinite(shown.draw.mid_s)


def duty_of_fall(shown: Shown) -> Floats:
    """Return the mean duty [%] of the time in which the fall of the pressure is read."""
    return np.where(is_timed(shown), shown.draw.mid_duty, shown.draw.duty)


def _to_half_s(shown: Shown) -> Floats:
    """Return the time from the purge's command to half of the vacuum [s], valve's and sensor's delays with it."""
    return 0.5 * shown.draw.depth / shown.draw.rate


def fall_log_sd(shown: Shown) -> Floats:
    """Return what the samples leave open of the fall's time [log]: a beginning and an end that lie anywhere between two
    of them, or a good deal less where both were seen to be crossed."""
    with np.errstate(all="ignore"):
        to_half = _UNSEEN * shown.sensor.interval_s / _to_half_s(shown)
        middle = _CROSSED * shown.sensor.interval_s / shown.draw.mid_s
    return np.minimum(np.nan_to_num(np.where(is_timed(shown), middle, to_half), nan=1.0), 1.0)


def _drawn_per_liter(shown: Shown, leak: Floats, volume_l: Floats, air: Air) -> Floats:
    """Return the flow that the draw means for each liter of gas [1/min], nan where it tells none.

    By the middle of the fall; where that was not seen, by the time to half of the vacuum, of which so much was no draw
    as valve and sensor usually answer late. Gas that is drawn cools: so much of the vacuum is cold, and no gas was
    taken out for it.
    """
    draw, timed = shown.draw, is_timed(shown)
    to_half_s = _to_half_s(shown)
    to_half_s = np.maximum(to_half_s - USUAL_DELAY_S, 0.5 * to_half_s)
    share = np.where(timed, TO_SHARE - FROM_SHARE, 0.5)
    fell_s = np.where(timed, draw.mid_s, to_half_s)
    begun_s = np.where(timed, FROM_SHARE / share * fell_s, 0.0)
    cold = _cold_share(begun_s, begun_s + fell_s, volume_l, air)
    middle = np.where(timed, 0.5 * (FROM_SHARE + TO_SHARE), 0.25) * draw.depth
    inflow = np.nan_to_num(leak) * leak_speed(-middle, air.pressure_pa, air.temperature_c)
    per_liter = (share * draw.depth / fell_s * (1 - cold) + inflow) / air.pressure_pa * _MINUTE_S
    tells = (draw.depth > TELLING_PA) & (shown.hold.kept_early > 0.5) & np.isfinite(per_liter)
    return np.where(tells, per_liter, np.nan)


def _cold_share(begun_s: Floats, ended_s: Floats, volume_l: Floats, air: Air) -> Floats:
    """Return the share of an even fall of pressure, between two times [s] after its beginning, that is the gas's cold.

    With D the pressure that gas lacks by being colder than the walls, D' = -(k-1)/k p' - D/(k tau) as in
    `hold_bins`, of which the pressure shows the share that is believed. tau goes with the gas volume: walls and fuel
    that warm it grow less than it does.
    """
    heat, log_tau = heat_of_gas(air, NOMINAL_VOLUME_L)
    time_s = HEAT_RATIO * np.exp(log_tau) * volume_l / NOMINAL_VOLUME_L
    begun, ended = begun_s / time_s, ended_s / time_s
    return heat * (HEAT_RATIO_AIR - 1) / HEAT_RATIO * (np.exp(-begun) - np.exp(-ended)) / (ended - begun)


def hole_at_equilibrium(shown: Shown, norms: Norms, air: Air, discharge: float, level: float) -> Equilibrium:
    """Return the hole whose inflow at the draw's settled vacuum equals the model's purge flow.

    Cd A = Q P / F(p), F being `physics.orifice.leak_speed`: the tank's volume does not matter. The interval holds the
    scatter of the model's draws, the error of the vacuum, and what the model of the flow may be off by. nan where these
    draws scatter by more than MOST_SCATTER.
    """
    flow, spread = norms.norm["purge_flow_l_min"], norms.spread["purge_flow_l_min"]
    vacuum, vacuum_sd, duty = -shown.draw.effect, effect_error(shown), shown.draw.late_duty
    surest = float(ndtri((1 + level) / 2))
    with np.errstate(all="ignore"):
        is_told = (vacuum > 3 * vacuum_sd) & (spread <= MOST_SCATTER * flow)
        vacuum = np.where(is_told, vacuum, np.nan)
        rate = flow * flow_share(duty, opens_at(norms)) * _LITER_M3 / _MINUTE_S * air.pressure_pa
        effective = rate / leak_speed(-vacuum, air.pressure_pa, air.temperature_c)
        rough = hole_diameter_mm(effective / discharge)
        density = air_density(air.pressure_pa, air.temperature_c)
        coefficient = discharge_at(rough, vacuum, density, air_viscosity(air.temperature_c), discharge)
        middle = hole_diameter_mm(effective / coefficient)
        # Flow goes with the square of the diameter and the root of the vacuum.
        flow_sd = np.maximum(spread / flow, LEAST_LOG_SD)
        by_flow = 0.5 * surest * np.sqrt(flow_sd**2 + _MODEL_LOG_SD**2 + duty_log_sd(duty, norms) ** 2)
        deeper, shallower = vacuum + surest * vacuum_sd, np.maximum(vacuum - surest * vacuum_sd, 0.1)
        down = np.hypot(by_flow, 0.25 * np.log(deeper / vacuum))
        up = np.hypot(by_flow, 0.25 * np.log(vacuum / shallower))
    return Equilibrium(middle, middle * np.exp(-down), middle * np.exp(up))
