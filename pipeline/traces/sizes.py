"""From leak over volume to a hole's diameter, with what the volume adds to its bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pipeline.physics.orifice import (
    GAS_CONSTANT_AIR,
    HEAT_RATIO_AIR,
    ZERO_CELSIUS_K,
    hole_area_m2,
    hole_diameter_mm,
)
from pipeline.physics.vapor import VAPOR_SHARE_SD, gravity_with_vapor, vapor_share
from pipeline.physics.volume import CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L, vapor_volume_l
from pipeline.settings import Settings
from pipeline.traces.air import Air
from pipeline.traces.chance_of_leak import chance_of_leak
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.hold_fit import HoldFit
from pipeline.traces.phases import SETTLING_S
from pipeline.traces.readings import Shown

#: Where the tank size is unknown a leak is still told from a tight tank, in a volume such as passenger cars have.
NOMINAL_VOLUME_L = 45.0
NOMINAL_LOG_SD = 0.4
#: What the model itself may be off by [share of area]: gas and fuel warmer than the air, heat that comes otherwise than
#: with one time constant, two volumes with a line between.
_MODEL_LOG_SD = 0.06
#: Barometric pressure that no one recorded: sea level to about 1000 m; temperature: 20 +- 12 °C, by its root [share].
_UNKNOWN_AIR_LOG_SD = 0.04
_UNKNOWN_TEMPERATURE_LOG_SD = 0.02
#: Valves close and sensors follow within about this time [s]: what the commands say is earlier than what is seen.
USUAL_DELAY_S = 0.2
#: A decay that is over in fewer samples than this has no curve to fit.
FEW_INTERVALS = 4.5
#: A sensor, or what smooths its reading, stretches a decay by up to twice its time constant, and hardly any is slower
#: than three quarters of a second (judgement). At the most, this share of a decay is the sensor's.
LATE_ANSWER_S = 1.5
MOST_LATE = 0.8
#: Where a leak lies is not recorded: so much of it is believed to lie behind the canister's carbon (judgement: lines,
#: cap and filler leak more often than canister and vent valve).
BEHIND_CARBON = 0.05
#: All that the gas above a volatile fuel can hold of its vapor [share].
MOST_VAPOR = 0.7


@dataclass(frozen=True)
class VaporSpace:
    """Vapor volume of each trace: `known_l` [l], nan without tank size or fuel level, `extra_l` [l] of it beside the
    tank; `working_l` [l] and `log_sd` [share], with the nominal volume where the tank size is unknown and any fill
    where the fuel level is, or what the model's purge flow tells of it (`is_by_purge`)."""

    known_l: Floats
    extra_l: Floats
    working_l: Floats
    log_sd: Floats
    is_tank_known: Flags
    is_level_known: Flags
    is_by_purge: Flags


def vapor_space(
    fuel_tank_l: Floats,
    fuel_level_pct: Floats,
    extra_l: Floats | float = CANISTER_AND_LINES_L,
    extra_sd_l: Floats | float = CANISTER_AND_LINES_SD_L,
) -> VaporSpace:
    """Return the vapor volume that tank size [l] and fuel level [%] leave, nan where unknown, with `extra_l` beside."""
    volume, volume_sd = vapor_volume_l(fuel_tank_l, fuel_level_pct, extra_l, extra_sd_l)
    is_tank, is_level = np.isfinite(volume), np.isfinite(fuel_level_pct)
    used = np.where(is_tank, volume, NOMINAL_VOLUME_L)
    log_sd = np.where(is_tank, volume_sd / used, NOMINAL_LOG_SD)
    known = np.where(is_level, volume, np.nan)
    extra = np.broadcast_to(extra_l, known.shape)
    return VaporSpace(known, extra, used, log_sd, is_tank, is_level, np.zeros(len(used), bool))


@dataclass(frozen=True)
class Sizes:
    """Diameters [mm] of each trace's leak, nan without a hold to tell them or without a tank size.

    `leak` and its bounds are Cd A / V [1/m], which no volume makes more or less sure. `working` diameters use
    the nominal volume where the real one is unknown: they serve the verdict only. `gone_mm` is the hole that lets the
    vacuum go in the time it took, `gross_low` the least that can, `let_go_mm` the widest hole through which what was
    held can have gone in the end; `vent_mm` is the widest vent path that lets it go as
    slowly after the vent opened; `chance_of_leak` is how likely there is a hole.
    """

    volume: VaporSpace
    leak: Floats
    leak_low: Floats
    leak_high: Floats
    diameter: Floats
    low: Floats
    high: Floats
    working: Floats
    working_high: Floats
    gross_low: Floats
    gone_mm: Floats
    let_go_mm: Floats
    vent_mm: Floats
    chance_of_leak: Floats


def size_leaks(
    fit: HoldFit,
    shown: Shown,
    volume: VaporSpace,
    air: Air,
    settings: Settings,
) -> Sizes:
    """Return the diameters that the fitted leaks mean in their volumes."""
    discharge, level = settings.discharge_coefficient, settings.level
    used, interval_s = volume.working_l, np.nan_to_num(shown.sensor.interval_s)
    share = vapor_share(air.temperature_c, air.pressure_pa)
    outflow, outflow_log_sd = _outflow(shown, share)
    surest = ndtri((1 + level) / 2)
    over_volume = surest * _log_sd_over_volume(fit, air, outflow_log_sd)
    reach = np.hypot(over_volume, surest * volume.log_sd)
    leak = _leaks(fit, shown, air, outflow)
    late, carbon = _by_late_answer(leak[0], shown, air), _by_carbon(shown, share)
    down, up = (1 - BEHIND_CARBON) * carbon, np.hypot(late, BEHIND_CARBON * carbon)
    leak_low, leak_high = _widen(*leak, np.hypot(over_volume, down), np.hypot(over_volume, up))
    low, high = _widen(*leak, np.hypot(reach, down), np.hypot(reach, up))

    def diameter(leak: Floats) -> Floats:
        return hole_diameter_mm(leak * used * 1e-3 / discharge)

    middle, lower, upper = diameter(leak[0]), diameter(low), diameter(high)
    slack = interval_s + SETTLING_S
    # What a supply had kept up is gone with it as a vacuum is.
    gone = np.where(
        shown.hold.start_above > 0,
        _leak_that_lets_go(shown, slack, air),
        _leak_that_empties(shown, slack, air),
    )
    gross = diameter(gone * np.exp(-reach))

    def only_known(value: Floats) -> Floats:
        return np.where(volume.is_tank_known, value, np.nan)

    per_mm2 = discharge * hole_area_m2(1.0) / (used * 1e-3) / outflow
    return Sizes(
        volume=volume,
        leak=leak[0],
        leak_low=leak_low,
        leak_high=leak_high,
        diameter=only_known(middle),
        low=only_known(lower),
        high=only_known(upper),
        working=middle,
        working_high=upper,
        # A vacuum that never was tells nothing by how fast it went.
        gross_low=only_known(np.where(gross > 0, gross, np.nan)),
        gone_mm=diameter(_leak_that_empties(shown, 0.0, air)),
        let_go_mm=diameter(_leak_that_lets_go(shown, -interval_s, air)),
        vent_mm=diameter(_most_vent(shown, air)),
        chance_of_leak=chance_of_leak(fit, shown, share, per_mm2, is_unseen(shown, fit)),
    )


def _log_sd_over_volume(fit: HoldFit, air: Air, outflow_log_sd: Floats) -> Floats:
    """Return what is not known of a leak's area over volume beside what the fit leaves open [log]."""
    return np.sqrt(
        _MODEL_LOG_SD**2
        + np.where(air.is_known, 0.0, _UNKNOWN_AIR_LOG_SD) ** 2
        + np.where(air.is_temperature_known, 0.0, _UNKNOWN_TEMPERATURE_LOG_SD) ** 2
        # Forms of the coefficient's fall at low Reynolds number differ by about as much as it falls.
        + np.nan_to_num(1 - fit.discharge_share) ** 2
        + outflow_log_sd**2
    )


def leaks_alone(
    fit: HoldFit, shown: Shown, volume: VaporSpace, air: Air, discharge: float
) -> tuple[Floats, Floats]:
    """Return Cd A / V [1/m] of each leak and the diameter [mm] that it means in its volume, or a nominal one: `leak`
    and `working` of Sizes, without bounds."""
    leak, _, _ = _leaks(fit, shown, air, _outflow(shown, vapor_share(air.temperature_c, air.pressure_pa))[0])
    return leak, hole_diameter_mm(leak * volume.working_l * 1e-3 / discharge)


def is_unseen(shown: Shown, fit: HoldFit) -> Flags:
    """Tell the holds through which the sensor stood at its end."""
    is_at_end = np.isfinite(shown.sensor.floor) & np.isnan(shown.hold.gone_s) | np.isfinite(
        shown.sensor.ceiling
    )
    return is_at_end & np.isnan(fit.leak)


def _leaks(fit: HoldFit, shown: Shown, air: Air, outflow: Floats) -> tuple[Floats, Floats, Floats]:
    """Return Cd A / V [1/m] of each leak and its bounds: of the fit, or of the time in which a vacuum went that was
    gone after too few samples for one.

    That time is known to a sample's interval and the valve's delay, and the gas that refills the tank within seconds is
    anything between as cold as its walls and heated by its own compression, when the pressure rises k times as fast.
    `outflow` : how much larger a fitted leak is than if air went through it.
    """
    interval = np.nan_to_num(shown.sensor.interval_s)
    slowest, middle, fastest = (
        _leak_that_empties(shown, slack, air)
        for slack in (interval, -USUAL_DELAY_S - interval / 2, -LATE_ANSWER_S - interval)
    )
    k = HEAT_RATIO_AIR
    is_short = (shown.hold.start_above < 0) & (shown.hold.gone_s < FEW_INTERVALS * interval)
    is_fitted = np.isfinite(fit.leak) & ~is_short
    return (
        np.where(is_fitted, fit.leak * outflow, middle / np.sqrt(k)),
        np.where(is_fitted, fit.leak_low * outflow, slowest / k),
        np.where(is_fitted, fit.leak_high * outflow, fastest),
    )


def _outflow(shown: Shown, share: Floats) -> tuple[Floats, Floats]:
    """Return how much larger a leak is than it would be if air went through it, and how far that is known [log].

    A vacuum lets air in; a pressure lets out what is in the tank. Fuel vapor, so large a `share` of it, makes that
    heavier, and slower. Of a leak of which nobody knows where it lies BEHIND_CARBON is believed to lie behind carbon.
    """
    is_out = shown.hold.start_above > 0
    larger, off = (np.sqrt(gravity_with_vapor(some)) for some in (share, (1 - VAPOR_SHARE_SD) * share))
    middle = larger * np.exp(-BEHIND_CARBON * _by_carbon(shown, share))
    return np.where(is_out, middle, 1.0), np.where(is_out, np.log(larger / off), 0.0)


def _by_carbon(shown: Shown, share: Floats) -> Floats:
    """Return how much smaller a leak under pressure is that lies behind the canister's carbon than a tank's [log].

    The carbon keeps the fuel vapor, a `share` of what leaves the tank: only the air goes through the hole, and not the
    heavier whole.
    """
    of_air = 0.5 * np.log(gravity_with_vapor(share)) - np.log1p(-np.minimum(share, MOST_VAPOR))
    return np.where(shown.hold.start_above > 0, of_air, 0.0)


def _by_late_answer(leak: Floats, shown: Shown, air: Air) -> Floats:
    """Return how much larger a leak may be that a slow sensor made look slow [log].

    A sensor that follows late stretches a decay by up to LATE_ANSWER_S: nothing beside minutes, much beside seconds.
    """
    with np.errstate(all="ignore"):
        coefficient = leak * _coefficient_of_one(air)
        gone_s = 2 * np.sqrt(np.abs(shown.hold.start_above)) / coefficient
        share = LATE_ANSWER_S / np.where(gone_s > 0, gone_s, np.inf)
        return np.nan_to_num(-np.log1p(-np.minimum(share, MOST_LATE)))


def _widen(leak: Floats, low: Floats, high: Floats, reach: Floats, reach_up: Floats) -> tuple[Floats, Floats]:
    """Add to the bounds of the fit what it does not know of: distances on the log scale add as squares."""
    with np.errstate(all="ignore"):
        down = np.hypot(np.log(leak / low), reach)
        up = np.hypot(np.log(high / np.maximum(leak, 1e-3 * high)), reach_up)
        least = np.where(low > 0, leak * np.exp(-down), np.where(np.isfinite(leak), 0.0, np.nan))
        return least, np.maximum(leak, 1e-3 * high) * np.exp(up)


def _most_vent(shown: Shown, air: Air) -> Floats:
    """Return the greatest Cd A / V [1/m] that takes so long to let half of the vacuum go after the vent opened."""
    seconds = shown.release.half_s - np.nan_to_num(shown.sensor.interval_s) - SETTLING_S
    return _leak_of_fall(-shown.release.from_above, 0.5, seconds, air)


def _leak_that_empties(shown: Shown, slack_s: Floats | float, air: Air) -> Floats:
    """Return the Cd A / V [1/m] that lets four fifths of the vacuum go in the time it took and `slack_s` more."""
    vacuum = shown.draw.before - (shown.hold.start_above + shown.vented.zero)
    return _leak_of_fall(vacuum, 0.2, shown.hold.gone_s + slack_s, air)


def _leak_that_lets_go(shown: Shown, slack_s: Floats, air: Air) -> Floats:
    """Return the Cd A / V [1/m] that lets four fifths of what the hold ended with go in the time it took and `slack_s`
    more."""
    seconds = shown.hold.let_go_s + slack_s
    return _leak_of_fall(np.abs(shown.hold.end_above), 0.2, seconds, air)


def _leak_of_fall(fell_pa: Floats, left: float, seconds: Floats, air: Air) -> Floats:
    """Return the Cd A / V [1/m] through which a pressure `fell_pa` [Pa] falls to a share `left` of it in `seconds`."""
    with np.errstate(all="ignore"):
        coefficient = 2 * np.sqrt(fell_pa) * (1 - np.sqrt(left)) / np.maximum(seconds, 0.05)
    return coefficient / _coefficient_of_one(air)


def _coefficient_of_one(air: Air) -> Floats:
    """Return K [sqrt(Pa) m/s] of Cd A / V = 1/m in p' = -K sqrt(p), see `physics.blow_down`."""
    return np.sqrt(2 * air.pressure_pa * GAS_CONSTANT_AIR * (air.temperature_c + ZERO_CELSIUS_K))
