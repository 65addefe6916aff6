"""Fit leak and vapor to every hold at once.

The pressure above the vented level, q, in a rigid volume: dq/dt = a F(q) + r - b q + (B/tau) exp(-t/tau).
a = Cd A / V [1/m] is the leak (F: `physics.orifice.leak_speed`), r [Pa/s] the vapor that comes without vacuum,
b [1/s] what vacuum adds to it, and B [Pa] the gas warming again after the draw. Integrated once it is linear in
its unknowns, q = q0 + a int F dt + r t - b int q dt + B (1 - exp(-t/tau)); the integrals are taken along the
fitted curve itself, so that where it settles it solves the equation. Each unknown but the leak has a stated belief
(normal, mean and standard deviation), for a hold alone cannot tell a small leak from vapor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from pipeline.physics.orifice import leak_speed
from pipeline.physics.vapor import rewarming_limit_pa
from pipeline.traces.hold_bins import HoldBins
from pipeline.traces.phases import Floats

#: Time constants of the gas warming again that are tried [s]; their answers are averaged by how well they fit.
WARMING_S = (2.0, 5.0, 12.0)
_ROUNDS = 4
_N_UNKNOWN = 5
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


@dataclass(frozen=True)
class HoldFit:
    """Fit of each hold; nan where there was too little to fit.

    leak (a) [1/m] with its standard deviation and its bounds at the stated level, leak >= 0 being known; vapor
    rate in the hold [Pa/s], taken at the middle of the hold; residual [Pa] of a sample; curve and its standard
    deviation at the bins [Pa].
    """

    leak: Floats
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
    closed phase the rate may be anything from 0 to several Pa/s. The numbers are judgement, not a source.
    """
    known = np.isfinite(closed_rate)
    rate = np.where(known, closed_rate, 1.0)
    scale = np.maximum(rate, 0)
    rate_sd = np.where(known, np.hypot(np.nan_to_num(closed_rate_sd), 0.15 * scale + 0.1), 1.5)
    under = 0.25 * scale / 2500
    under_sd = (0.3 * scale + 0.15) / 2500
    cooling = rewarming_limit_pa(np.abs(depth)) * np.clip(8.0 / np.maximum(draw_s, 1.0), 0.1, 1.0)
    above = np.where(known, np.nan_to_num(closed_above), 0.0)
    return Beliefs(rate, rate_sd, above, under, under_sd, np.nan_to_num(cooling, nan=100.0) * 0.6 + 5)


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
    fits = [_fit_one_tau(bins, beliefs, barometric_pa, temperature_c, step, tau) for tau in WARMING_S]
    cost = np.stack([f[2] for f in fits])
    weight = np.exp(-0.5 * (cost - cost.min(axis=0)))
    weight /= weight.sum(axis=0)
    mean = np.stack([f[0] for f in fits])
    cov = np.stack([f[1] for f in fits])
    leaks, spreads = mean[:, :, 2] * _LEAK_SCALE, np.sqrt(cov[:, :, 2, 2]) * _LEAK_SCALE
    leak = (weight * leaks).sum(axis=0)
    variance = (weight * (spreads**2 + (leaks - leak) ** 2)).sum(axis=0)
    usable = (bins.n > 0).sum(axis=1) >= _MIN_BINS
    middle = np.abs((bins.n * bins.pressure).sum(axis=1) / np.maximum(bins.n.sum(axis=1), 1))
    # A wrong zero shifts every level: F goes with the root of it.
    variance += (0.5 * leak * zero_sd / np.maximum(middle, 1.0)) ** 2
    sd = np.sqrt(variance)
    low, high = _bounds_above_zero(leak, sd, level)
    best = np.argmax(weight, axis=0)
    pick = np.arange(len(leak))
    vapor = mean[best, pick, 1] + mean[best, pick, 4] * middle
    curve = np.stack([f[3] for f in fits])[best, pick]
    curve_sd = np.stack([f[4] for f in fits])[best, pick]
    residual = np.stack([f[5] for f in fits])[best, pick]

    def where(value: Floats) -> Floats:
        return np.where(usable, value, np.nan)

    return HoldFit(
        where(np.maximum(leak, 0)),
        where(sd),
        where(low),
        where(high),
        where(vapor),
        where(residual),
        curve,
        curve_sd,
        np.where(usable, (bins.n > 0).sum(axis=1), 0).astype(float),
    )


def _bounds_above_zero(mean: Floats, sd: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the equal-tailed bounds of a normal law that is cut off at 0."""
    with np.errstate(all="ignore"):
        below = np.minimum(ndtr(-mean / sd), 1 - 1e-12)
        low = mean + sd * ndtri(below + (1 - below) * (1 - level) / 2)
        high = mean + sd * ndtri(below + (1 - below) * (1 + level) / 2)
    return np.maximum(low, 0), np.maximum(high, 0)


def _fit_one_tau(
    bins: HoldBins, beliefs: Beliefs, barometric_pa: Floats, temperature_c: Floats, step: Floats, tau: float
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    prior = _prior(beliefs, barometric_pa, temperature_c)
    curve = _first_guess(bins)
    noise2 = np.full(len(curve), 25.0)
    floor2 = (_BIN_FLOOR_PA**2 + (_STEP_SHARE * step) ** 2)[:, None]
    for _ in range(_ROUNDS):
        design = _design(bins, curve, barometric_pa, temperature_c, tau)
        weight = np.where(bins.n > 0, 1 / (noise2[:, None] / np.maximum(bins.n, 1) + floor2), 0)
        mean, cov = _solve(design, bins.pressure, weight, *prior)
        curve = np.einsum("tbk,tk->tb", design, mean)
        noise2 = _noise_of(bins, bins.pressure - curve)
    cost = (weight * (bins.pressure - curve) ** 2).sum(axis=1) + _distance(mean, *prior)
    spread = np.sqrt(np.maximum(np.einsum("tbk,tkl,tbl->tb", design, cov, design), 0))
    return mean, cov, cost, curve, spread, np.sqrt(noise2)


def _prior(beliefs: Beliefs, barometric_pa: Floats, temperature_c: Floats) -> tuple[Floats, Floats]:
    """Return the beliefs as precision times mean, and precision, of the unknowns.

    What the closed phase showed is r + a F(q) there, F being negative above zero: vapor less what a leak let out.
    """
    n = len(beliefs.rate)
    sd = np.full((n, _N_UNKNOWN), 1e4)
    sd[:, 3], sd[:, 4] = beliefs.warming_sd, beliefs.under_vacuum_sd
    precision = np.zeros((n, _N_UNKNOWN, _N_UNKNOWN))
    diagonal = np.arange(_N_UNKNOWN)
    precision[:, diagonal, diagonal] = 1 / sd**2
    pull = np.zeros((n, _N_UNKNOWN))
    pull[:, 4] = beliefs.under_vacuum / sd[:, 4] ** 2
    closed = np.zeros((n, _N_UNKNOWN))
    closed[:, 1] = 1.0
    closed[:, 2] = leak_speed(np.maximum(beliefs.closed_above, 0), barometric_pa, temperature_c) * _LEAK_SCALE
    closed /= beliefs.rate_sd[:, None]
    precision += closed[:, :, None] * closed[:, None, :]
    return pull + closed * (beliefs.rate / beliefs.rate_sd)[:, None], precision


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


def _design(
    bins: HoldBins, curve: Floats, barometric_pa: Floats, temperature_c: Floats, tau: float
) -> Floats:
    speed = leak_speed(np.clip(curve, -2e4, 2e4), barometric_pa[:, None], temperature_c[:, None])
    t = np.nan_to_num(bins.t)
    columns = (
        np.ones_like(t),
        t,
        _integral(t, speed) * _LEAK_SCALE,
        1 - np.exp(-np.maximum(t, 0) / tau),
        -_integral(t, curve),
    )
    return np.stack(columns, axis=2)


def _integral(t: Floats, value: Floats) -> Floats:
    """Integrate from the hold's beginning by trapezoids; before the first bin the value is the first one's."""
    out = np.empty_like(value)
    out[:, 0] = value[:, 0] * t[:, 0]
    pieces = 0.5 * (value[:, 1:] + value[:, :-1]) * np.diff(t, axis=1)
    out[:, 1:] = out[:, :1] + np.cumsum(pieces, axis=1)
    return out


def _solve(
    design: Floats, y: Floats, weight: Floats, pull: Floats, precision: Floats
) -> tuple[Floats, Floats]:
    weighted = design * weight[:, :, None]
    normal = np.einsum("tbk,tbl->tkl", weighted, design) + precision
    right = np.einsum("tbk,tb->tk", weighted, y) + pull
    scale = np.sqrt(normal[:, np.arange(_N_UNKNOWN), np.arange(_N_UNKNOWN)])
    inverse = np.linalg.inv(normal / scale[:, :, None] / scale[:, None, :])
    cov = inverse / scale[:, :, None] / scale[:, None, :]
    return np.einsum("tkl,tl->tk", cov, right), cov


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
