"""Heat and vapor of a tank's gas, as the holds of the whole lake show them, for those that cannot show their own.

A tight tank's gas warms after the draw for all to see; beside a large leak the pressure is gone before that is told
from the leak, and what is believed of the heat goes into the diameter. Beside a small one, so does what is believed of
the vapor that comes back after the draw (`fleet_vapor`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.traces.beliefs import GIVEN_BACK_SD
from pipeline.traces.bundles import put_in
from pipeline.traces.compiled import Floats, Ints
from pipeline.traces.hold_fit import GasFit, HoldFit, bounds_above_zero
from pipeline.traces.hold_kernel import HEAT_MOST, LOG_TAU_MOST
from pipeline.traces.model_norms import OF_ALL, VAPOR_RETURN, Norms
from pipeline.traces.readings import Shown

#: A hold tells the heat that knows its share and the logarithm of its time to so much, and begins at such a vacuum [Pa]
#: beside no leak larger than this [mm].
_TELLS_SHARE, _TELLS_LOG_TAU = 0.1, 0.4
_TELLS_PA, _TELLS_MM = 500.0, 1.0
#: And the vapor that knows it to so many times what is usual, if there were no hole.
_TELLS_VAPOR = 4.0
#: However alike holds are, one of a lake is known no better than this.
_LEAST_SHARE_SD, _LEAST_LOG_TAU_SD = 0.08, 0.3
_LEAST, _MOST = np.array([[0.0], [0.0], [-np.inf]]), np.array([[HEAT_MOST], [LOG_TAU_MOST], [np.inf]])
#: A variance is never lowered below this part of it.
_LEFT = 0.25


def heat_told(fit: HoldFit, shown: Shown, leak_mm: Floats) -> dict[str, Floats]:
    """Return what each hold tells of the heat beside what was believed, nan where it tells nothing: the share of the
    exchange that is seen over that, and the logarithm of its time constant less that. `leak_mm` is the hole beside
    it [mm]."""
    gas = fit.gas
    with np.errstate(invalid="ignore"):
        tells = (gas.share_sd < _TELLS_SHARE) & (shown.hold.start_above < -_TELLS_PA) & (leak_mm < _TELLS_MM)
        # Where no heat is seen, none tells how long it takes.
        tells_time = tells & (gas.log_tau_sd < _TELLS_LOG_TAU)
    return {
        "heat_share_ratio": np.where(tells, gas.share / gas.believed_share, np.nan),
        "heat_time_log_ratio": np.where(tells_time, gas.log_tau - gas.believed_log_tau, np.nan),
    }


def vapor_told(fit: HoldFit, shown: Shown) -> dict[str, Floats]:
    """Return what each hold tells of the vapor that its tank gives back if it has no hole, over what is usual, and its
    standard deviation; nan where it tells nothing.

    What was believed beforehand is taken out, so that it is told once, by the lake.
    """
    gas = fit.gas
    with np.errstate(all="ignore"):
        by_leak = gas.leak_with_under / gas.leak_linear_sd**2
        variance = gas.under_sd**2 - by_leak * gas.leak_with_under
        alone = gas.under - by_leak * fit.leak_mean
        precision = 1 / variance - gas.believed_under_sd**-2.0
        told = (alone / variance - gas.believed_under / gas.believed_under_sd**2) / precision
        other = gas.believed_under - gas.given_back
        ratio, sd = (told - other) / gas.given_back, precision**-0.5 / gas.given_back
        tells = (sd < _TELLS_VAPOR) & (shown.hold.start_above < -_TELLS_PA)
    return {
        "vapor_return_ratio": np.where(tells, ratio, np.nan),
        "vapor_return_sd": np.where(tells, sd, np.nan),
    }


def with_fleet_gas(fit: HoldFit, norms: Norms, level: float) -> HoldFit:
    """Return the leaks of each hold, and its vapor, as they are with the lake's gas believed: its heat where that
    spreads less than the belief, its vapor wherever it is told.

    The fit is taken as linear about what it found: its belief of share, time constant and vapor under vacuum is taken
    out, the lake's put in its place, and leak and vapor follow by their covariances.
    """
    gas = fit.gas
    believed = np.stack([gas.believed_share, gas.believed_log_tau, gas.believed_under])
    believed_sd = np.stack([gas.believed_share_sd, gas.believed_log_tau_sd, gas.believed_under_sd])
    lake, lake_sd = _by_lake(fit, norms)
    with np.errstate(invalid="ignore"):
        is_told = np.isfinite(lake)
        is_told[:2] &= lake_sd[:2] < believed_sd[:2]
    k = np.flatnonzero(is_told.any(axis=0) & np.isfinite(fit.leak_mean))
    if not len(k):
        return fit
    was, was_sd = believed[:, k], believed_sd[:, k]
    now, now_sd = np.where(is_told, lake, believed)[:, k], np.where(is_told, lake_sd, believed_sd)[:, k]
    found = np.stack([gas.share[k], gas.log_tau[k], gas.under[k]])
    cov = _covariances(gas, k)
    precision = _inverse(cov)
    new_cov = _inverse(precision + _on_diagonal(now_sd**-2 - was_sd**-2))
    pull = _times(precision, found) + now / now_sd**2 - was / was_sd**2
    new = np.clip(_times(new_cov, pull), _LEAST, _MOST)
    with_leak = np.stack([gas.leak_with_share[k], gas.leak_with_tau[k], gas.leak_with_under[k]])
    with_vapor = np.stack([gas.vapor_with_share[k], gas.vapor_with_tau[k], gas.vapor_with_under[k]])
    gain, of_vapor = _times(precision, with_leak), _times(precision, with_vapor)
    less = (gain * _times(cov - new_cov, gain)).sum(axis=0)
    mean = fit.leak_mean[k] + (gain * (new - found)).sum(axis=0)
    sd, down, up = (
        np.sqrt(np.maximum(old[k] ** 2 - less, _LEFT * old[k] ** 2))
        for old in (fit.leak_sd, fit.leak_down_sd, fit.leak_up_sd)
    )
    low, high = bounds_above_zero(mean, down, up, level)
    found_anew = {
        "vapor": fit.vapor[k] + (of_vapor * (new - found)).sum(axis=0),
        "leak": np.maximum(mean, 0),
        "leak_mean": mean,
        "leak_sd": sd,
        "leak_down_sd": down,
        "leak_up_sd": up,
        "leak_low": low,
        "leak_high": high,
    }
    return replace(fit, **{name: put_in(getattr(fit, name), some, k) for name, some in found_anew.items()})


def _by_lake(fit: HoldFit, norms: Norms) -> tuple[Floats, Floats]:
    """Return share, logarithm of the time constant and vapor under vacuum as the lake has them (3, n), and their
    standard deviations; nan where it does not tell."""
    gas = fit.gas
    (ratio, off, vapor), (ratio_sd, off_sd, vapor_sd) = (
        [of[name] for name in (*OF_ALL, VAPOR_RETURN)] for of in (norms.norm, norms.spread)
    )
    share_sd = np.maximum(ratio_sd * gas.believed_share, _LEAST_SHARE_SD)
    under_sd2 = gas.believed_under_sd**2 + (vapor_sd**2 - GIVEN_BACK_SD**2) * gas.given_back**2
    mean = [
        ratio * gas.believed_share,
        gas.believed_log_tau + off,
        gas.believed_under + (vapor - 1) * gas.given_back,
    ]
    sd = [share_sd, np.maximum(off_sd, _LEAST_LOG_TAU_SD), np.sqrt(under_sd2)]
    return np.stack(mean), np.stack(sd)


def _covariances(gas: GasFit, k: Ints) -> Floats:
    """Return those of share, logarithm of the time constant and vapor under vacuum (6, n): the three variances, then
    of the first with the second and the third, and of these two."""
    variances = [gas.share_sd[k] ** 2, gas.log_tau_sd[k] ** 2, gas.under_sd[k] ** 2]
    return np.stack([*variances, gas.share_with_tau[k], gas.under_with_share[k], gas.under_with_tau[k]])


def _on_diagonal(three: Floats) -> Floats:
    return np.concatenate([three, np.zeros_like(three)])


def _inverse(matrix: Floats) -> Floats:
    """Return the inverses of symmetric matrices (6, n), by their cofactors: all at once, where LAPACK takes each."""
    a, b, c, ab, ac, bc = matrix
    first, second, third = b * c - bc**2, ac * bc - ab * c, ab * bc - ac * b
    cofactors = [first, a * c - ac**2, a * b - ab**2, second, third, ab * ac - a * bc]
    return np.stack(cofactors) / (a * first + ab * second + ac * third)


def _times(matrix: Floats, vector: Floats) -> Floats:
    """Return the products of symmetric matrices (6, n) with vectors (3, n)."""
    a, b, c, ab, ac, bc = matrix
    x, y, z = vector
    return np.stack([a * x + ab * y + ac * z, ab * x + b * y + bc * z, ac * x + bc * y + c * z])
