"""What the draw did, and what became of its vacuum in the hold."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import ZERO, Floats, Ints, compiled, summing
from pipeline.traces.landmarks import Landmarks, Parts
from pipeline.traces.phases import CLOSED, RELEASE, REST, SETTLING_S
from pipeline.traces.ranges import least, line_of_sums, mean, median, products, row_after, row_from

#: The level beside a command is read from so many seconds.
_BESIDE_S = 5.0
#: A draw or hold is steady from so many seconds after its start.
_STEADY_S = 3.0
#: What a hold ends at is read over its last second.
_LAST_S = 1.0
#: The middle of a draw's fall [share of its depth].
FROM_SHARE, TO_SHARE = 0.15, 0.6
#: Under a duty that rises evenly vacuum goes with the square of the time since gas began to flow: at the middle of that
#: part of the fall, so many times its length have passed.
_SINCE = 0.5 * (TO_SHARE**0.5 + FROM_SHARE**0.5) / (TO_SHARE**0.5 - FROM_SHARE**0.5)


class Draw(NamedTuple):
    """The chosen draw, of one recording or of many.

    before [Pa] : level just before it. depth [Pa] : from there to the lowest reading. risen [Pa] : from its first
    reading to its last fifth, below 0 where the pressure fell. effect, effect_sd [Pa] : how far its later half lies
    from the line that runs from before it to the hold, and the error of that. creep, creep_sd [Pa/s] : slope common to
    closed phase and hold, each about its own level. rate [Pa/s], seconds [s], lost_s [s] (longest time without a
    sample, until the next phase's first), rpm [1/min], duty [%] (mean until half of the vacuum was there), late_duty
    [%] (mean of the later half). mid_s [s], mid_duty, mid_duty_gain [%] : from FROM_SHARE to TO_SHARE of the vacuum,
    the mean duty meanwhile, and how much more that is for each e-fold of the time since gas began to flow; nan where
    one sample to the next passed over the beginning.
    """

    before: Any
    depth: Any
    risen: Any
    effect: Any
    effect_sd: Any
    creep: Any
    creep_sd: Any
    rate: Any
    seconds: Any
    lost_s: Any
    rpm: Any
    duty: Any
    late_duty: Any
    mid_s: Any
    mid_duty: Any
    mid_duty_gain: Any


class Hold(NamedTuple):
    """The chosen hold, of one recording or of many.

    seconds [s], n; start_above, end_above, last_above [Pa] : above the vented level, where it starts, in its last fifth
    and in its last second. change, late_change [Pa] : of its last fifth against its first seconds, and against its
    second quarter. free_s [s] : until it stood at the sensor's end, or all
    of it. gone_s [s] : until four fifths of the vacuum were gone. let_go_s [s] : in which four fifths of what stood at
    its end went before the vent was commanded open, where something opened. rose_s [s] : in which a filling brought
    the pressure from a tenth to half of where the hold starts.
    kept_early : share of the vacuum that is there some seconds later.
    """

    seconds: Any
    n: Any
    start_above: Any
    end_above: Any
    last_above: Any
    change: Any
    late_change: Any
    free_s: Any
    gone_s: Any
    let_go_s: Any
    rose_s: Any
    kept_early: Any


@compiled
def read_draw(
    t: Floats,
    p: Floats,
    rpm: Floats,
    duty: Floats,
    smooth: Floats,
    phase: Ints,
    first: Ints,
    marks: Landmarks,
    parts: Parts,
    zero: float,
    sd: float,
    room: Floats,
) -> Draw:
    """Read what the draw did.

    Parameters
    ----------
    phase, first : the stretches. zero : vented level [Pa], nan where unknown: it stands for the level before
        a draw that nothing precedes. sd : of one reading [Pa].
    """
    a, b = parts.draw
    n_beside, t_beside, before = _beside(t, p, phase, first, parts.draw_stretch, marks.draw_start)
    if np.isnan(before):
        before = zero
    if np.isnan(before):
        before = mean(p, a, row_after(t, a, b, marks.draw_start + SETTLING_S))
    depth = before - _lowest(t, smooth, marks, parts)
    half, half_row = marks.draw_start, b
    for i in range(a, b):
        if smooth[i] < before - 0.5 * depth:
            half, half_row = t[i], i
            break
    to_half = half - marks.draw_start
    t_beside = t_beside if t_beside == t_beside else marks.draw_start
    late = row_after(t, a, b, 0.5 * (marks.draw_start + marks.draw_end))
    # Where samples were lost at its end, the last one stands for that.
    at_end = min(row_after(t, a, b, 0.2 * marks.draw_start + 0.8 * marks.draw_end), max(b - 1, a))
    early_duty = mean(duty, a, max(half_row, min(a + 1, b)))
    effect, effect_sd = _effect(t, p, marks, parts, late, before, t_beside, n_beside, sd)
    creep, creep_sd = _creep(t, p, marks, parts, sd)
    return Draw(
        before,
        depth,
        mean(p, at_end, b) - smooth[a],
        effect,
        effect_sd,
        creep,
        creep_sd,
        0.5 * depth / to_half if to_half > 0 else np.nan,
        marks.draw_end - marks.draw_start,
        _longest_gap(t, a, b, marks.draw_end),
        median(rpm, a, b, room),
        # Of a draw whose samples were lost nobody knows it.
        early_duty if early_duty > 0 else np.nan,
        mean(duty, late, b),
        *_middle(t, p, duty, a, b, before, depth),
    )


@compiled
def _middle(
    t: Floats, p: Floats, duty: Floats, a: int, b: int, before: float, depth: float
) -> tuple[float, float, float]:
    """Return how long the middle of the fall took [s], which no valve's or sensor's delay lengthens, the mean duty [%]
    of that time (of one that rises meanwhile, samples at either end would tell too little or too much), and its gain
    with time [%]."""
    start, start_row = _crossing(t, p, a, b, before - FROM_SHARE * depth)
    end, end_row = _crossing(t, p, a, b, before - TO_SHARE * depth)
    if not end > start:
        return np.nan, np.nan, np.nan
    total = 0.0
    for i in range(start_row, end_row + 1):
        since, until = max(t[i - 1], start), min(t[i], end)
        if until > since:
            slope = (duty[i] - duty[i - 1]) / (t[i] - t[i - 1])
            total += (until - since) * (duty[i - 1] + slope * (0.5 * (since + until) - t[i - 1]))
    rate = (duty[end_row] - duty[start_row - 1]) / (t[end_row] - t[start_row - 1])
    return end - start, total / (end - start), _SINCE * rate * (end - start)


@compiled
def _crossing(t: Floats, p: Floats, a: int, b: int, level: float) -> tuple[float, int]:
    """Return when the pressure first fell below a level [s], between two samples, and the row of the second; nan and b
    where it never did, or lay below it from the first one on."""
    for i in range(a + 1, b):
        if p[i] < level <= p[i - 1]:
            return t[i - 1] + (t[i] - t[i - 1]) * (p[i - 1] - level) / (p[i - 1] - p[i]), i
    return np.nan, b


@compiled
def _longest_gap(t: Floats, a: int, b: int, end: float) -> float:
    """Return the longest time [s] between neighbors of rows a to b, and from the last of them to `end`."""
    if b <= a:
        return np.nan
    some, longest = t[a:b], end - t[b - 1]
    for i in range(1, len(some)):
        longest = max(longest, some[i] - some[i - 1])
    return longest


@compiled
def _beside(
    t: Floats, p: Floats, phase: Ints, first: Ints, draw: int, draw_start: float
) -> tuple[int, float, float]:
    """Return number, mean time [s] and mean level [Pa] of the samples just before the draw without any purge."""
    n, time, level = 0, 0.0, 0.0
    for s in range(draw - 1, -1, -1):
        if t[first[s + 1] - 1] < draw_start - _BESIDE_S:
            break
        if phase[s] == REST or phase[s] == CLOSED or phase[s] == RELEASE:
            for i in range(row_from(t, first[s], first[s + 1], draw_start - _BESIDE_S), first[s + 1]):
                n += 1
                time += t[i]
                level += p[i]
    return (n, time / n, level / n) if n else (0, np.nan, np.nan)


@compiled
def _lowest(t: Floats, smooth: Floats, marks: Landmarks, parts: Parts) -> float:
    """Return the least pressure of the draw and the hold's first second."""
    in_draw = least(smooth, parts.draw[0], parts.draw[1])
    a, b = parts.hold
    in_hold = least(smooth, a, row_after(t, a, b, marks.hold_start + 1.0))
    return in_draw if not in_hold < in_draw else in_hold


@compiled
def _effect(
    t: Floats,
    p: Floats,
    marks: Landmarks,
    parts: Parts,
    late: int,
    before: float,
    t_before: float,
    n_before: int,
    sd: float,
) -> tuple[float, float]:
    """Return how far the draw from row `late` on lies off the line from before it to after it, and the error of that.

    A tank that merely creeps gives no effect, however it creeps; a leak too large to hold gives one that is gone in
    the hold.
    """
    b = parts.draw[1]
    h0, h1 = parts.hold
    after_a = row_from(t, h0, h1, marks.hold_start + _STEADY_S)
    after_b = row_after(t, h0, h1, marks.hold_start + 15.0)
    level_after = mean(p, after_a, after_b)
    slope, of_after = 0.0, 0.0
    if level_after == level_after:
        slope = (level_after - before) / (mean(t, after_a, after_b) - t_before)
        of_after = 0.5 / (after_b - after_a)
    effect = mean(p, late, b) - before - slope * (mean(t, late, b) - t_before)
    return effect, sd * np.sqrt(1 / max(n_before, 1) + 1 / max(b - late, 1) + of_after)


@compiled
def _creep(t: Floats, p: Floats, marks: Landmarks, parts: Parts, sd: float) -> tuple[float, float]:
    """Return the slope [Pa/s] common to closed phase and hold, each about its own level, once each settled."""
    stretches = (
        (row_after(t, parts.closed[0], parts.closed[1], marks.closed_start + SETTLING_S), parts.closed[1]),
        (row_after(t, parts.hold[0], parts.hold[1], marks.hold_start + _STEADY_S), parts.hold[1]),
    )
    n, sxx, sxy, syy = ZERO, 0.0, 0.0, 0.0
    for a, b in stretches:
        n += max(b - a, 0)
        more_xx, more_xy, more_yy = products(t, p, a, b)
        sxx, sxy, syy = sxx + more_xx, sxy + more_xy, syy + more_yy
    slope, error, rest, _ = line_of_sums(n, sxx, sxy, syy)
    if not rest > 0:
        return slope, np.nan if np.isnan(slope) else 0.0
    return slope, error * max(sd / rest, 1.0) * _alike(t, p, stretches, slope, rest)


@summing
def _alike(
    t: Floats, p: Floats, stretches: tuple[tuple[int, int], tuple[int, int]], slope: float, rest: float
) -> float:
    """Return by how much more neighbors that scatter alike (slosh) leave a slope open than independent ones."""
    n, together = 0, 0.0
    for a, b in stretches:
        t_mean, p_mean = mean(t, a, b), mean(p, a, b)
        some_t, some_p = t[a:b], p[a:b]
        n += max(b - a - 1, 0)
        for i in range(1, len(some_t)):
            off = some_p[i] - p_mean - slope * (some_t[i] - t_mean)
            together += off * (some_p[i - 1] - p_mean - slope * (some_t[i - 1] - t_mean))
    alike = min(max(together / (max(n, 1) * rest * rest), 0.0), 0.95)
    return np.sqrt((1 + alike) / (1 - alike))


@compiled
def read_hold(
    t: Floats,
    p: Floats,
    smooth: Floats,
    marks: Landmarks,
    parts: Parts,
    draw: Draw,
    zero: float,
    noise_sd: float,
    interval_s: float,
    floor: float,
) -> Hold:
    """Read what became of the vacuum in the hold.

    Parameters
    ----------
    zero : vented level [Pa]. noise_sd : of one reading [Pa]. interval_s : usual time between samples [s].
    floor : the sensor's least reading where the recording stands at it [Pa], else nan.
    """
    a, b = parts.hold
    start, seconds = marks.hold_start, marks.hold_end - marks.hold_start
    level = _start_level(t, p, marks, parts, interval_s)
    end = mean(p, row_after(t, a, b, start + 0.8 * seconds), b)
    quarter = mean(p, row_after(t, a, b, start + 0.25 * seconds), row_from(t, a, b, start + 0.45 * seconds))
    first_seconds = mean(p, row_after(t, a, b, start + 1.0), row_from(t, a, b, start + 4.0))
    early = mean(p, row_from(t, a, b, start + _STEADY_S), row_after(t, a, b, start + 10.0))
    vacuum = draw.before - level
    gone_s = np.nan
    for i in range(a, b):
        if smooth[i] > level + 0.8 * vacuum:
            gone_s = t[i] - start
            break
    free_s = seconds
    for i in range(a, b):
        if smooth[i] <= floor + 1e-9:
            free_s = t[i] - start
            break
    let_go_s = np.nan
    if marks.is_opened > 0:
        for i in range(b, parts.release[0]):
            if abs(smooth[i] - zero) < 0.2 * abs(end - zero):
                let_go_s = t[i] - t[b - 1]
                break
    whole = 4 * noise_sd
    whole = vacuum if vacuum > whole else whole
    whole = 0.5 * draw.depth if 0.5 * draw.depth > whole else whole
    return Hold(
        seconds,
        float(b - a),
        level - zero,
        end - zero,
        mean(p, max(min(row_from(t, a, b, marks.hold_end - _LAST_S), b - 1), a), b) - zero,
        end - first_seconds,
        end - quarter,
        free_s,
        gone_s,
        let_go_s,
        _rose(t, smooth, parts.closed[0], a, level) if marks.is_pressure_test > 0 else np.nan,
        (draw.before - early) / whole,
    )


@compiled
def _rose(t: Floats, smooth: Floats, a: int, b: int, level: float) -> float:
    """Return the time [s] in which rows a to b rose from a tenth to half of the way to `level` [Pa]."""
    begun, half = a, a
    while half < b and smooth[half] - smooth[a] < 0.5 * (level - smooth[a]):
        if smooth[half] - smooth[a] < 0.1 * (level - smooth[a]):
            begun = half
        half += 1
    return t[half] - t[begun] if half < b else np.nan


@compiled
def _start_level(t: Floats, p: Floats, marks: Landmarks, parts: Parts, interval_s: float) -> float:
    """Return the level [Pa] at which the hold begins: of the draw's end, where the hold begins with a rise."""
    wide = max(1.5 * interval_s, 0.6) if interval_s == interval_s else 0.6
    a, b = parts.hold
    at_start = mean(p, a, max(row_from(t, a, b, marks.hold_start + wide), min(a + 1, b)))
    before = row_after(t, parts.draw[0], parts.hold[0], marks.hold_start - wide)
    at_end = mean(p, before, parts.hold[0]) if parts.draw[1] > parts.draw[0] else np.nan
    if marks.is_pressure_test > 0 or np.isnan(at_end):
        return at_start
    return at_end if not at_start < at_end else at_start
