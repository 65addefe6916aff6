"""A clock that jumps inside a hold: what the pressure says about the time that passed."""

from __future__ import annotations

import numpy as np

from pipeline.traces.compiled import Floats, compiled
from pipeline.traces.ranges import middle_of

#: Bins on either side of a joint whose slope says how fast the pressure moves there.
_BESIDE = 3
#: A gap spans at least so many bins' distances; a time that differs by less than this share is no jump.
_GAP = 1.6
_SAME = 0.4
#: The pressure tells the time where it moves so many times its scatter in it.
_TELLS = 6.0
#: Beside a step there are no more than so many others of half its size.
_OTHERS = 1
#: A clock that stood still is taken to have stood for no more than this [s].
_LONGEST_STAND_S = 10.0


@compiled
def mend_clock(t: Floats, pressure: Floats, m: int, scatter: float, late: Floats) -> float:
    """Move the bins' times t [s] where the pressure says that more or less time passed than the clock; return the
    seconds about which it cannot tell.

    At a gap in the samples the pressure either went on at its slope, then the samples are missing; or it hardly moved,
    then the clock leapt, and the gap is closed. Without a gap a step of the pressure along its slope, and no other,
    means that the clock stood still: one that few others in the hold come near, since fuel that sloshes makes many.

    Parameters
    ----------
    pressure : of m bins [Pa]. scatter : standard deviation of a bin's mean [Pa]. late : room for m times.
    """
    if m < 2 * _BESIDE + 2:
        return 0.0
    usual, moved, doubt = _usual_distance(t, m, late), 0.0, 0.0
    for i in range(m):
        late[i] = t[i]
    for i in range(1, m):
        span, passed = late[i] - late[i - 1], 0.0
        slope = _slope_about(late, pressure, m, i)
        change = pressure[i] - pressure[i - 1]
        if span > _GAP * usual:
            if abs(slope) * span > _TELLS * scatter:
                passed = min(max(change / slope, 0.0), span)
                moved -= span - passed if passed < (1 - _SAME) * span else 0.0
            else:
                doubt += span
        elif abs(change - slope * span) > _TELLS * scatter and change / slope > 2.5 * span:
            passed = min(change / slope, span + _LONGEST_STAND_S)
            if _is_a_step(late, pressure, m, i, scatter) and _is_alone(late, pressure, m, i):
                moved += passed - span
        t[i] = late[i] + moved
    return doubt


@compiled
def _usual_distance(t: Floats, m: int, room: Floats) -> float:
    for i in range(m - 1):
        room[i] = t[i + 1] - t[i]
    return middle_of(room, m - 1)


@compiled
def _slope_about(t: Floats, pressure: Floats, m: int, i: int) -> float:
    """Return the mean slope beside the joint between bins i - 1 and i [Pa/s]."""
    a, b = max(i - 1 - _BESIDE, 0), min(i + _BESIDE, m - 1)
    before = (pressure[i - 1] - pressure[a]) / (t[i - 1] - t[a]) if a < i - 1 else np.nan
    after = (pressure[b] - pressure[i]) / (t[b] - t[i]) if b > i else np.nan
    if np.isnan(before):
        return after
    return before if np.isnan(after) else 0.5 * (before + after)


@compiled
def _is_a_step(t: Floats, pressure: Floats, m: int, i: int, scatter: float) -> bool:
    """Whether the pressure runs on smoothly on either side of the joint, so that nothing but the clock stood still."""
    if i < _BESIDE or i + _BESIDE > m:
        return False
    before = pressure[i - 1] - pressure[i - _BESIDE]
    after = pressure[i + _BESIDE - 1] - pressure[i]
    step = abs(pressure[i] - pressure[i - 1])
    return before * after > 0 and max(abs(before), abs(after)) < step


@compiled
def _is_alone(t: Floats, pressure: Floats, m: int, i: int) -> bool:
    """Whether hardly any other joint's step off the slope beside it comes near that between bins i - 1 and i."""
    own, others = _off_slope(t, pressure, m, i), 0
    for j in range(1, m):
        # A step bends the slopes beside its neighbors.
        if abs(j - i) > _BESIDE and _off_slope(t, pressure, m, j) > 0.5 * own:
            others += 1
    return others <= _OTHERS


@compiled
def _off_slope(t: Floats, pressure: Floats, m: int, i: int) -> float:
    """Return by how much the pressure leaves its slope between bins i - 1 and i [Pa]."""
    return abs(pressure[i] - pressure[i - 1] - _slope_about(t, pressure, m, i) * (t[i] - t[i - 1]))
