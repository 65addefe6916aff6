"""What a recording shows beside its test: vented, shut before the draw, opened again after it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import Floats, Ints, compiled
from pipeline.traces.filling import FILLED_PA, was_drawn, was_filled
from pipeline.traces.landmarks import Landmarks, Parts
from pipeline.traces.phases import FLOWING, REST, SETTLING_S
from pipeline.traces.ranges import (
    are_lost,
    extremes,
    least,
    line,
    line_in_pieces,
    mean,
    median,
    row_after,
    row_from,
)
from pipeline.traces.sensor import rounding_of, sd_of

#: Rest level is read from at least so many samples.
_MIN_REST_SAMPLES = 3
#: The last part of a release, from which its end is read, and the least length of one that can come to rest [s].
_TAIL = 0.3
_SETTLED_RELEASE_S = 5.0
#: What a release leaves is read over its last second.
_RELEASE_END_S = 1.0
#: The level just before the vent opens is read over so long [s].
_BEFORE_RELEASE_S = 2.0
#: Purge through an open vent is read from so long [s] after the recording's start.
_FLOW_STARTS_S = 1.0
#: Levels of a vented tank agree within this and three standard deviations of a reading [Pa].
_AGREE_PA = 5.0
#: A hold that lost at least _LEAKED_FROM_PA [Pa] to so small a share of it, or so few pascals, and keeps still in its
#: last part, for so long [s]: vapor keeps it from the vented level by about _LEAKED_SD [Pa] (5 Pa/s through 0.5 mm).
_LEAKED_FROM_PA, _LEAKED_SHARE, _LEAKED_MOST_PA = 300.0, 0.2, 120.0
_LEAKED_TAIL, _LEAKED_LEAST_S, _LEAKED_SD = 0.4, 5.0, 10.0
#: Air that rushes in when a vacuum is let go warms the gas by up to 0.28 of it, as a pressure. A vent that opens for
#: some ten seconds between two tests leaves a few hundredths for the next closed phase to cool away [share of the
#: vacuum].
_COOLS_AFTER = 0.02
#: Of so few readings of a shut tank one tells too much.
_FEW_CLOSED = 5
#: No vented level is steadier than this [Pa]: wind, slosh.
_ZERO_SD = 2.0
#: Without a vented level the sensor's zero is taken as 0, known to this [Pa].
_UNKNOWN_ZERO_SD = 60.0


class Vented(NamedTuple):
    """With the vent open: the level that the sensor reads [Pa], nan where nothing tells it; number of the readings at
    rest before the test and their median volts [V], for how long [s], by how much the pressure moved meanwhile along a
    straight line [Pa], and the error of that; the sensor's zero [Pa], 0 where its level is not known, how well it is
    known, and whether it is; the pressure above it while purge flows through the open vent [Pa], the most vacuum [Pa]
    before the vent shuts, and whether pressure was put in from outside while the vent was commanded open."""

    rest: Any
    rest_n: Any
    rest_v: Any
    rest_s: Any
    moved: Any
    moved_sd: Any
    zero: Any
    zero_sd: Any
    is_zero_known: Any
    flowing_above: Any
    open_vacuum: Any
    is_put_in: Any


class Closed(NamedTuple):
    """Shut, before the draw: rate of change [Pa/s], mean above the vented level [Pa], length [s], change [Pa], and
    whether a vacuum was drawn all the same."""

    rate: Any
    rate_sd: Any
    above: Any
    seconds: Any
    change: Any
    is_drawn: Any


class Release(NamedTuple):
    """Vent open again, or purge shut while it is open: length [s], level above the vented one before it [Pa], time
    until half of it was gone [s] (where samples were lost then, until the last one before), and the share of it that is
    left at the end."""

    seconds: Any
    from_above: Any
    half_s: Any
    left: Any


@compiled
def read_vented(
    t: Floats,
    p: Floats,
    volts: Floats,
    smooth: Floats,
    phase: Ints,
    first: Ints,
    n: int,
    marks: Landmarks,
    parts: Parts,
    noise: tuple[float, float, float],
    room: Floats,
) -> Vented:
    """Read the zero from rest, else from the end of a release that came to rest, or of a hold that leaked all away.

    Parameters
    ----------
    phase, first, n : the recording's stretches. parts : their rows. noise : as `sensor.read_noise` returns it.
    """
    after_s = marks.first + _FLOW_STARTS_S
    flowing, lowest, put_in = _read_open(t, p, smooth, phase, first, n, after_s, noise[1], room)
    # Behind a blocked vent the vacuum of a flowing purge stays: what comes after it is no zero; nor is what was put in.
    a, b = first[0], first[1] if phase[0] == REST and not put_in else first[0]
    rest_s = t[b - 1] - t[a] if b > a else np.nan
    slope, slope_sd, _, _ = line(t, p, a, b)
    level, level_sd, is_known = _vented_level(t, p, smooth, (a, b), marks, parts, noise, room)
    zero = level if is_known else 0.0
    # What began far below its usual level (pressure put in, an earlier vacuum let go) did not fall to where it began.
    begun = smooth[a]
    fell_from = begun if begun < zero - FILLED_PA else zero
    return Vented(
        level if is_known else np.nan,
        float(b - a),
        median(volts, a, b, room),
        rest_s,
        slope * rest_s,
        np.hypot(slope_sd * rest_s, _ZERO_SD),
        zero,
        level_sd if is_known else _UNKNOWN_ZERO_SD,
        1.0 if is_known else 0.0,
        flowing - zero,
        fell_from - lowest,
        1.0 if put_in else 0.0,
    )


@compiled
def _vented_level(
    t: Floats,
    p: Floats,
    smooth: Floats,
    rest_rows: tuple[int, int],
    marks: Landmarks,
    parts: Parts,
    noise: tuple[float, float, float],
    room: Floats,
) -> tuple[float, float, bool]:
    """Return the vented level and its standard deviation [Pa], and whether anything tells it."""
    sd, release, hold = sd_of(noise), parts.release, parts.hold
    rest, rest_n = _level(p, rest_rows[0], rest_rows[1], noise, room), rest_rows[1] - rest_rows[0]
    level, used, steady, is_known = rest, rest_n, _ZERO_SD, rest_n >= _MIN_REST_SAMPLES
    if not is_known:
        length = marks.release_end - marks.release_start
        tail = row_after(t, release[0], release[1], marks.release_end - _TAIL * length), release[1]
        level, used = _level(p, tail[0], tail[1], noise, room), tail[1] - tail[0]
        is_known = _came_to_rest(t, p, rest_rows[0], tail, length, marks.release_start, level, sd)
        # Of slow recorders: few readings before the test and few after it that agree.
        if not is_known and rest_n + used >= _MIN_REST_SAMPLES and abs(rest - level) < 3 * sd + _AGREE_PA:
            level, used, is_known = (rest * rest_n + level * used) / (rest_n + used), rest_n + used, True
    if not is_known:
        length = marks.hold_end - marks.hold_start
        end = row_after(t, hold[0], hold[1], marks.hold_end - _LEAKED_TAIL * length)
        level, used, steady = _level(p, end, hold[1], noise, room), hold[1] - end, _LEAKED_SD
        is_known = _leaked_away(t, p, smooth, hold, end, level, sd)
    scatter = np.hypot(1.25 * sd / np.sqrt(max(used, 1)), rounding_of(noise))
    return level, np.hypot(scatter, steady), is_known


@compiled
def _level(p: Floats, a: int, b: int, noise: tuple[float, float, float], room: Floats) -> float:
    """Return the mean of the readings about their median [Pa]: noise carries it between the sensor's steps."""
    middle = median(p, a, b, room)
    reach = max(3 * sd_of(noise), 1.1 * noise[1])
    n, total = 0, 0.0
    for i in range(a, b):
        if abs(p[i] - middle) <= reach:
            n += 1
            total += p[i]
    return total / n if n else middle


@compiled
def _read_open(
    t: Floats,
    p: Floats,
    smooth: Floats,
    phase: Ints,
    first: Ints,
    n: int,
    after_s: float,
    step: float,
    room: Floats,
) -> tuple[float, float, bool]:
    """Return the level while purge flows through the open vent, the least before the vent shuts [Pa], and whether the
    tank was filled from outside meanwhile."""
    flowing, lowest, put_in = np.nan, np.nan, False
    for s in range(n):
        if phase[s] == REST or phase[s] == FLOWING:
            begin = first[s] if phase[s] == REST else row_after(t, first[s], first[s + 1], after_s)
            if phase[s] == FLOWING and np.isnan(flowing):
                flowing = median(p, begin, first[s + 1], room)
            here, most_here = extremes(smooth, begin, first[s + 1])
            lowest = here if not lowest <= here and here < np.inf else lowest
            if phase[s] == REST and most_here > FILLED_PA:
                put_in = put_in or was_filled(t, smooth, first[s], first[s + 1], step)
    return flowing, lowest, put_in


@compiled
def _came_to_rest(
    t: Floats,
    p: Floats,
    a: int,
    tail: tuple[int, int],
    length: float,
    release_start: float,
    level: float,
    sd: float,
) -> bool:
    """A release's end is the vented level where it is long and even, and not simply where the hold was."""
    if not length >= _SETTLED_RELEASE_S or tail[1] - tail[0] < 3:
        return False
    slope = line(t, p, tail[0], tail[1])[0]
    end = row_from(t, a, tail[0], release_start)
    before = mean(p, row_from(t, a, end, release_start - _BEFORE_RELEASE_S), end)
    is_blocked = abs(before) >= 150 and abs(level - before) < 0.3 * abs(before)
    return abs(slope) * length * _TAIL < 3 * sd + _AGREE_PA and not is_blocked


@compiled
def _leaked_away(
    t: Floats, p: Floats, smooth: Floats, hold: tuple[int, int], end: int, level: float, sd: float
) -> bool:
    """A hold that fell to a level near zero and kept still there is vented through its own leak."""
    if hold[1] - end < 5 or t[hold[1] - 1] - t[end] < _LEAKED_LEAST_S:
        return False
    moved = line(t, p, end, hold[1])[0] * (t[hold[1] - 1] - t[end])
    start = abs(smooth[hold[0]])
    near = min(_LEAKED_MOST_PA, _LEAKED_SHARE * start)
    return start >= _LEAKED_FROM_PA and abs(level) <= near and abs(moved) < sd + _AGREE_PA


@compiled
def read_closed(
    t: Floats,
    p: Floats,
    smooth: Floats,
    rows: tuple[int, int],
    marks: Landmarks,
    zero: float,
    n: int,
    noise: tuple[float, float, float],
    sd: float,
) -> Closed:
    """Read the shut tank before the draw.

    Parameters
    ----------
    rows : of the closed phase. zero : vented level [Pa]. n : samples of the recording. noise : as `sensor.read_noise`
        returns it. sd : of one reading [Pa].
    """
    start, seconds = marks.closed_start, marks.closed_end - marks.closed_start
    # Commands are polled beside the pressure: of few readings the last one before a draw may be the draw's.
    is_few = marks.draw_start == marks.closed_end and 0 < rows[1] - rows[0] < _FEW_CLOSED
    last = rows[1] - 1 if is_few else rows[1]
    a, b = row_after(t, rows[0], last, start + SETTLING_S), last
    # Where samples are missing, or the clock leapt, nobody knows how much time passed.
    rate, rate_sd, rest_sd, spread = line_in_pieces(t, p, a, b)
    # Quantized or drifting samples are not independent: their error is at least a part of a step's.
    least_sd = 0.3 * (noise[1] + noise[0] / np.sqrt(max(n, 1))) / seconds
    # Equal readings of a coarse sensor scatter by what summing rounds, or not at all: a reading's own error stands in.
    widened = 1.5 * max(sd, rest_sd) / np.sqrt(spread) if rate_sd == rate_sd else np.nan
    # A vacuum that was let go not long before (an earlier test) left the gas warm: it cools meanwhile.
    let_go = max(zero - least(smooth, 0, rows[0]), 0.0) if rows[0] > 0 else 0.0
    least_sd = np.hypot(least_sd, _COOLS_AFTER * let_go / seconds)
    early = row_from(t, a, b, start + 0.25 * seconds)
    late = row_after(t, a, b, start + 0.75 * seconds)
    return Closed(
        rate,
        np.hypot(widened, least_sd),
        mean(p, a, b) - zero,
        seconds,
        mean(p, late, b) - mean(p, a, early),
        1.0 if was_drawn(t, smooth, rows[0], rows[1]) else 0.0,
    )


@compiled
def read_release(
    t: Floats,
    p: Floats,
    a: int,
    rows: tuple[int, int],
    span: tuple[float, float],
    zero: float,
    interval_s: float,
    floor: float,
) -> Release:
    """Read how the vacuum went after the vent opened, or after the purge was shut while it was open.

    Parameters
    ----------
    a : the recording's first row. rows : of the release. span : its start and end [s]. zero : vented level [Pa].
    interval_s : usual time between samples [s]. floor : the sensor's least reading where the recording stands at it
        [Pa], else nan: time counts from when it leaves that.
    """
    start, end = span
    # Where samples were lost just before it, the last one stands for the level.
    begin = min(row_from(t, a, rows[0], start - _BEFORE_RELEASE_S), max(rows[0] - 1, a))
    above = mean(p, begin, rows[0]) - zero if start == start else np.nan
    half_s = np.nan
    for i in range(rows[0], rows[1]):
        if p[i] <= floor + 1e-9:
            start = t[i]
        if abs(p[i] - zero) < 0.5 * abs(above):
            is_lost = i > rows[0] and are_lost(t[i] - t[i - 1], interval_s)
            half_s = t[i - 1 if is_lost else i] - start
            break
    at_end = row_from(t, rows[0], rows[1], end - _RELEASE_END_S)
    return Release(end - start, above, half_s, (mean(p, at_end, rows[1]) - zero) / above)
