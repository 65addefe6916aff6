"""What a hold's fit takes as known and as believed, as precisions of its unknowns."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import Floats, fused
from pipeline.traces.hold_gas import leak_flow, viscous_pa
from pipeline.traces.hold_solve import HEAT, LEAK, LEVEL, LOG_TAU, UNDER, VAPOR

#: Order of magnitude of a [1/m] (1 mm in 50 l): it scales the equations and bounds nothing.
LEAK_SCALE = 1e-5
#: Of what nothing is believed; and of a leak that there is none [LEAK_SCALE].
WEAK_SD, NO_LEAK_SD = 1e4, 1e-6


class Around(NamedTuple):
    """What the fit takes as known of each hold: ambient pressure [Pa], R T [J/kg], viscosity [Pa s], gas volume [m3],
    discharge coefficient at high Reynolds number, variance of a reading [Pa2], and what rounding to the sensor's steps
    leaves in a mean that does not move [Pa]."""

    air: Any
    heat: Any
    viscosity: Any
    volume: Any
    discharge: Any
    noise2: Any
    rounding: Any


@fused
def viscous_at(leak: float, here: Around) -> float:
    """Return the pressure at which friction in a hole of this leak matters as inertia does [Pa]."""
    area = max(leak, 0.0) * LEAK_SCALE * here.volume / here.discharge
    return viscous_pa(np.sqrt(4 * area / np.pi) * 1e3, here.air, here.heat, here.viscosity, here.discharge)


@fused
def believe_of_tanks(given: Floats, precision: Floats, pull: Floats) -> None:
    """Fill the beliefs of tanks in general: precision (lower half) of the unknowns, and precision times mean; the
    vapor's and the leak's are left to `believe`."""
    under, under_sd, heat, heat_sd, log_tau, log_tau_sd = given[7:13]
    precision[:, :] = 0.0
    pull[:] = 0.0
    _believe_one(precision, pull, LEVEL, 0.0, WEAK_SD)
    _believe_one(precision, pull, UNDER, under, under_sd)
    _believe_one(precision, pull, HEAT, heat, heat_sd)
    _believe_one(precision, pull, LOG_TAU, log_tau, log_tau_sd)


@fused
def believe(given: Floats, here: Around, before: Floats, precision: Floats, pull: Floats) -> None:
    """Fill the beliefs of vapor and leak.

    What the closed phase showed is r + a F(q) there, F being negative above zero. Near zero F is steep, so that a
    level known to a few pascals leaves a F(q) uncertain, by more the larger the leak of the round `before`, which also
    says on which side of the usual the vapor lies.
    """
    usual, usual_sd, below_sd, closed, closed_sd, above, above_sd = given[:7]
    _believe_one(precision, pull, VAPOR, usual, below_sd if before[VAPOR] < usual else usual_sd)
    _believe_one(precision, pull, LEAK, 0.0, given[13])
    viscous = viscous_at(before[LEAK], here)
    low, high = max(above - 2 * above_sd, 0.0), max(above + 2 * above_sd, 0.0)
    least = leak_flow(low, here.air, here.heat, viscous) * LEAK_SCALE
    most = leak_flow(high, here.air, here.heat, viscous) * LEAK_SCALE
    told = 1 / (closed_sd**2 + (max(before[LEAK], 0.0) * (least - most) / 4) ** 2)
    by_leak = 0.5 * (least + most)
    precision[VAPOR, VAPOR] += told
    precision[LEAK, VAPOR] = by_leak * told
    precision[LEAK, LEAK] += by_leak * by_leak * told
    pull[VAPOR] += closed * told
    pull[LEAK] += by_leak * closed * told


@fused
def _believe_one(precision: Floats, pull: Floats, unknown: int, mean: float, sd: float) -> None:
    told = 1 / (sd * sd)
    precision[unknown, unknown] = told
    pull[unknown] = mean * told
