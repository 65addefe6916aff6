"""What the draw did, and what became of its vacuum in the hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.grouped import line_by, mean_by
from pipeline.traces.phases import CLOSED, HOLD, RELEASE, REST, Flags, Floats, Ints
from pipeline.traces.view import SETTLING_S, View

#: The level beside a command is read from so many seconds.
_BESIDE_S = 5.0
#: A draw or hold is steady from so many seconds after its start.
_STEADY_S = 3.0


@dataclass(frozen=True)
class Draw:
    """The chosen draw of each trace.

    before [Pa] : level just before it. depth [Pa] : from there to the lowest reading. effect, effect_sd [Pa] : how far
    its later half lies from the line that runs from before it to the hold, and the error of that. creep, creep_sd
    [Pa/s] : slope common to closed phase and hold, each about its own level. rate [Pa/s], seconds [s],
    rpm [1/min].
    """

    before: Floats
    depth: Floats
    effect: Floats
    effect_sd: Floats
    creep: Floats
    creep_sd: Floats
    rate: Floats
    seconds: Floats
    rpm: Floats


@dataclass(frozen=True)
class Hold:
    """The chosen hold of each trace.

    seconds [s], n; start_above, end_above [Pa] : above the vented level. change, late_change [Pa] : of its last fifth
    against its first seconds, and against its second quarter. gone_s [s] : until four fifths of the vacuum were gone.
    kept_early : share of the vacuum that is there some seconds later.
    """

    seconds: Floats
    n: Ints
    start_above: Floats
    end_above: Floats
    change: Floats
    late_change: Floats
    gone_s: Floats
    kept_early: Floats


def read_draw(view: View, zero: Floats, is_zero_known: Flags) -> Draw:
    """Return what the draw did.

    Parameters
    ----------
    zero : vented level [Pa], one per trace, which stands for the level before a draw that nothing precedes, where
        `is_zero_known`.
    """
    b, marks = view.batch, view.marks
    beside = np.isin(b.phase, (REST, CLOSED, RELEASE)) & (b.t < view.at(marks.draw_start))
    beside &= b.t >= view.at(marks.draw_start) - _BESIDE_S
    before = view.mean(beside)
    before = np.where(np.isfinite(before) | ~is_zero_known, before, zero)
    at_start = view.mean(view.draw & (b.t <= view.at(marks.draw_start) + SETTLING_S))
    before = np.where(np.isfinite(before), before, at_start)
    depth = before - view.least(view.draw | (view.hold & (b.t <= view.at(marks.hold_start) + 1.0)))
    halfway = view.draw & (view.smooth < view.at(before - 0.5 * depth))
    to_half = view.first_time(halfway) - marks.draw_start
    return Draw(
        before,
        depth,
        *_effect(view, before, beside),
        *_creep(view),
        rate=0.5 * depth / np.where(to_half > 0, to_half, np.nan),
        seconds=marks.draw_end - marks.draw_start,
        rpm=view.median(view.draw, b.rpm),
    )


def _effect(view: View, before: Floats, beside: Flags) -> tuple[Floats, Floats]:
    """Return how far the late draw lies off the line from before it to after it.

    A tank that merely creeps gives no effect, however it creeps; a leak too large to hold gives one that is gone in
    the hold.
    """
    marks, t = view.marks, view.batch.t
    late = view.draw & (t > view.at(marks.draw_start + 0.5 * (marks.draw_end - marks.draw_start)))
    after = view.hold & (t >= view.at(marks.hold_start + _STEADY_S)) & (t <= view.at(marks.hold_start + 15.0))
    n0, n1, n2 = (np.maximum(view.count(mask), 1) for mask in (beside, late, after))
    t0, t1, t2 = (view.mean(mask, t) for mask in (beside, late, after))
    t0 = np.where(np.isfinite(t0), t0, marks.draw_start)
    has_after = np.isfinite(t2)
    with np.errstate(all="ignore"):
        slope = np.where(has_after, (view.mean(after) - before) / (t2 - t0), 0.0)
        effect = view.mean(late) - before - slope * (t1 - t0)
    return effect, view.sd * np.sqrt(1 / n0 + 1 / n1 + np.where(has_after, 0.5 / n2, 0))


def _creep(view: View) -> tuple[Floats, Floats]:
    """Return the slope [Pa/s] common to closed phase and hold, each about its own level, once each settled."""
    b, marks = view.batch, view.marks
    begin = np.where(
        b.phase == HOLD, view.at(marks.hold_start + _STEADY_S), view.at(marks.closed_start + SETTLING_S)
    )
    use = (view.closed | view.hold) & (b.t > begin)
    n_segments = int(b.segment[-1]) + 1 if len(b) else 0
    dt = b.t - mean_by(b.segment, n_segments, b.t, use)[b.segment]
    dp = b.pressure - mean_by(b.segment, n_segments, b.pressure, use)[b.segment]
    slope, error, rest, _ = line_by(b.trace, b.n_traces, dt, dp, use)
    with np.errstate(all="ignore"):
        widened = error * np.maximum(view.sd / rest, 1.0)
    return slope, np.where(rest > 0, widened, np.where(np.isfinite(slope), 0.0, np.nan))


def read_hold(view: View, zero: Floats, draw: Draw) -> Hold:
    """Return what became of the vacuum in the hold; `zero` is the vented level [Pa] of each trace."""
    t, marks = view.batch.t, view.marks
    start, seconds = marks.hold_start, marks.hold_end - marks.hold_start
    level = _start_level(view)
    with np.errstate(all="ignore"):
        share = (t - view.at(start)) / view.at(seconds)
    end = view.mean(view.hold & (share > 0.8))
    second_quarter = view.mean(view.hold & (share > 0.25) & (share < 0.45))
    first_seconds = view.mean(view.hold & (t > view.at(start + 1.0)) & (t < view.at(start + 4.0)))
    vacuum = draw.before - level
    gone = view.hold & (view.smooth > view.at(level + 0.8 * vacuum))
    early = view.hold & (t >= view.at(start + _STEADY_S)) & (t <= view.at(start + 10.0))
    with np.errstate(all="ignore"):
        kept = (draw.before - view.mean(early)) / np.fmax(np.fmax(vacuum, 0.5 * draw.depth), 4 * view.sd)
    return Hold(
        seconds,
        view.count(view.hold),
        level - zero,
        end - zero,
        end - first_seconds,
        end - second_quarter,
        view.first_time(gone) - start,
        kept,
    )


def _start_level(view: View) -> Floats:
    """Return the level [Pa] at which the hold begins: of the draw's end, where the hold begins with a rise."""
    marks, t = view.marks, view.batch.t
    wide = np.maximum(1.5 * view.interval_s, 0.6)
    at_end = view.mean(view.draw & (t > view.at(marks.draw_end - wide)))
    at_start = view.mean(view.hold & (t < view.at(marks.hold_start + wide)))
    return np.where(marks.is_pressure_test | ~np.isfinite(at_end), at_start, np.fmin(at_end, at_start))
