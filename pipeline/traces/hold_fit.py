"""Fit leak and vapor to every hold at once.

The pressure above the vented level, q, in a rigid volume: dq/dt = a F(q) + r - b q + (B/tau) exp(-t/tau).
a = Cd A / V [1/m] is the leak (F: `physics.orifice.leak_speed`), r [Pa/s] the vapor that comes without vacuum,
b [1/s] what vacuum adds to it, and B [Pa] the gas warming again after the draw, with a few time constants tau.
Integrated once it is linear in its unknowns, q = q0 + a int F dt + r t - b int q dt + sum B (1 - exp(-t/tau)); the
integrals are taken along the fitted curve itself, so that where it settles it solves the equation. Each unknown but
the leak has a stated belief (normal, mean and standard deviation), for a hold alone cannot tell a small leak from
vapor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from pipeline.physics.orifice import leak_speed
from pipeline.physics.vapor import rewarming_limit_pa
from pipeline.traces.hold_bins import HoldBins
from pipeline.traces.phases import Floats

#: Time constants of the gas warming again [s]: a sum of these comes near to any between and around them.
WARMING_S = np.array([1.5, 5.0, 15.0])
#: Vapor of a tank about which nothing was recorded [Pa/s].
_USUAL_RATE, _USUAL_RATE_SD = 1.5, 2.0
_ROUNDS = 4
_LEVEL, _VAPOR, _LEAK, _UNDER, _WARMING = 0, 1, 2, 3, 4
_N_UNKNOWN = _WARMING + len(WARMING_S)
#: Order of magnitude of a [1/m] (1 mm in 50 l): it scales the equations and bounds nothing.
_LEAK_SCALE = 1e-5
_MIN_BINS = 4
#: Error of a bin mean that averaging does not take away: quantization of a slow ramp, pressure of the day [Pa].
_BIN_FLOOR_PA = 0.4
_STEP_SHARE = 0.15


@dataclass(frozen=True)
class Beliefs:
    """What is known of the vapor before the hold is read; one element per trace."""

    rate: Floats
    rate_sd: Floats
    closed_above: Floats
    """Mean pressure [Pa] of the closed phase that `rate` was read in: a leak lets some of the rise out."""
    under_vacuum: Floats
    under_vacuum_sd: Floats
    warming_sd: Floats
    """Of each of WARMING_S [Pa]: traces x time constants."""


@dataclass(frozen=True)
class HoldFit:
    """Fit of each hold; nan where there was too little to fit.

    leak (a) [1/m], not below 0, the fitted mean, which may be, with its standard deviation and its bounds at the stated level, leak >= 0 being known; vapor
    rate in the hold [Pa/s], taken at the middle of the hold; residual [Pa] of a sample; curve and its standard
    deviation at the bins [Pa].
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


def vapor_beliefs(
    closed_rate: Floats, closed_rate_sd: Floats, closed_above: Floats, depth: Floats, draw_s: Floats
) -> Beliefs:
    """Return what the closed phase and the draw say of the vapor in the hold.

    Vapor comes faster under vacuum than in the closed phase, by a part that nobody knows beforehand; without a
    closed phase the rate may be anything from 0 to several Pa/s, and a noisy one is weighed against that. The
    numbers are judgement, not a source.
    """
    known = np.isfinite(closed_rate) & np.isfinite(closed_rate_sd)
    scatter2 = np.where(known, np.nan_to_num(closed_rate_sd), 1e6) ** 2
    weight = 1 / (1 + scatter2 / _USUAL_RATE_SD**2)
    rate = weight * np.where(known, closed_rate, 0.0) + (1 - weight) * _USUAL_RATE
    scale = np.maximum(rate, 0)
    rate_sd = np.sqrt(weight * np.minimum(scatter2, 1e6) + (0.15 * scale + 0.1) ** 2)
    under, under_sd = 0.25 * scale / 2500, (0.3 * scale + 0.15) / 2500
    above = np.where(known, np.nan_to_num(closed_above), 0.0)
    return Beliefs(rate, rate_sd, above, under, under_sd, _warming_sd(depth, draw_s))


def _warming_sd(depth: Floats, draw_s: Floats) -> Floats:
    """Return how much of each time constant's cooling the draw can have left at its end, halved, plus a little.

    A draw at a steady rate over T leaves (k-1)/k depth (tau/T) (1 - exp(-T/tau)).
    """
    share = WARMING_S / np.maximum(np.nan_to_num(draw_s, nan=10.0), 0.5)[:, None]
    left = rewarming_limit_pa(np.abs(np.nan_to_num(depth)))[:, None] * share * -np.expm1(-1 / share)
    return 0.5 * left + 2.0


def fit_holds(
    bins: HoldBins,
    beliefs: Beliefs,
    barometric_pa: Floats,
    temperature_c: Floats,
    step: Floats,
    zero_sd: Floats,
    level: float,
) -> HoldFit:
    """Fit every hold, average over the time constants of warming, and give bounds at `level`."""
    mean, cov, curve, curve_sd, residual = _fit(bins, beliefs, barometric_pa, temperature_c, step)
    usable = (bins.n > 0).sum(axis=1) >= _MIN_BINS
    middle = np.abs((bins.n * bins.pressure).sum(axis=1) / np.maximum(bins.n.sum(axis=1), 1))
    leak, variance = mean[:, _LEAK] * _LEAK_SCALE, cov[:, _LEAK, _LEAK] * _LEAK_SCALE**2
    # A wrong zero shifts every level: F goes with the root of it.
    variance += (0.5 * leak * zero_sd / np.maximum(middle, 1.0)) ** 2
    stiffer = _stiffening(bins.window_s)
    variance += (0.6 * stiffer * leak) ** 2
    leak, sd = leak / (1 + stiffer), np.sqrt(variance) / (1 + stiffer)
    low, high = _bounds_above_zero(leak, sd, level)
    vapor = mean[:, _VAPOR] + mean[:, _UNDER] * middle

    def where(value: Floats) -> Floats:
        return np.where(usable, value, np.nan)

    return HoldFit(
        where(np.maximum(leak, 0)),
        where(leak),
        where(sd),
        where(low),
        where(high),
        where(vapor),
        where(residual),
        curve,
        curve_sd,
        np.where(usable, (bins.n > 0).sum(axis=1), 0).astype(float),
    )


def _stiffening(window_s: Floats) -> Floats:
    """Return by how much the pressure answers a leak more than a gas at constant temperature would [share].

    Air that flows in warms the gas by compression, and the walls take that back with a time constant tau: over a
    window T the rise is greater by up to (k-1)/k (tau/T) (1 - exp(-T/tau)); the middle of WARMING_S is taken.
    """
    share = WARMING_S[1] / np.maximum(np.nan_to_num(window_s, nan=60.0), 0.1)
    return rewarming_limit_pa(1.0) * share * -np.expm1(-1 / share)


def _bounds_above_zero(mean: Floats, sd: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the equal-tailed bounds of a normal law that is cut off at 0."""
    with np.errstate(all="ignore"):
        below = np.minimum(ndtr(-mean / sd), 1 - 1e-12)
        low = mean + sd * ndtri(below + (1 - below) * (1 - level) / 2)
        high = mean + sd * ndtri(below + (1 - below) * (1 + level) / 2)
    return np.maximum(low, 0), np.maximum(high, 0)


def _fit(
    bins: HoldBins, beliefs: Beliefs, barometric_pa: Floats, temperature_c: Floats, step: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return unknowns, their covariance, the curve at the bins, its standard deviation and a sample's residual."""
    prior = _prior(beliefs, barometric_pa, temperature_c)
    curve = _first_guess(bins)
    noise2 = np.full(len(curve), 25.0)
    floor2 = (_BIN_FLOOR_PA**2 + (_STEP_SHARE * step) ** 2)[:, None]
    for _ in range(_ROUNDS):
        design = _design(bins, curve, barometric_pa, temperature_c)
        weight = np.where(bins.n > 0, 1 / (noise2[:, None] / np.maximum(bins.n, 1) + floor2), 0)
        mean, cov = _solve(design, bins.pressure, weight, *prior)
        curve = (design @ mean[:, :, None])[:, :, 0]
        noise2 = _noise_of(bins, bins.pressure - curve)
    spread = np.sqrt(np.maximum(((design @ cov) * design).sum(axis=2), 0))
    return mean, cov, curve, spread, np.sqrt(noise2)


def _prior(beliefs: Beliefs, barometric_pa: Floats, temperature_c: Floats) -> tuple[Floats, Floats]:
    """Return the beliefs as precision times mean, and precision, of the unknowns.

    What the closed phase showed is r + a F(q) there, F being negative above zero: vapor less what a leak let out.
    """
    n = len(beliefs.rate)
    sd = np.full((n, _N_UNKNOWN), 1e4)
    sd[:, _UNDER], sd[:, _WARMING:] = beliefs.under_vacuum_sd, beliefs.warming_sd
    precision = np.zeros((n, _N_UNKNOWN, _N_UNKNOWN))
    diagonal = np.arange(_N_UNKNOWN)
    precision[:, diagonal, diagonal] = 1 / sd**2
    pull = np.zeros((n, _N_UNKNOWN))
    pull[:, _UNDER] = beliefs.under_vacuum / sd[:, _UNDER] ** 2
    closed = np.zeros((n, _N_UNKNOWN))
    closed[:, _VAPOR] = 1.0
    closed[:, _LEAK] = leak_speed(np.maximum(beliefs.closed_above, 0), barometric_pa, temperature_c) * _LEAK_SCALE
    closed /= beliefs.rate_sd[:, None]
    precision += closed[:, :, None] * closed[:, None, :]
    return pull + closed * (beliefs.rate / beliefs.rate_sd)[:, None], precision


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


def _design(bins: HoldBins, curve: Floats, barometric_pa: Floats, temperature_c: Floats) -> Floats:
    """Return the columns that the unknowns multiply: traces x bins x unknowns, in the order of their numbers."""
    speed = leak_speed(np.clip(curve, -2e4, 2e4), barometric_pa[:, None], temperature_c[:, None])
    t = np.nan_to_num(bins.t)
    known = (np.ones_like(t), t, _integral(t, speed) * _LEAK_SCALE, -_integral(t, curve))
    warming = -np.expm1(-np.maximum(t, 0)[:, :, None] / WARMING_S)
    return np.concatenate([np.stack(known, axis=2), warming], axis=2)


def _integral(t: Floats, value: Floats) -> Floats:
    """Integrate from the hold's beginning by trapezoids; before the first bin the value is the first one's."""
    out = np.empty_like(value)
    out[:, 0] = value[:, 0] * t[:, 0]
    pieces = 0.5 * (value[:, 1:] + value[:, :-1]) * np.diff(t, axis=1)
    out[:, 1:] = out[:, :1] + np.cumsum(pieces, axis=1)
    return out


def _solve(design: Floats, y: Floats, weight: Floats, pull: Floats, precision: Floats) -> tuple[Floats, Floats]:
    turned = (design * weight[:, :, None]).transpose(0, 2, 1)
    normal = turned @ design + precision
    right = (turned @ y[:, :, None])[:, :, 0] + pull
    scale = np.sqrt(np.diagonal(normal, axis1=1, axis2=2))
    cov = np.linalg.inv(normal / scale[:, :, None] / scale[:, None, :]) / scale[:, :, None] / scale[:, None, :]
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
