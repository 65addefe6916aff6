"""The pressure sensor of one recording: its noise, its steps, where its range ends, and from when on it stands dead."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import ZERO, Flags, Floats, Ints, compiled
from pipeline.traces.landmarks import Parts
from pipeline.traces.phases import DRAW, FLOWING
from pipeline.traces.ranges import (
    MAD_TO_SD,
    MOST_SORTED,
    extremes,
    least,
    least_step,
    median,
    middle_of,
    most,
    stride_of,
)

#: No sensor's end lies nearer to the vented level [Pa].
_CLIPPED_PA = 500.0
#: Readings that stand at the sensor's end: so many equal ones in a row, of a sensor of which two neighbors elsewhere
#: differ in at least this share of so many pairs: by chance that is rarer than one in a thousand.
_STANDS_N, _LIVELY, _MIN_PAIRS = 20, 0.3, 5
#: Noise of half a step and more makes two neighbors in a hundred differ by two.
_LEAPS = 0.02


class Sensor(NamedTuple):
    """The readings as such: number, noise, step, standard deviation of one, what rounding leaves in the mean of many,
    level, span, greatest vacuum [Pa], time between them [s], engine speed [1/min]; the least that the sensor can read
    where the recording stands at it [Pa], and the greatest where a hold under pressure does, else nan; for how long the
    reading stood dead still in the end [s], which was left out, else nan. One recording's, or arrays."""

    n: Any
    noise: Any
    step: Any
    sd: Any
    rounding: Any
    interval_s: Any
    level: Any
    span: Any
    peak_vacuum: Any
    rpm: Any
    floor: Any
    ceiling: Any
    stood_s: Any


@compiled
def alive_until(t: Floats, p: Floats, volts: Floats, duty: Floats, is_vent_closed: Flags) -> int:
    """Return the row from which on the reading stands dead still to the recording's end, through a command that moves
    any tank, and in volts as well where there are any; all rows where it does not.

    A sensor whose readings rarely differ from one to the next may stand still, and so may one at its end, and in coarse
    steps one of a tank that has nothing left to lose: at a reading of the open vent, once the purge has drawn. Where
    readings hardly ever differ by two steps, the purge being shut, they stand still wherever a tank keeps to the middle
    of a step, as a tight one does whose vent does not open.
    """
    n = len(t)
    a = n - 1
    while a > 0 and p[a - 1] == p[n - 1]:
        a -= 1
    if n - a <= _STANDS_N:
        return n
    is_told, unequal = False, 0
    for i in range(a + 1, n):
        is_told |= is_vent_closed[i] != is_vent_closed[i - 1] or (duty[i] > 0) != (duty[i - 1] > 0)
        if volts[i] != volts[i - 1] and np.isfinite(volts[i]):
            return n
    lowest, highest = p[a], p[a]
    for i in range(1, a):
        unequal += p[i] != p[i - 1]
        lowest, highest = min(lowest, p[i]), max(highest, p[i])
    is_inside = lowest < p[n - 1] < highest
    is_lively = unequal >= max(_LIVELY * (a - 1), _MIN_PAIRS)
    is_dead = is_told and is_inside and is_lively and _leaps(p[:a], duty)
    if is_dead and not _draws(duty, is_vent_closed, a, n) and _draws(duty, is_vent_closed, 0, a):
        for i in range(a):
            if p[i] == p[n - 1] and not is_vent_closed[i] and duty[i] <= 0:
                return n
    return a + 1 if is_dead else n


@compiled
def _leaps(p: Floats, duty: Floats) -> bool:
    """Say whether readings while the purge is shut differ from the one before by two of their steps now and then."""
    step, shut, leaps = np.inf, 0, 0
    for i in range(1, len(p)):
        if p[i] != p[i - 1] and duty[i] <= 0 and duty[i - 1] <= 0:
            step = min(step, abs(p[i] - p[i - 1]))
    for i in range(1, len(p)):
        if duty[i] <= 0 and duty[i - 1] <= 0:
            shut += 1
            leaps += abs(p[i] - p[i - 1]) > 1.5 * step
    return leaps >= _LEAPS * shut


@compiled
def _draws(duty: Floats, is_vent_closed: Flags, a: int, b: int) -> bool:
    """Say whether the purge is open in rows a to b with the vent shut."""
    return bool(np.any((duty[a:b] > 0) & is_vent_closed[a:b]))


@compiled
def take_out_outliers(p: Floats, a: int, b: int, smooth: Floats) -> None:
    """Fill `smooth` with each pressure as the median of itself and its two neighbors [Pa]; the ends stay."""
    p, smooth = p[a:b], smooth[a:b]
    smooth[0], smooth[-1] = p[0], p[-1]
    for i in range(1, len(p) - 1):
        before, after = p[i - 1], p[i + 1]
        smooth[i] = max(min(before, after), min(max(before, after), p[i]))


@compiled
def read_noise(
    t: Floats, p: Floats, phase: Ints, first: Ints, n: int, room: Floats
) -> tuple[float, float, float]:
    """Return noise [Pa], smallest step between unequal readings [Pa] and the usual time between samples [s].

    Noise is read from second differences, where no purge flows.
    """
    a, b = first[0], first[n]
    step = least_step(p, a, b)
    n_found = ZERO
    stride = stride_of(b - a)
    for i in range(a + 1, b, stride):
        room[n_found] = t[i] - t[i - 1]
        n_found += 1
    interval = middle_of(room, n_found)
    n_found = ZERO
    for s in range(n):
        if phase[s] != DRAW and phase[s] != FLOWING:
            for i in range(max(first[s], a + 2), first[s + 1], stride):
                if n_found == MOST_SORTED:
                    break
                room[n_found] = abs(p[i] - 2 * p[i - 1] + p[i - 2])
                n_found += 1
    noise = MAD_TO_SD * middle_of(room, n_found) / np.sqrt(6.0)
    return noise if noise == noise else 0.0, step, interval


@compiled
def read_sensor(
    t: Floats,
    p: Floats,
    rpm: Floats,
    smooth: Floats,
    a: int,
    b: int,
    parts: Parts,
    is_pressure_test: float,
    noise: tuple[float, float, float],
    zero: float,
    room: Floats,
) -> Sensor:
    """Read the sensor itself.

    Parameters
    ----------
    parts : rows of draw and hold. is_pressure_test : as in `Landmarks`. noise : as `read_noise` returns it. zero :
        vented level [Pa].
    """
    lowest, highest = extremes(smooth, a, b)
    at_lowest = 0
    for i in range(parts.draw[0], parts.draw[1]):
        at_lowest += p[i] <= lowest + 1e-9
    # A draw that ends in a row of equal lowest readings is the sensor's end, not the tank's; none lies beyond it.
    is_clipped = (at_lowest >= 4 and at_lowest * noise[2] >= 1.0) or _stands(
        p, a, b, parts.draw, parts.hold, lowest, -1.0
    )
    is_full = is_pressure_test > 0 and _stands(p, a, b, parts.draw, parts.hold, highest, 1.0)
    return Sensor(
        float(b - a),
        noise[0],
        noise[1],
        sd_of(noise),
        rounding_of(noise),
        noise[2],
        median(p, a, b, room),
        highest - lowest,
        max(zero - lowest, 0.0),
        median(rpm, a, b, room),
        lowest if is_clipped and lowest < -_CLIPPED_PA and lowest <= least(p, a, b) else np.nan,
        highest if is_full and highest > _CLIPPED_PA and highest >= most(p, a, b) else np.nan,
        t[len(t) - 1] - t[b - 1] if b < len(t) else np.nan,
    )


@compiled
def _stands(
    p: Floats, a: int, b: int, draw: tuple[int, int], hold: tuple[int, int], end: float, side: float
) -> bool:
    """A hold stands at the sensor's end: a row of equal readings, its lowest (side -1) or highest (1), where elsewhere
    neighbors differ.

    Of a sensor whose readings rarely differ from one to the next, equal ones tell nothing.
    """
    run, longest = 0, 0
    for i in range(hold[0], hold[1]):
        run = run + 1 if side * (p[i] - end) >= -1e-9 else 0
        longest = max(longest, run)
    if longest < _STANDS_N:
        return False
    pairs, unequal = 0, 0
    for i in range(a + 1, b):
        inside = max(side * (p[i] - end), side * (p[i - 1] - end)) < -1e-9
        if (i < draw[0] or i > draw[1]) and inside:
            pairs += 1
            unequal += p[i] != p[i - 1]
    return pairs >= _MIN_PAIRS and unequal >= _LIVELY * pairs


@compiled
def sd_of(noise: tuple[float, float, float]) -> float:
    """Return the standard deviation of one reading [Pa], from its noise and its step."""
    return np.hypot(noise[0], noise[1] / np.sqrt(12.0)) + 0.05


@compiled
def rounding_of(noise: tuple[float, float, float]) -> float:
    """Return the error [Pa] that steps leave in the mean of readings of one level: noise averages it out."""
    return noise[1] / np.sqrt(12.0) / np.sqrt(1 + (3 * noise[0] / max(noise[1], 1e-9)) ** 2)
