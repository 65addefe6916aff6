"""Where in each trace the test lies: its hold, the draw before it, the release after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.grouped import most_by
from pipeline.traces.phases import (
    CLOSED,
    DRAW,
    FLOWING,
    HOLD,
    RELEASE,
    REST,
    Batch,
    Flags,
    Floats,
    Ints,
    Segments,
)

#: A closed phase that reaches this pressure, without a draw, was put under pressure from outside: an integrity
#: test (14 inches of water is 3487 Pa). Warm fuel alone does not get there within a recording.
APPLIED_PRESSURE_PA = 1_500.0
#: It counts as filled this long [s] after it first reached this share of its greatest pressure.
_FULL_SHARE = 0.99
_FILLING_ENDS_S = 1.0
#: A hold this deep is worth its whole length when the best of several is chosen; a shallower one, less.
_FULL_WORTH_PA = 800.0


@dataclass(frozen=True)
class Landmarks:
    """Times [s] of each trace's parts; nan where it has no such part. One element per trace.

    The draw and the release are those next to the chosen hold. `closed` is the phase before that draw.
    `is_pressure_test` marks holds under pressure that was put in from outside.
    """

    first: Floats
    last: Floats
    closed_start: Floats
    closed_end: Floats
    draw_start: Floats
    draw_end: Floats
    hold_start: Floats
    hold_end: Floats
    release_start: Floats
    release_end: Floats
    longest_hold: Floats
    n_draws: Ints
    is_pressure_test: Flags


def find_landmarks(batch: Batch, segments: Segments, smooth: Floats) -> Landmarks:
    """Choose each trace's best hold, or its longest draw where it has none, and what lies beside it.

    Parameters
    ----------
    smooth : pressure with single outliers taken out [Pa], one per sample.
    """
    n = batch.n_traces
    length = segments.end - segments.start
    depth = np.abs(smooth[segments.first]) if len(segments.first) else np.zeros(0)
    worth = length * np.minimum(depth / _FULL_WORTH_PA, 1) + 1e-3 * length
    hold = _best(segments.trace, n, np.where(segments.phase == HOLD, worth, -1.0))
    longest_draw = _best(segments.trace, n, np.where(segments.phase == DRAW, length, -1.0))
    draw = np.where(hold > 0, hold - 1, longest_draw)
    applied_from, applied_to, is_applied = _applied_pressure(batch, segments, smooth, longest_draw < 0)
    after = _next_vent_open(segments, np.where(hold >= 0, hold, draw))
    closed = _closed_before(segments, draw)
    closed = np.where(
        draw < 0, _best(segments.trace, n, np.where(segments.phase == CLOSED, length, -1.0)), closed
    )

    def at(index: Ints, value: Floats) -> Floats:
        return np.where(index >= 0, value[np.maximum(index, 0)], np.nan) if len(value) else np.full(n, np.nan)

    longest = np.full(n, np.nan)
    longest_hold = _best(segments.trace, n, np.where(segments.phase == HOLD, length, -1.0))
    longest = at(longest_hold, length)
    firsts = np.full(n, np.nan)
    lasts = np.full(n, np.nan)
    lasts[segments.trace] = segments.end
    firsts[segments.trace[::-1]] = segments.start[::-1]
    return Landmarks(
        firsts,
        lasts,
        np.where(is_applied, np.nan, at(closed, segments.start)),
        np.where(is_applied, np.nan, at(closed, segments.end)),
        at(draw, segments.start),
        at(draw, segments.end),
        np.where(is_applied, applied_from, at(hold, segments.start)),
        np.where(is_applied, applied_to, at(hold, segments.end)),
        at(after, segments.start),
        at(after, segments.end),
        np.where(is_applied, applied_to - applied_from, longest),
        np.bincount(segments.trace[segments.phase == DRAW], minlength=n),
        is_applied,
    )


def _best(trace: Ints, n: int, worth: Floats) -> Ints:
    """Return the segment with the greatest worth in each trace, the first of equals; -1 where none is >= 0."""
    out = np.full(n, -1)
    order = np.lexsort((-np.arange(len(worth)), worth))
    order = order[worth[order] >= 0]
    out[trace[order]] = order
    return out


def _next_vent_open(segments: Segments, index: Ints) -> Ints:
    """Return the segment after `index` where the vent is open and the purge shut; -1 where there is none."""
    nxt = np.where(index >= 0, index + 1, -1)
    inside = (nxt >= 0) & (nxt < len(segments.trace))
    safe = np.where(inside, nxt, 0)
    if not len(segments.trace):
        return nxt
    same = inside & (segments.trace[safe] == segments.trace[np.maximum(index, 0)])
    return np.where(same & (segments.phase[safe] == RELEASE), nxt, -1)


def _closed_before(segments: Segments, draw: Ints) -> Ints:
    """Return the closed phase that ends where the draw, or the first draw of its series, begins; else -1."""
    if not len(segments.trace):
        return draw
    rows = np.arange(len(segments.trace))
    latest = np.maximum.accumulate(np.where(segments.phase == CLOSED, rows, -1))
    barrier = np.isin(segments.phase, (REST, RELEASE, FLOWING))
    latest_open = np.maximum.accumulate(np.where(barrier, rows, -1))
    d = np.maximum(draw, 0)
    found = latest[d]
    usable = (draw >= 0) & (found >= 0) & (found > latest_open[d])
    usable &= segments.trace[np.maximum(found, 0)] == segments.trace[d]
    return np.where(usable, found, -1)


def _applied_pressure(
    batch: Batch, segments: Segments, smooth: Floats, is_without_draw: Flags
) -> tuple[Floats, Floats, Flags]:
    """Find the hold of a test under applied pressure: from when a closed phase is filled to its end."""
    n = batch.n_traces
    part = (batch.phase == CLOSED) & is_without_draw[batch.trace]
    most = most_by(batch.trace, n, smooth, part)
    is_full = part & (most > APPLIED_PRESSURE_PA)[batch.trace] & (smooth >= (_FULL_SHARE * most)[batch.trace])
    start, end = np.full(n, np.nan), np.full(n, np.nan)
    rows = np.flatnonzero(is_full)[::-1]
    start[batch.trace[rows]] = batch.t[rows] + _FILLING_ENDS_S
    end[batch.trace[rows]] = segments.end[batch.segment[rows]]
    return start, end, np.isfinite(start)
