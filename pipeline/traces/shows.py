"""What each trace shows: levels, rises and times, before any judgement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.grouped import count_by, least_by, line_by, mean_by, median_by, most_by
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.phases import CLOSED, DRAW, FLOWING, HOLD, RELEASE, REST, Batch, Flags, Floats, Ints

#: A median absolute deviation times this is a standard deviation (normal law).
_MAD_TO_SD = 1.4826
#: Rest level is read from at least so many samples.
_MIN_REST_SAMPLES = 3
#: Valves and lines take so long to answer a command [s]; what is read right after one is not yet the new state.
SETTLING_S = 0.5
#: The level beside a command is read from so many seconds.
_BESIDE_S = 5.0


@dataclass(frozen=True)
class Shown:
    """Readings of each trace, pressures in Pa, times in s; nan where the trace does not show them.

    Pressures carry the sensor's own zero unless they are named `_above`, which are relative to the vented level.
    """

    n: Ints
    noise: Floats
    step: Floats
    rest: Floats
    rest_n: Ints
    rest_v: Floats
    zero: Floats
    zero_sd: Floats
    is_zero_known: Flags
    span: Floats
    level: Floats
    closed_rate: Floats
    closed_rate_sd: Floats
    closed_above: Floats
    closed_s: Floats
    closed_change: Floats
    before: Floats
    depth: Floats
    effect: Floats
    effect_sd: Floats
    creep: Floats
    creep_sd: Floats
    draw_rate: Floats
    draw_s: Floats
    draw_duty: Floats
    draw_rpm: Floats
    hold_s: Floats
    hold_n: Ints
    hold_start_above: Floats
    hold_end_above: Floats
    hold_late_change: Floats
    hold_change: Floats
    gone_s: Floats
    kept_early: Floats
    interval_s: Floats
    release_s: Floats
    release_from_above: Floats
    release_half_s: Floats
    release_end_above: Floats
    flowing_above: Floats
    peak_vacuum: Floats
    is_clipped: Flags


def take_out_outliers(batch: Batch) -> Floats:
    """Return each pressure as the median of itself and its two neighbors in the same trace [Pa]."""
    p, same = batch.pressure, batch.trace[1:] == batch.trace[:-1]
    before, after = p.copy(), p.copy()
    before[1:][same] = p[:-1][same]
    after[:-1][same] = p[1:][same]
    return np.maximum(np.minimum(before, after), np.minimum(np.maximum(before, after), p))


def read_traces(batch: Batch, marks: Landmarks, smooth: Floats) -> Shown:
    """Return what each trace shows."""
    b, n, i, t, p = batch, batch.n_traces, batch.trace, batch.t, batch.pressure
    count = np.bincount(i, minlength=n)
    noise, step, interval = _noise(b)
    sd = np.hypot(noise, step / np.sqrt(12)) + 0.05
    hold = (b.phase == HOLD) | ((b.phase == CLOSED) & marks.is_pressure_test[i])
    hold &= (t >= marks.hold_start[i]) & (t <= marks.hold_end[i])
    draw = (b.phase == DRAW) & (t >= marks.draw_start[i]) & (t <= marks.draw_end[i])
    closed = (b.phase == CLOSED) & (t >= marks.closed_start[i]) & (t <= marks.closed_end[i])
    release = (b.phase == RELEASE) & (t >= marks.release_start[i])
    rest, rest_n, zero, zero_sd, known = _zero(b, marks, sd, release)

    def mean(mask: Flags) -> Floats:
        return mean_by(i, n, p, mask)

    settled = closed & (t > marks.closed_start[i] + SETTLING_S)
    rate, rate_sd, rest_sd, _ = line_by(i, n, t, p, settled)
    closed_s = marks.closed_end - marks.closed_start
    with np.errstate(all="ignore"):
        # Quantized or drifting samples are not independent: their error is at least a part of a step's.
        rate_sd = np.hypot(
            1.5 * rate_sd * np.maximum(sd / rest_sd, 1.0),
            0.3 * (step + noise / np.sqrt(np.maximum(count, 1))) / closed_s,
        )
        u = (t - marks.closed_start[i]) / closed_s[i]
    change = mean(settled & (u > 0.75)) - mean(settled & (u < 0.25))

    before_mask = np.isin(b.phase, (REST, CLOSED, RELEASE)) & (t < marks.draw_start[i])
    before_mask &= t >= marks.draw_start[i] - _BESIDE_S
    before = mean(before_mask)
    before = np.where(np.isfinite(before), before, np.where(known, zero, np.nan))
    before = np.where(np.isfinite(before), before, mean(draw & (t <= marks.draw_start[i] + SETTLING_S)))
    near = draw | (hold & (t <= marks.hold_start[i] + 1.0))
    lowest = least_by(i, n, smooth, near)
    depth = before - lowest
    effect, effect_sd, creep, creep_sd = _effect_of_draw(
        b, marks, sd, draw, hold, before, before_mask, settled
    )

    h0, h1 = marks.hold_start, marks.hold_end
    hold_s = h1 - h0
    hold_start = _hold_start(b, marks, hold, draw, interval)
    with np.errstate(all="ignore"):
        hold_share = (t - h0[i]) / hold_s[i]
    hold_end = mean(hold & (hold_share > 0.8))
    late_change = hold_end - mean(hold & (hold_share > 0.25) & (hold_share < 0.45))
    w0 = before - hold_start
    gone = hold & (smooth > (hold_start + 0.8 * w0)[i])
    gone_s = least_by(i, n, t, gone) - h0
    early = hold & (t >= h0[i] + 3.0) & (t <= h0[i] + 10.0)
    with np.errstate(all="ignore"):
        kept = (before - mean(early)) / np.fmax(np.fmax(w0, 0.5 * depth), 4 * sd)

    r0 = marks.release_start
    from_ = mean((hold | draw) & (t < r0[i]) & (t >= (r0 - 2.0)[i]))
    half = release & (np.abs(p - zero[i]) < 0.5 * np.abs(from_ - zero)[i])
    half_s = least_by(i, n, t, half) - r0
    tail = release & (t > (marks.release_end - 0.3 * (marks.release_end - r0))[i])
    crossing = draw & (smooth < (before - 0.5 * depth)[i])
    to_half = least_by(i, n, t, crossing) - marks.draw_start
    lead_in = (b.phase == FLOWING) & (t > marks.first[i] + 1.0)
    return Shown(
        n=count,
        noise=noise,
        step=step,
        rest=rest,
        rest_n=rest_n,
        rest_v=median_by(i, n, b.volts, b.phase == REST),
        zero=zero,
        zero_sd=zero_sd,
        is_zero_known=known,
        span=most_by(i, n, smooth, np.ones(len(b), bool)) - least_by(i, n, smooth, np.ones(len(b), bool)),
        level=median_by(i, n, p, np.ones(len(b), bool)),
        closed_rate=rate,
        closed_rate_sd=rate_sd,
        closed_above=mean(settled) - zero,
        closed_s=closed_s,
        closed_change=change,
        before=before,
        depth=depth,
        effect=effect,
        effect_sd=effect_sd,
        creep=creep,
        creep_sd=creep_sd,
        draw_rate=0.5 * depth / np.where(to_half > 0, to_half, np.nan),
        draw_s=marks.draw_end - marks.draw_start,
        draw_duty=most_by(i, n, b.duty, draw),
        draw_rpm=median_by(i, n, b.rpm, draw),
        hold_s=hold_s,
        hold_n=count_by(i, n, hold),
        hold_start_above=hold_start - zero,
        hold_end_above=hold_end - zero,
        hold_late_change=late_change,
        hold_change=hold_end - mean(hold & (t > (h0 + 1.0)[i]) & (t < (h0 + 4.0)[i])),
        gone_s=gone_s,
        kept_early=kept,
        interval_s=interval,
        release_s=marks.release_end - r0,
        release_from_above=from_ - zero,
        release_half_s=half_s,
        release_end_above=mean(tail) - zero,
        flowing_above=median_by(i, n, p, lead_in) - zero,
        peak_vacuum=np.maximum(zero - least_by(i, n, smooth, np.ones(len(b), bool)), 0),
        is_clipped=_clipped(b, marks, draw, interval),
    )


def _noise(b: Batch) -> tuple[Floats, Floats, Floats]:
    """Return noise [Pa], smallest step between unequal readings [Pa] and the usual time between samples [s]."""
    n = b.n_traces
    same = np.append(False, b.trace[1:] == b.trace[:-1])
    dp = np.append(0.0, np.diff(b.pressure))
    dt = np.append(0.0, np.diff(b.t))
    interval = median_by(b.trace, n, dt, same)
    step = least_by(b.trace, n, np.abs(dp), same & (np.abs(dp) > 1e-6))
    quiet = same & np.append(False, same[:-1]) & (b.phase != DRAW) & (b.phase != FLOWING)
    second = np.abs(dp - np.append(0.0, dp[:-1]))
    noise = _MAD_TO_SD * median_by(b.trace, n, second, quiet) / np.sqrt(6)
    return np.nan_to_num(noise), np.nan_to_num(step), interval


def _zero(
    b: Batch, marks: Landmarks, sd: Floats, release: Flags
) -> tuple[Floats, Ints, Floats, Floats, Flags]:
    """Return the rest level and the sensor's zero: from rest, else from the end of a release that came to rest."""
    n, i, t = b.n_traces, b.trace, b.t
    is_rest = b.phase == REST
    rest_n = count_by(i, n, is_rest)
    rest = median_by(i, n, b.pressure, is_rest)
    length = marks.release_end - marks.release_start
    tail = release & (t > (marks.release_end - 0.3 * length)[i])
    slope, _, _, _ = line_by(i, n, t, b.pressure, tail)
    settled = (length >= 5.0) & (np.abs(slope) * length * 0.3 < 3 * sd + 5) & (count_by(i, n, tail) >= 3)
    tail_level = median_by(i, n, b.pressure, tail)
    from_ = mean_by(i, n, b.pressure, (t < marks.release_start[i]) & (t >= (marks.release_start - 2.0)[i]))
    # A vent path that is blocked leaves the tank where it was: that level is not the sensor's zero.
    settled &= ~(np.abs(tail_level) > 0.5 * np.abs(from_)) | (np.abs(from_) < 150)
    from_rest = rest_n >= _MIN_REST_SAMPLES
    known = from_rest | settled
    zero = np.where(from_rest, rest, np.where(settled, tail_level, 0.0))
    used = np.where(from_rest, rest_n, count_by(i, n, tail))
    zero_sd = np.where(known, np.hypot(1.25 * sd / np.sqrt(np.maximum(used, 1)), 2.0), 60.0)
    return np.where(from_rest, rest, np.where(settled, tail_level, np.nan)), rest_n, zero, zero_sd, known


def _hold_start(b: Batch, marks: Landmarks, hold: Flags, draw: Flags, interval: Floats) -> Floats:
    """Return the level [Pa] at which the hold begins: of the draw's end, where the hold begins with a fall."""
    i, t = b.trace, b.t
    wide = np.maximum(1.5 * interval, 0.6)
    at_end = mean_by(i, b.n_traces, b.pressure, draw & (t > (marks.draw_end - wide)[i]))
    at_start = mean_by(i, b.n_traces, b.pressure, hold & (t < (marks.hold_start + wide)[i]))
    return np.where(marks.is_pressure_test | ~np.isfinite(at_end), at_start, np.fmin(at_end, at_start))


def _effect_of_draw(
    b: Batch,
    marks: Landmarks,
    sd: Floats,
    draw: Flags,
    hold: Flags,
    before: Floats,
    before_mask: Flags,
    settled: Flags,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return how far the late draw lies off the line from before it to after it, and the creep along that line.

    A tank that merely creeps gives no effect, however it creeps; a leak too large to hold gives one that is gone
    in the hold.
    """
    i, n, t, p = b.trace, b.n_traces, b.t, b.pressure
    draw_s = marks.draw_end - marks.draw_start
    late = draw & (t > (marks.draw_start + 0.5 * draw_s)[i])
    after = hold & (t >= (marks.hold_start + 3.0)[i]) & (t <= (marks.hold_start + 15.0)[i])

    def at(mask: Flags) -> tuple[Floats, Floats, Ints]:
        return mean_by(i, n, p, mask), mean_by(i, n, t, mask), count_by(i, n, mask)

    (_, t0, n0), (p1, t1, n1), (p2, t2, n2) = at(before_mask), at(late), at(after)
    has_after = n2 > 0
    with np.errstate(all="ignore"):
        slope = np.where(has_after & np.isfinite(t0), (p2 - before) / (t2 - t0), 0.0)
        line = before + slope * (t1 - np.where(np.isfinite(t0), t0, t1))
        effect_sd = sd * np.sqrt(
            1 / np.maximum(n0, 1) + 1 / n1 + np.where(has_after, 0.5 / np.maximum(n2, 1), 0)
        )
    creep, creep_sd = _creep(b, marks, settled | draw | hold, sd)
    return p1 - line, effect_sd, creep, creep_sd


def _creep(b: Batch, marks: Landmarks, shut: Flags, sd: Floats) -> tuple[Floats, Floats]:
    """Return the slope [Pa/s] common to closed phase, draw and hold, each about its own level, once each settled."""
    begin = np.where(b.phase == DRAW, marks.draw_start[b.trace], marks.closed_start[b.trace])
    begin = np.where(b.phase == HOLD, marks.hold_start[b.trace], begin)
    use = shut & (b.t > begin + np.where(b.phase == CLOSED, SETTLING_S, 3.0))
    m = int(b.segment[-1]) + 1 if len(b) else 0
    dt = b.t - mean_by(b.segment, m, b.t, use)[b.segment]
    dp = b.pressure - mean_by(b.segment, m, b.pressure, use)[b.segment]
    slope, error, rest, _ = line_by(b.trace, b.n_traces, dt, dp, use)
    with np.errstate(all="ignore"):
        return slope, np.where(
            rest > 0, error * np.maximum(sd / rest, 1.0), np.where(np.isfinite(slope), 0, np.nan)
        )


def _clipped(b: Batch, marks: Landmarks, draw: Flags, interval: Floats) -> Flags:
    """Say where the draw ends in a row of equal lowest readings: the sensor's end, not the tank's."""
    i, n = b.trace, b.n_traces
    least = least_by(i, n, b.pressure, np.ones(len(b), bool))
    at_least = draw & (b.pressure <= least[i] + 1e-9)
    many = count_by(i, n, at_least)
    return (many >= 4) & (many * interval >= 1.0) & (least < -500)
