"""The heat of a tank's gas, as the holds of the whole lake show it, for those that cannot show their own.

A tight tank's gas warms after the draw for all to see; beside a large leak the pressure is gone before that is told
from the leak, and what is believed of the heat goes into the diameter.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.traces.bundles import put_in
from pipeline.traces.compiled import Floats
from pipeline.traces.hold_fit import HoldFit, bounds_above_zero
from pipeline.traces.hold_kernel import HEAT_MOST, LOG_TAU_MOST
from pipeline.traces.model_norms import Norms
from pipeline.traces.readings import Shown

#: A hold tells the heat that knows its share and the logarithm of its time to so much, and begins at such a vacuum [Pa]
#: beside no leak larger than this [mm].
_TELLS_SHARE, _TELLS_LOG_TAU = 0.1, 0.4
_TELLS_PA, _TELLS_MM = 500.0, 1.0
#: However alike holds are, one of a lake is known no better than this.
_LEAST_SHARE_SD, _LEAST_LOG_TAU_SD = 0.08, 0.3
#: A variance is never lowered below this part of it.
_LEFT = 0.25


def heat_told(fit: HoldFit, shown: Shown, leak_mm: Floats) -> dict[str, Floats]:
    """Return what each hold tells of the heat beside what was believed, nan where it tells nothing: the share of the
    exchange that is seen over that, and the logarithm of its time constant less that. `leak_mm` is the hole beside
    it [mm]."""
    heat = fit.heat
    with np.errstate(invalid="ignore"):
        tells = (heat.share_sd < _TELLS_SHARE) & (heat.log_tau_sd < _TELLS_LOG_TAU)
        tells &= (shown.hold.start_above < -_TELLS_PA) & (leak_mm < _TELLS_MM)
    return {
        "heat_share_ratio": np.where(tells, heat.share / heat.believed_share, np.nan),
        "heat_time_log_ratio": np.where(tells, heat.log_tau - heat.believed_log_tau, np.nan),
    }


def with_fleet_heat(fit: HoldFit, norms: Norms, level: float) -> HoldFit:
    """Return the leaks of each hold as they are with the lake's heat believed, where it spreads less than the belief.

    The fit is taken as linear about what it found: its belief of share and time constant is taken out, the lake's put
    in its place, and the leak follows by its covariances.
    """
    heat = fit.heat
    ratio, off = (norms.norm[name] for name in ("heat_share_ratio", "heat_time_log_ratio"))
    ratio_sd, off_sd = (norms.spread[name] for name in ("heat_share_ratio", "heat_time_log_ratio"))
    believed = np.stack([heat.believed_share, heat.believed_log_tau])
    believed_sd = np.stack([heat.believed_share_sd, heat.believed_log_tau_sd])
    share_sd = np.maximum(ratio_sd * heat.believed_share, _LEAST_SHARE_SD)
    lake = np.stack([ratio * heat.believed_share, heat.believed_log_tau + off])
    lake_sd = np.stack([share_sd, np.maximum(off_sd, _LEAST_LOG_TAU_SD)])
    with np.errstate(invalid="ignore"):
        is_told = np.isfinite(lake) & (lake_sd < believed_sd)
    k = np.flatnonzero(is_told.any(axis=0) & np.isfinite(fit.leak_mean))
    if not len(k):
        return fit
    was, was_sd = believed[:, k], believed_sd[:, k]
    now, now_sd = np.where(is_told, lake, believed)[:, k], np.where(is_told, lake_sd, believed_sd)[:, k]
    found = np.stack([heat.share[k], heat.log_tau[k]], axis=1)
    cov = _symmetric(heat.share_sd[k] ** 2, heat.share_with_tau[k], heat.log_tau_sd[k] ** 2)
    precision = _inverse(cov)
    sharper = now_sd**-2 - was_sd**-2
    added = _symmetric(sharper[0], 0.0 * sharper[0], sharper[1])
    new_cov = _inverse(precision + added)
    pull = np.einsum("nij,nj->ni", precision, found) + (now / now_sd**2 - was / was_sd**2).T
    new = np.clip(np.einsum("nij,nj->ni", new_cov, pull), 0.0, [HEAT_MOST, LOG_TAU_MOST])
    gain = np.einsum(
        "nij,nj->ni", precision, np.stack([heat.leak_with_share[k], heat.leak_with_tau[k]], axis=1)
    )
    moved = np.einsum("ni,ni->n", gain, new - found)
    less = np.einsum("ni,nij,nj->n", gain, cov - new_cov, gain)
    mean = fit.leak_mean[k] + moved
    sd, down, up = (
        np.sqrt(np.maximum(old[k] ** 2 - less, _LEFT * old[k] ** 2))
        for old in (fit.leak_sd, fit.leak_down_sd, fit.leak_up_sd)
    )
    low, high = bounds_above_zero(mean, down, up, level)
    found_anew = {
        "leak": np.maximum(mean, 0),
        "leak_mean": mean,
        "leak_sd": sd,
        "leak_down_sd": down,
        "leak_up_sd": up,
        "leak_low": low,
        "leak_high": high,
    }
    return replace(fit, **{name: put_in(getattr(fit, name), some, k) for name, some in found_anew.items()})


def _symmetric(first: Floats, both: Floats, second: Floats) -> Floats:
    return np.stack([np.stack([first, both], axis=-1), np.stack([both, second], axis=-1)], axis=-2)


def _inverse(symmetric: Floats) -> Floats:
    first, both, second = symmetric[:, 0, 0], symmetric[:, 0, 1], symmetric[:, 1, 1]
    return _symmetric(second, -both, first) / (first * second - both**2)[:, None, None]
