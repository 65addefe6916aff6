"""What passes a purge valve that is shut, as a flow.

With vent and purge shut the pressure of a tank changes by its vapor less what the engine draws through the valve,
p' = v - q P / V. Before the draw no leak hides that; in the hold one may, and the vapor comes faster. So q is read
before the draw where a closed phase was recorded, and the hold bears it out or shows that something leaks as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pipeline.traces.air import Air
from pipeline.traces.beliefs import USUAL_RATE_PA_S, USUAL_RATE_SD_PA_S, Beliefs
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.readings import Shown
from pipeline.traces.shows import Closed
from pipeline.traces.signs import FALLS_PA_S, LATE_SHARE, MIN_HOLD_S
from pipeline.traces.sizes import VaporSpace

_MINUTE_S = 60.0
#: Walls that give, gas that is left colder, an engine whose vacuum is not steady [share of the flow] (judgement).
_MODEL_LOG_SD = 0.1
#: Levels of a hold's late part are means of readings that scatter alike: as of so few independent ones.
_READINGS_OF_LEVEL = 4.0
#: A fall that is even to the end lies on average half as low as it ends; one whose average lies lower than this share
#: of it came to rest: something leaks, or the sensor's end was reached.
_EVEN = 0.6
#: Beyond such a vacuum [Pa] a cap's relief valve may let air in: the hold contradicts nothing there (judgement).
_RELIEF_PA = 3000.0


@dataclass(frozen=True)
class PurgeLeak:
    """Gas that passes the shut purge valve [l/min, ambient], with bounds: nan where nothing tells it, and all but `low`
    where something may let gas in meanwhile. `most` is what a valve may pass unseen, by the closed phase alone: in the
    hold a small leak would hide it."""

    flow: Floats
    low: Floats
    high: Floats
    most: Floats


@dataclass(frozen=True)
class _Told:
    """What one part of the recording tells: flow and bounds [l/min], nan where it tells nothing."""

    flow: Floats
    low: Floats
    high: Floats

    def where(self, is_so: Flags) -> _Told:
        return _Told(*(np.where(is_so, each, np.nan) for each in (self.flow, self.low, self.high)))


def purge_leak(
    shown: Shown, marks: Landmarks, beliefs: Beliefs, volume: VaporSpace, air: Air, level: float
) -> PurgeLeak:
    """Return what passes the purge valve when it is shut, of every recording.

    Parameters
    ----------
    beliefs : of which the vapor of any tank is used. volume : `working_l`, of tanks whose size is known. level : of the
        interval.
    """
    surest = float(ndtri((1 + level) / 2))
    with np.errstate(all="ignore"):
        # Under pressure nobody knows whether the engine ran.
        is_drawn = marks.is_pressure_test <= 0
        closed, hold = (
            read(shown, beliefs, volume, air, surest).where(is_drawn) for read in (_of_closed, _of_hold)
        )
        is_before = np.isfinite(closed.flow) & (shown.closed.rate + surest * shown.closed.rate_sd < 0)
        flow, low, high = (
            np.where(is_before, before, after)
            for before, after in (
                (closed.flow, hold.flow),
                (closed.low, hold.low),
                (closed.high, hold.high),
            )
        )
        lets_in = (hold.high < flow) & (np.fmin(shown.hold.start_above, shown.hold.end_above) > -_RELIEF_PA)
        is_least = ~is_before | _came_to_rest(shown.closed) | lets_in
    flow, high = (np.where(is_least, np.nan, each) for each in (flow, high))
    return PurgeLeak(flow, np.where(low > 0, low, np.nan), high, closed.high)


def _of_closed(shown: Shown, beliefs: Beliefs, volume: VaporSpace, air: Air, surest: float) -> _Told:
    closed, vacuum = shown.closed, np.zeros(len(volume.working_l))
    return _flow(closed.rate, closed.rate_sd, beliefs, vacuum, volume, air, surest)


def _of_hold(shown: Shown, beliefs: Beliefs, volume: VaporSpace, air: Air, surest: float) -> _Told:
    """Read the later part of the hold, when the gas has warmed again; under the sensor's end it tells nothing."""
    hold, sensor = shown.hold, shown.sensor
    seconds = LATE_SHARE * hold.seconds
    rate_sd = sensor.sd * np.sqrt(2 / _READINGS_OF_LEVEL) / seconds
    vacuum = np.maximum(-0.5 * (hold.start_above + hold.end_above), 0.0)
    told = _flow(hold.late_change / seconds, rate_sd, beliefs, vacuum, volume, air, surest)
    return told.where((hold.seconds >= MIN_HOLD_S) & np.isnan(sensor.floor))


def _flow(
    rate: Floats,
    rate_sd: Floats,
    beliefs: Beliefs,
    vacuum: Floats,
    volume: VaporSpace,
    air: Air,
    surest: float,
) -> _Told:
    """Return the flow that a change of `rate` [Pa/s] under a `vacuum` [Pa] means, and its bounds.

    The vapor is that of any tank, since what this one's was a valve that passes hides.
    """
    per_pa_s = volume.working_l / air.pressure_pa * _MINUTE_S
    vapor = beliefs.usual + beliefs.under_vacuum * vacuum
    more = beliefs.under_most_sd * vacuum
    above = np.hypot(beliefs.usual * USUAL_RATE_SD_PA_S / USUAL_RATE_PA_S, more)
    below = np.hypot((beliefs.usual + FALLS_PA_S) / surest, beliefs.under_vacuum_sd * vacuum)
    flow = per_pa_s * (vapor - rate)
    share = np.abs(flow) * np.hypot(volume.log_sd, _MODEL_LOG_SD)
    down, up = (surest * np.sqrt(share**2 + per_pa_s**2 * (rate_sd**2 + sd**2)) for sd in (below, above))
    is_told = volume.is_tank_known & np.isfinite(rate) & np.isfinite(rate_sd)
    # Where more vapor came than is usual it hides a valve no less.
    passed = np.maximum(flow, 0.0)
    return _Told(passed, np.maximum(passed - down, 0.0), passed + up).where(is_told)


def _came_to_rest(closed: Closed) -> Flags:
    return closed.above < _EVEN * closed.rate * closed.seconds
