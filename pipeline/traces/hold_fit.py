"""Fit leak and vapor to every hold at once.

The pressure q above the vented level of a rigid volume V follows from the gas that comes in, m, and from how much
it is colder than the walls, D (as a pressure), k being the ratio of specific heats:
    m' = a F(q) + r - b q,   D' = -c (k-1) m' - D/tau,   q = q0 + m - (D - D0).
a = Cd A / V [1/m] is the leak (F: `physics.orifice.leak_speed`), r [Pa/s] the vapor that comes without vacuum, b [1/s]
what vacuum adds to it. D0 is what the draw left, computed from its pressures; c, 1 for a perfectly mixed gas, says how
much of the heat exchange is really seen. Integrated once this is linear in q0, r, a, b and nearly so in c; the
integrals are taken along the fitted curve itself, so that where it settles it solves the equations. A few time
constants tau are tried, and from the best of them on tau is fitted too. Each unknown but q0 and the leak has a stated
belief (normal, mean and standard deviation), for a hold alone cannot tell a small leak from vapor.

Source of the energy balance: any text on filling and emptying of vessels (first law for an open system).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from pipeline.physics.orifice import HEAT_RATIO_AIR, leak_speed
from pipeline.traces.beliefs import Beliefs
from pipeline.traces.compiled import Floats
from pipeline.traces.hold_bins import WARMING_S, HoldBins
from pipeline.traces.view import Sensor

#: Share of the heat exchange that is seen: 1 in a well stirred gas, less where the cold stays near the outlet or much
#: of the gas is vapor; between 0 and 1 anything is possible.
_HEAT_SHARE, _HEAT_SHARE_SD = 0.55, 0.3
#: Logarithm of the time constant tau of heat between gas and walls [s].
_LOG_TAU, _LOG_TAU_SD = np.log(6.0), 0.6
_LOG_TAU_RANGE = (np.log(1.0), np.log(40.0))
_TAU_STEP = 0.1
_COARSE_ROUNDS, _FINE_ROUNDS = 3, 4
_LEVEL, _VAPOR, _LEAK, _UNDER, _HEAT, _TAU = range(6)
_N_UNKNOWN = 6
#: Order of magnitude of a [1/m] (1 mm in 50 l): it scales the equations and bounds nothing.
_LEAK_SCALE = 1e-5
_MIN_BINS = 3
#: Error of a bin mean that averaging does not take away: quantization of a slow ramp, pressure of the day [Pa].
_BIN_FLOOR_PA = 0.4
_STEP_SHARE = 0.15


@dataclass(frozen=True)
class HoldFit:
    """Fit of each hold; nan where there was too little to fit.

    leak : Cd A / V [1/m], not below 0; `leak_mean` and `leak_sd` are those of the fit, which may go below;
        `leak_low` and `leak_high` its bounds at the stated level, given that it is not below 0.
    vapor : vapor rate at the middle of the hold [Pa/s]. residual : scatter of a sample about the curve [Pa].
    curve, curve_sd : fitted pressure above the vented level and its standard deviation at the bins [Pa].
    """

    leak: Floats
    leak_mean: Floats
    leak_sd: Floats
    leak_low: Floats
    leak_high: Floats
    vapor: Floats
    residual: Floats
    curve: Floats
    curve_sd: Floats
    n_bins: Floats


def fit_holds(
    bins: HoldBins,
    beliefs: Beliefs,
    barometric_pa: Floats,
    temperature_c: Floats,
    reading: Sensor,
    zero_sd: Floats,
    level: float,
) -> HoldFit:
    """Fit every hold and give bounds of the leak at `level`.

    Parameters
    ----------
    bins, beliefs : of the same traces.
    barometric_pa, temperature_c : ambient state [Pa], [°C], one per trace.
    reading : noise and step of the sensor: the scatter about the curve is never taken to be less.
    zero_sd : how well the vented level is known [Pa].
    level : of the bounds, 0 to 1.
    """
    air = barometric_pa[:, None], temperature_c[:, None]
    coarse = [
        _fit(bins, beliefs, air, reading, np.full(len(zero_sd), np.log(tau)), False) for tau in WARMING_S
    ]
    best = np.argmin([f.cost for f in coarse], axis=0)
    fit = _fit(bins, beliefs, air, reading, np.log(WARMING_S)[best], True)
    leak = fit.mean[:, _LEAK] * _LEAK_SCALE
    variance = fit.cov[:, _LEAK, _LEAK] * _LEAK_SCALE**2
    usable = (bins.n > 0).sum(axis=1) >= _MIN_BINS
    middle = np.abs((bins.n * bins.pressure).sum(axis=1) / np.maximum(bins.n.sum(axis=1), 1))
    # A wrong zero shifts every level: F goes with the root of it.
    sd = np.sqrt(variance + (0.5 * leak * zero_sd / np.maximum(middle, 1.0)) ** 2)
    low, high = _bounds_above_zero(leak, sd, level)

    def where(value: Floats) -> Floats:
        return np.where(usable, value, np.nan)

    return HoldFit(
        leak=where(np.maximum(leak, 0)),
        leak_mean=where(leak),
        leak_sd=where(sd),
        leak_low=where(low),
        leak_high=where(high),
        vapor=where(fit.mean[:, _VAPOR] + fit.mean[:, _UNDER] * middle),
        residual=where(fit.residual),
        curve=fit.curve,
        curve_sd=fit.curve_sd,
        n_bins=(bins.n > 0).sum(axis=1),
    )


def _bounds_above_zero(mean: Floats, sd: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the equal-tailed bounds of a normal law that is cut off at 0."""
    with np.errstate(all="ignore"):
        below = np.minimum(ndtr(-mean / sd), 1 - 1e-12)
        low = mean + sd * ndtri(below + (1 - below) * (1 - level) / 2)
        high = mean + sd * ndtri(below + (1 - below) * (1 + level) / 2)
    return np.maximum(low, 0), np.maximum(high, 0)


@dataclass(frozen=True)
class _OneFit:
    """Unknowns, their covariance, how badly they fit, and curve, its standard deviation and a sample's residual."""

    mean: Floats
    cov: Floats
    cost: Floats
    curve: Floats
    curve_sd: Floats
    residual: Floats


def _fit(
    bins: HoldBins,
    beliefs: Beliefs,
    air: tuple[Floats, Floats],
    reading: Sensor,
    log_tau: Floats,
    is_tau_free: bool,
) -> _OneFit:
    """Fit all holds from the given time constants on, which stay as they are unless `is_tau_free`."""
    t = np.nan_to_num(bins.t)
    curve = _first_guess(bins)
    mean = np.zeros((len(t), _N_UNKNOWN))
    mean[:, _TAU] = log_tau
    noise2 = np.full(len(t), 25.0)
    floor2 = (_BIN_FLOOR_PA**2 + (_STEP_SHARE * reading.step) ** 2)[:, None]
    for _ in range(_FINE_ROUNDS if is_tau_free else _COARSE_ROUNDS):
        gas = _gas_columns(t, curve, air)
        design, model = _linearize(bins, t, gas, mean, is_tau_free)
        target = bins.pressure - model + (design @ mean[:, :, None])[:, :, 0]
        weight = np.where(bins.n > 0, 1 / (noise2[:, None] / np.maximum(bins.n, 1) + floor2), 0)
        old, prior = mean, _prior(beliefs, air, mean)
        mean, cov = _solve(design, target, weight, *prior)
        if not is_tau_free:
            mean[:, _TAU] = log_tau
        curve = model + (design @ (mean - old)[:, :, None])[:, :, 0]
        mean[:, _HEAT] = np.clip(mean[:, _HEAT], 0, 1.3)
        mean[:, _TAU] = np.clip(mean[:, _TAU], *_LOG_TAU_RANGE)
        noise2 = np.maximum(_noise_of(bins, bins.pressure - curve), reading.sd**2)
    spread = np.sqrt(np.maximum(((design @ cov) * design).sum(axis=2), 0))
    cost = (bins.n > 0).sum(axis=1) * np.log(noise2) + _distance(mean, *prior)
    return _OneFit(mean, cov, cost, curve, spread, np.sqrt(noise2))


def _linearize(
    bins: HoldBins, t: Floats, gas: Floats, mean: Floats, is_tau_free: bool
) -> tuple[Floats, Floats]:
    """Return the model's slopes in its unknowns (traces x bins x unknowns) and its value, at `mean`."""
    inflow, share = mean[:, _VAPOR : _UNDER + 1, None], mean[:, _HEAT, None]
    felt, warmth = _heat(bins, t, gas, inflow, mean[:, _TAU])
    slopes = [np.ones_like(t)[:, :, None], gas + share[:, :, None] * felt, warmth[:, :, None]]
    by_tau = np.zeros_like(t)
    if is_tau_free:
        by_tau = share * (_heat(bins, t, gas, inflow, mean[:, _TAU] + _TAU_STEP)[1] - warmth) / _TAU_STEP
    slopes.append(by_tau[:, :, None])
    model = mean[:, _LEVEL, None] + (gas @ inflow)[:, :, 0] + share * warmth
    return np.concatenate(slopes, axis=2), model


def _heat(bins: HoldBins, t: Floats, gas: Floats, inflow: Floats, log_tau: Floats) -> tuple[Floats, Floats]:
    """Return what the gas that came in adds by its heat, per unknown, and all heat together, for c = 1."""
    tau = np.exp(log_tau)[:, None]
    felt = (HEAT_RATIO_AIR - 1) * _fading(t, gas, tau[:, :, None])
    left = _between(bins.cooling, log_tau)[:, None] * -np.expm1(-t / tau)
    return felt, left + (felt @ inflow)[:, :, 0]


def _between(cooling: Floats, log_tau: Floats) -> Floats:
    """Return the cooling at time constants between (or beyond) those that it was computed for."""
    grid = np.log(WARMING_S)
    k = np.clip(np.searchsorted(grid, log_tau) - 1, 0, len(grid) - 2)
    part = (log_tau - grid[k]) / (grid[k + 1] - grid[k])
    rows = np.arange(len(log_tau))
    return np.maximum(cooling[rows, k] * (1 - part) + cooling[rows, k + 1] * part, 0)


def _gas_columns(t: Floats, curve: Floats, air: tuple[Floats, Floats]) -> Floats:
    """Return the gas that one unit of r, a and b lets in until each bin: traces x bins x 3."""
    speed = leak_speed(np.clip(curve, -2e4, 2e4), *air)
    return np.stack([t, _integral(t, speed) * _LEAK_SCALE, -_integral(t, curve)], axis=2)


def _fading(t: Floats, gas: Floats, tau: Floats) -> Floats:
    """Return int exp(-(t-s)/tau) d(gas): the inflow that the gas still feels as heat."""
    span = np.diff(t, axis=1, prepend=0.0)[:, :, None]
    kept = np.exp(-span / tau)
    came = np.diff(gas, axis=1, prepend=0.0) * np.where(
        span > 1e-9, -np.expm1(-span / tau) * tau / np.maximum(span, 1e-9), 1
    )
    out = np.empty_like(gas)
    out[:, 0] = came[:, 0]
    for b in range(1, gas.shape[1]):
        out[:, b] = out[:, b - 1] * kept[:, b] + came[:, b]
    return out


def _prior(beliefs: Beliefs, air: tuple[Floats, Floats], before: Floats) -> tuple[Floats, Floats]:
    """Return the beliefs as precision times mean, and precision, of the unknowns.

    What the closed phase showed is r + a F(q) there, F being negative above zero. Near zero F is steep, so that a
    level known to a few pascals leaves a F(q) uncertain, by more the larger the leak of the round `before`, which also
    says on which side of the usual the vapor lies.
    """
    n = len(beliefs.usual)
    mean, sd = np.zeros((n, _N_UNKNOWN)), np.full((n, _N_UNKNOWN), 1e4)
    is_below = before[:, _VAPOR] < beliefs.usual
    mean[:, _VAPOR], sd[:, _VAPOR] = (
        beliefs.usual,
        np.where(is_below, beliefs.usual_sd_below, beliefs.usual_sd),
    )
    mean[:, _UNDER], sd[:, _UNDER] = beliefs.under_vacuum, beliefs.under_vacuum_sd
    mean[:, _HEAT], sd[:, _HEAT] = _HEAT_SHARE, _HEAT_SHARE_SD
    mean[:, _TAU], sd[:, _TAU] = _LOG_TAU, _LOG_TAU_SD
    precision = np.zeros((n, _N_UNKNOWN, _N_UNKNOWN))
    precision[:, np.arange(_N_UNKNOWN), np.arange(_N_UNKNOWN)] = 1 / sd**2
    least, most = (
        leak_speed(
            np.maximum(beliefs.closed_above + side * beliefs.closed_above_sd, 0), air[0][:, 0], air[1][:, 0]
        )
        * _LEAK_SCALE
        for side in (-2, 2)
    )
    closed_sd = np.hypot(beliefs.closed_sd, np.maximum(before[:, _LEAK], 0) * (least - most) / 4)
    closed = np.zeros((n, _N_UNKNOWN))
    closed[:, _VAPOR], closed[:, _LEAK] = 1 / closed_sd, (least + most) / 2 / closed_sd
    precision += closed[:, :, None] * closed[:, None, :]
    return mean / sd**2 + closed * (beliefs.closed / closed_sd)[:, None], precision


def _distance(mean: Floats, pull: Floats, precision: Floats) -> Floats:
    """Return how far the unknowns lie from the beliefs, in squared standard deviations, up to a constant."""
    return np.einsum("tk,tkl,tl->t", mean, precision, mean) - 2 * (pull * mean).sum(axis=1)


def _first_guess(bins: HoldBins) -> Floats:
    """Run the root of the pressure in a straight line from the first filled bin to the last."""
    filled = bins.n > 0
    rows = np.arange(len(filled))
    last = filled.shape[1] - 1 - np.argmax(filled[:, ::-1], axis=1)
    start, end = np.nan_to_num(bins.start), bins.pressure[rows, last]
    t0, t1 = bins.t[:, :1], bins.t[rows, last][:, None]
    with np.errstate(all="ignore"):
        share = np.clip(np.nan_to_num((bins.t - t0) / (t1 - t0)), 0, 1)
    root0 = (np.sign(start) * np.sqrt(np.abs(start)))[:, None]
    root1 = (np.sign(end) * np.sqrt(np.abs(end)))[:, None]
    root = root0 + share * (root1 - root0)
    return np.sign(root) * root**2


def _integral(t: Floats, value: Floats) -> Floats:
    """Integrate from the window's start by trapezoids; before the first bin the value is the first one's."""
    out = np.empty_like(value)
    out[:, 0] = value[:, 0] * t[:, 0]
    pieces = 0.5 * (value[:, 1:] + value[:, :-1]) * np.diff(t, axis=1)
    out[:, 1:] = out[:, :1] + np.cumsum(pieces, axis=1)
    return out


def _solve(
    design: Floats, y: Floats, weight: Floats, pull: Floats, precision: Floats
) -> tuple[Floats, Floats]:
    turned = (design * weight[:, :, None]).transpose(0, 2, 1)
    normal = turned @ design + precision
    right = (turned @ y[:, :, None])[:, :, 0] + pull
    scale = np.sqrt(np.diagonal(normal, axis1=1, axis2=2))
    cov = (
        np.linalg.inv(normal / scale[:, :, None] / scale[:, None, :]) / scale[:, :, None] / scale[:, None, :]
    )
    return (cov @ right[:, :, None])[:, :, 0], cov


def _noise_of(bins: HoldBins, rest: Floats) -> Floats:
    """Return the variance of a sample that the bins' scatter means, more where neighbors scatter alike."""
    filled = bins.n > 0
    free = np.maximum(filled.sum(axis=1) - 3, 1)
    scaled = np.where(filled, rest * np.sqrt(bins.n), 0)
    variance = (scaled**2).sum(axis=1) / free
    with np.errstate(all="ignore"):
        alike = (scaled[:, 1:] * scaled[:, :-1]).sum(axis=1) / (scaled**2).sum(axis=1)
    alike = np.clip(np.nan_to_num(alike), 0, 0.85)
    return np.maximum(variance * (1 + alike) / (1 - alike), 0.01)
