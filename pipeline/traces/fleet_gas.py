"""Heat and vapor of a tank's gas, as the holds of the whole lake show them, for those that cannot show their own.

A tight tank's gas warms after the draw for all to see; beside a large leak the pressure is gone before that is told
from the leak, and what is believed of the heat goes into the diameter. Beside a small one, so does what is believed of
the vapor that comes back after the draw (`fleet_vapor`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.traces.beliefs import GIVEN_BACK_SD, Beliefs
from pipeline.traces.compiled import Floats
from pipeline.traces.hold_fit import HoldFit
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


def heat_told(fit: HoldFit, beliefs: Beliefs, shown: Shown, leak_mm: Floats) -> dict[str, Floats]:
    """Return what each hold tells of the heat beside what was believed, nan where it tells nothing: the share of the
    exchange that is seen over that, and the logarithm of its time constant less that. `leak_mm` is the hole beside
    it [mm]."""
    gas = fit.gas
    with np.errstate(invalid="ignore"):
        tells = (gas.share_sd < _TELLS_SHARE) & (shown.hold.start_above < -_TELLS_PA) & (leak_mm < _TELLS_MM)
        # Where no heat is seen, none tells how long it takes.
        tells_time = tells & (gas.log_tau_sd < _TELLS_LOG_TAU)
    return {
        "heat_share_ratio": np.where(tells, gas.share / beliefs.heat, np.nan),
        "heat_time_log_ratio": np.where(tells_time, gas.log_tau - beliefs.log_tau, np.nan),
    }


def vapor_told(fit: HoldFit, beliefs: Beliefs, shown: Shown) -> dict[str, Floats]:
    """Return what each hold tells of the vapor that its tank gives back if it has no hole, over what is usual, and its
    standard deviation; nan where it tells nothing.

    What was believed beforehand is taken out, so that it is told once, by the lake.
    """
    gas, usual, usual_sd = fit.gas, beliefs.under_vacuum, beliefs.under_vacuum_sd
    with np.errstate(all="ignore"):
        by_leak = gas.leak_with_under / gas.leak_linear_sd**2
        variance = gas.under_sd**2 - by_leak * gas.leak_with_under
        alone = gas.under - by_leak * fit.leak_mean
        precision = 1 / variance - usual_sd**-2.0
        told = (alone / variance - usual / usual_sd**2) / precision
        other = usual - beliefs.given_back
        ratio, sd = (told - other) / beliefs.given_back, precision**-0.5 / beliefs.given_back
        tells = (sd < _TELLS_VAPOR) & (shown.hold.start_above < -_TELLS_PA)
    return {
        "vapor_return_ratio": np.where(tells, ratio, np.nan),
        "vapor_return_sd": np.where(tells, sd, np.nan),
    }


def by_lake(beliefs: Beliefs, norms: Norms) -> Beliefs:
    """Return what is believed of each tank once the lake's gas is known: the heat is the lake's where that spreads less
    than what was believed, the vapor wherever the lake tells it."""
    (ratio, off, vapor), (ratio_sd, off_sd, vapor_sd) = (
        [of[name] for name in (*OF_ALL, VAPOR_RETURN)] for of in (norms.norm, norms.spread)
    )
    share_sd = np.maximum(ratio_sd * beliefs.heat, _LEAST_SHARE_SD)
    tau_sd = np.maximum(off_sd, _LEAST_LOG_TAU_SD)
    with np.errstate(invalid="ignore"):
        is_share = np.isfinite(ratio) & (share_sd < beliefs.heat_sd)
        is_tau = np.isfinite(off) & (tau_sd < beliefs.log_tau_sd)
    is_vapor = np.isfinite(vapor)
    more2 = np.where(is_vapor, vapor_sd**2 - GIVEN_BACK_SD**2, 0.0) * beliefs.given_back**2
    return replace(
        beliefs,
        heat=np.where(is_share, ratio * beliefs.heat, beliefs.heat),
        heat_sd=np.where(is_share, share_sd, beliefs.heat_sd),
        log_tau=np.where(is_tau, beliefs.log_tau + off, beliefs.log_tau),
        log_tau_sd=np.where(is_tau, tau_sd, beliefs.log_tau_sd),
        under_vacuum=beliefs.under_vacuum + np.where(is_vapor, vapor - 1, 0.0) * beliefs.given_back,
        under_vacuum_sd=np.sqrt(beliefs.under_vacuum_sd**2 + more2),
        under_most_sd=np.sqrt(beliefs.under_most_sd**2 + more2),
    )
