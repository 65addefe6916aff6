"""Fit leak and vapor to every hold: what the compiled fit (`hold_kernel`) finds, with bounds of the leak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from pipeline.physics.orifice import GAS_CONSTANT_AIR, ZERO_CELSIUS_K, air_viscosity
from pipeline.settings import Settings
from pipeline.traces.air import Air
from pipeline.traces.beliefs import Beliefs
from pipeline.traces.compiled import Floats
from pipeline.traces.hold_believed import NO_LEAK_SD, WEAK_SD, Around
from pipeline.traces.hold_bins import N_BINS, HoldBins
from pipeline.traces.hold_kernel import FIRST_LOG_TAU, Found, fit_all
from pipeline.traces.hold_room import LATE_S
from pipeline.traces.readings import Shown
from pipeline.traces.sensor import Sensor

#: Scatter about the curve in standard deviations of a reading up to which nothing is amiss: neighbors scatter alike.
_USUAL_SCATTER = 3.0


@dataclass(frozen=True)
class GasFit:
    """What each hold tells of the gas's heat and of the vapor that a vacuum draws: share of the heat exchange that is
    seen, logarithm of its time constant [s], vapor under vacuum [1/s]; their standard deviations; the covariance of the
    leak [1/m] with the last, and its standard deviation as the equations are linear."""

    share: Floats
    share_sd: Floats
    log_tau: Floats
    log_tau_sd: Floats
    under: Floats
    under_sd: Floats
    leak_with_under: Floats
    leak_linear_sd: Floats


@dataclass(frozen=True)
class HoldFit:
    """Fit of each hold; nan where there was too little to fit.

    leak : Cd A / V [1/m] with Cd at high Reynolds number, not below 0; `leak_mean` and `leak_sd` are those of the fit,
        which may go below; `leak_low` and `leak_high` are its bounds at the stated level, given that it is not below 0.
    discharge_share : the discharge coefficient at the hold's middle as a share of that at high Reynolds number.
    vapor : vapor rate at the middle of the hold [Pa/s]. residual : scatter of a sample about the curve [Pa].
    curve, curve_sd : fitted pressure above the vented level and its standard deviation at the bins [Pa].
    mended_s : by how much longer the hold was taken to be than its clock tells [s]: a clock that leapt, or stood.
    """

    leak: Floats
    leak_mean: Floats
    leak_sd: Floats
    leak_low: Floats
    leak_high: Floats
    discharge_share: Floats
    vapor: Floats
    residual: Floats
    curve: Floats
    curve_sd: Floats
    mended_s: Floats
    gas: GasFit


def fit_holds(
    bins: HoldBins,
    beliefs: Beliefs,
    air: Air,
    volume_l: Floats,
    shown: Shown,
    settings: Settings,
    with_curves: bool = False,
    first_log_tau: Floats | None = None,
    is_rough: bool = False,
    is_sealed: bool = False,
) -> HoldFit:
    """Fit every hold and give bounds of the leak.

    Parameters
    ----------
    bins, beliefs, air, volume_l, shown : of the same traces; `volume_l` is the gas volume [l]. The scatter about the
        curve is never taken to be less than noise and step of the sensor.
    settings : discharge_coefficient at high Reynolds number and level of the bounds are used.
    with_curves : whether the fitted curves are asked for, which only a picture needs.
    first_log_tau : where the fit of the time constant starts: of a hold that was fitted before, what that found.
    is_rough : what the lake asks of each hold is all that is wanted: no bounds, which are nan.
    is_sealed : whether the tanks are believed to have no leak.
    """
    n, around = len(volume_l), _around(air, volume_l, shown.sensor, settings.discharge_coefficient)
    curve, curve_sd = np.zeros((2, n if with_curves else 0, N_BINS))
    found = np.full((n, len(Found._fields)), np.nan)
    leak_sd = np.full(n, NO_LEAK_SD if is_sealed else WEAK_SD)
    given = np.stack([*(np.nan_to_num(x) for x in beliefs.arrays), leak_sd], axis=1)
    start = np.full(n, FIRST_LOG_TAU) if first_log_tau is None else first_log_tau
    fit_all(
        bins.t, bins.pressure, bins.n, bins.cooling, given, around, start, is_rough, found, curve, curve_sd
    )
    fit = Found(*found.T)
    sd = low = high = np.full(n, np.nan)
    if not is_rough:
        other_sd = fit.leak * _share_not_modeled(fit, bins, shown.sensor, shown.vented.zero_sd)
        sd = np.hypot(fit.leak_sd, other_sd)
        low, high = _bounds_above_zero(fit.leak, *_sides(fit, beliefs, other_sd), settings.level)
    return HoldFit(
        leak=np.maximum(fit.leak, 0),
        leak_mean=fit.leak,
        leak_sd=sd,
        leak_low=low,
        leak_high=high,
        discharge_share=fit.discharge_share,
        vapor=fit.vapor + fit.under * fit.middle,
        residual=fit.residual,
        curve=curve,
        curve_sd=curve_sd,
        mended_s=np.nan_to_num(fit.mended_s),
        gas=GasFit(
            *(fit.heat_share, fit.heat_share_sd, fit.log_tau, fit.log_tau_sd),
            *(fit.under, fit.under_sd, fit.leak_with_under, fit.leak_linear_sd),
        ),
    )


def _around(air: Air, volume_l: Floats, reading: Sensor, discharge: float) -> Around:
    """Return what is known of each hold; of a sensor that tells no scatter a reading is taken as known to 1 Pa."""
    return Around(
        air=air.pressure_pa,
        heat=GAS_CONSTANT_AIR * (air.temperature_c + ZERO_CELSIUS_K),
        viscosity=air_viscosity(air.temperature_c),
        volume=volume_l * 1e-3,
        discharge=np.full(len(volume_l), discharge),
        noise2=np.nan_to_num(reading.sd, nan=1.0) ** 2,
        rounding=np.nan_to_num(reading.rounding),
    )


def _share_not_modeled(fit: Found, bins: HoldBins, reading: Sensor, zero_sd: Floats) -> Floats:
    """Return the standard deviation of the leak, as a share of it, that the bins' scatter about the curve cannot tell.

    A wrong zero shifts every level, and F goes with the root of it; late valves and sensors matter in a short hold;
    a gap that may be a leap of the clock is as much time in doubt; where the curve lies farther off than readings
    scatter, something happened that is not in the equations.
    """
    beyond = np.sqrt(np.maximum(fit.residual**2 - (_USUAL_SCATTER * reading.sd) ** 2, 0))
    off = beyond / np.maximum(_moved(bins), 1.0)
    by_zero = 0.5 * zero_sd / np.maximum(fit.middle, 1.0)
    late = LATE_S / np.maximum(bins.window_s, LATE_S)
    return np.sqrt(by_zero**2 + late**2 + fit.doubt**2 + off**2)


def _moved(bins: HoldBins) -> Floats:
    """Return how far the pressure moved in the hold [Pa]."""
    filled = bins.n > 0
    highest = np.where(filled, bins.pressure, -np.inf).max(axis=1)
    return np.where(filled.any(axis=1), highest - np.where(filled, bins.pressure, np.inf).min(axis=1), 0.0)


def _sides(fit: Found, beliefs: Beliefs, other_sd: Floats) -> tuple[Floats, Floats]:
    """Return the standard deviation of the leak below and above what was fitted [1/m].

    The fit's own, in which the vapor's is replaced by what the hold and the belief of its most leave of it: under
    vacuum more vapor is less leak, under pressure more.
    """
    with np.errstate(all="ignore"):
        by_vapor = fit.leak_with_vapor / fit.vapor_sd**2
        told = np.maximum(fit.vapor_sd**-2 - beliefs.vapor_sd(fit.vapor, fit.middle) ** -2, 0)
        most2 = 1 / (told + beliefs.most_vapor_sd(fit.middle) ** -2)
        more = np.sqrt(fit.leak_sd**2 + by_vapor**2 * np.maximum(most2 - fit.vapor_sd**2, 0))
    down, up = np.where(by_vapor < 0, [more, fit.leak_sd], [fit.leak_sd, more])
    return np.hypot(down, other_sd), np.hypot(up, other_sd)


def _bounds_above_zero(mean: Floats, down: Floats, up: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the equal-tailed bounds of a law of two normal halves, `down` and `up` wide, that is cut off at 0."""
    with np.errstate(all="ignore"):
        below = np.minimum(ndtr(-mean / np.where(mean > 0, down, up)), 1 - 1e-12)

        def at(share: float) -> Floats:
            normal = ndtri(below + (1 - below) * share)
            return np.maximum(mean + np.where(normal < 0, down, up) * normal, 0)

        return at((1 - level) / 2), at((1 + level) / 2)
