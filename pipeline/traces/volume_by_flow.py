"""The gas volume that a model's purge flow tells, where nobody wrote down the fuel level.

How fast the draw takes the pressure down says how large the volume is, once the flow is known from the other recordings
of the model. Where the level is known this adds nothing: flow scatters by 15 %, tank size and level give 5 %.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.settings import Settings
from pipeline.traces.bundles import put_in, some_of
from pipeline.traces.model_norms import Norms
from pipeline.traces.purge_flow import LEAST_LOG_SD, duty_log_sd, duty_of_fall, fall_log_sd, volume_by_flow_l
from pipeline.traces.sizes import Sizes, size_leaks
from pipeline.traces.taken import Taken, numbers_of

#: What a full tank leaves of its nominal size as ullage, at the least [share] (judgement: a gauge's own error).
FULL = 0.03


def told_by_flow(taken: Taken, sizes: Sizes, norms: Norms, settings: Settings) -> Sizes:
    """Return the batch's sizes, by its models' purge flow where a tank's fuel level is unknown.

    What the flow means and what any fill would be are weighed by their variances, as logarithms.
    """
    space, air = sizes.volume, taken.air
    flow, spread = norms.norm["purge_flow_l_min"], norms.spread["purge_flow_l_min"]
    told = volume_by_flow_l(taken.shown, sizes.leak, norms, air)
    asked = space.is_tank_known & ~space.is_level_known & np.isfinite(told)
    k = np.flatnonzero(asked)
    if not len(k):
        return sizes
    # No tank is fuller than full, or emptier than empty.
    tank_l = numbers_of(taken.headers, "fuel_tank_l")
    told = np.clip(told, space.extra_l + FULL * tank_l, space.extra_l + tank_l)
    by_duty = np.hypot(duty_log_sd(duty_of_fall(taken.shown), norms), fall_log_sd(taken.shown))[k]
    log_sd = np.hypot(np.maximum(spread[k] / flow[k], LEAST_LOG_SD), by_duty)
    weight = space.log_sd[k] ** 2 / (space.log_sd[k] ** 2 + log_sd**2)
    working = np.exp(weight * np.log(told[k]) + (1 - weight) * np.log(space.working_l[k]))
    by_purge = replace(
        some_of(space, k),
        working_l=working,
        log_sd=log_sd * np.sqrt(weight),
        is_by_purge=np.ones(len(k), bool),
    )
    anew = size_leaks(some_of(taken.fit, k), some_of(taken.shown, k), by_purge, some_of(air, k), settings)
    return put_in(sizes, anew, k)
