"""Where in a recording the test lies: its hold, the draw before it, the release after it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import Flags, Floats, Ints, compiled
from pipeline.traces.filling import FILLING_ENDS_S, applied_pressure, when_filled
from pipeline.traces.opening import LEAST_ROWS, opened
from pipeline.traces.phases import CLOSED, DRAW, FLOWING, HOLD, RELEASE, REST
from pipeline.traces.ranges import row_from

#: The tank's own rise before it is filled is read until so long [s] before the filling begins.
_BEFORE_FILLING_S = 0.5
#: An opening that comes no sooner before the release is the vent's own: its command shows late, by up to so long [s].
_COMMAND_LATE_S = 2.0
#: A hold this deep is worth its whole length when the best of several is chosen; a shallower one, less.
_FULL_WORTH_PA = 800.0


class Landmarks(NamedTuple):
    """Times [s] of a recording's parts, nan where it has no such part: one recording's, or arrays of many.

    The draw is the longest of those that led to the chosen hold, the release the one that ends the series. `closed` is
    the phase before that draw. `is_pressure_test` marks holds under pressure that was put in from outside, `is_opened`
    those that end where something opened well before the vent was commanded to, `hold_lost_s` is how long those were
    without a sample that end where the clock leapt, or samples were lost, for longer than all that was recorded of
    them.
    """

    first: Any
    last: Any
    closed_start: Any
    closed_end: Any
    draw_start: Any
    draw_end: Any
    hold_start: Any
    hold_end: Any
    release_start: Any
    release_end: Any
    longest_hold: Any
    is_pressure_test: Any
    is_opened: Any
    hold_lost_s: Any


class Parts(NamedTuple):
    """Rows of the chosen parts in the arrays (the second one left out; two equal ones where there is no such part),
    the stretch that is the draw, -1 where there is none, and the row from which draw or filling moves the gas."""

    closed: tuple[int, int]
    draw: tuple[int, int]
    hold: tuple[int, int]
    release: tuple[int, int]
    draw_stretch: int
    moved_from: int


@compiled
def find_landmarks(
    t: Floats, smooth: Floats, phase: Ints, first: Ints, n: int, is_fed: Flags, step: float
) -> tuple[Landmarks, Parts]:
    """Choose the recording's best hold, or its longest draw where it has none, and what lies beside it.

    Parameters
    ----------
    smooth : pressure with single outliers taken out [Pa], one per sample.
    phase, first, n : the recording's stretches, as `phases.cut_phases` fills them.
    is_fed : where test gas flows in, one per sample; none at all where no flow was recorded.
    step : smallest difference between two readings [Pa].
    """
    last = first[n] - 1
    hold, draw = _choose_test(t, smooth, phase, first, n)
    closed = _closed_before(phase, draw) if draw >= 0 else _longest_one(t, phase, first, n, CLOSED)
    applied = -1 if draw >= 0 else applied_pressure(t, smooth, phase, first, n, step)
    closed_start, closed_end = _span(t, first, n, closed)
    closed_rows = _rows(first, closed, last)
    hold_start, hold_end = _span(t, first, n, hold)
    hold_rows = _rows(first, hold, last)
    moved_from = first[draw] if draw >= 0 else last
    if applied >= 0:
        begin, behind = _rows(first, applied, last)
        moved_from, filled, opens = when_filled(t, smooth, is_fed, begin, behind, step)
        closed_start, closed_end = t[begin], max(t[moved_from] - _BEFORE_FILLING_S, t[begin])
        closed_rows = (begin, row_from(t, begin, moved_from, closed_end))
        hold_start, hold_end = t[filled] + FILLING_ENDS_S, _span(t, first, n, applied)[1]
        hold_rows = (row_from(t, filled, opens, hold_start), behind)
        if hold_rows[0] >= opens:
            hold_start, hold_end, hold_rows, opens = np.nan, np.nan, (last, last), last
    else:
        opens = opened(t, smooth, hold_rows[0], hold_rows[1], step)
    full_s = hold_end - hold_start
    hold_rows, hold_end, is_opened, hold_lost_s = _cut_short(t, hold_rows, hold_end, opens)
    longest = _longest(t, phase, first, n, HOLD)
    if applied >= 0 or longest <= full_s:
        longest = hold_end - hold_start
    release = _release_after(phase, n, max(hold, draw))
    draw_start, draw_end = _span(t, first, n, draw)
    release_start, release_end = _span(t, first, n, release)
    marks = Landmarks(
        t[first[0]],
        t[last],
        closed_start,
        closed_end,
        draw_start,
        draw_end,
        hold_start,
        hold_end,
        release_start,
        release_end,
        longest,
        1.0 if applied >= 0 else 0.0,
        is_opened,
        hold_lost_s,
    )
    parts = Parts(
        closed_rows, _rows(first, draw, last), hold_rows, _rows(first, release, last), draw, moved_from
    )
    return marks, parts


@compiled
def _cut_short(
    t: Floats, rows: tuple[int, int], end: float, opens: int
) -> tuple[tuple[int, int], float, float, float]:
    """Return rows and end [s] of what is left of a hold before something opened at row `opens`, and before a gap that
    is longer than all the rest; whether something opened well before the vent was commanded to, and how long the gap
    is [s], nan where there is none."""
    is_opened, lost_s = 0.0, np.nan
    if opens < rows[1]:
        is_opened = 1.0 if end - t[opens] > _COMMAND_LATE_S else 0.0
        rows, end = (rows[0], opens), t[opens - 1]
    lost = _lost(t, rows[0], rows[1])
    if lost < rows[1]:
        is_opened, lost_s = 0.0, t[lost] - t[lost - 1]
        rows, end = (rows[0], lost), t[lost - 1]
    return rows, end, is_opened, lost_s


@compiled
def _release_after(phase: Ints, n: int, stretch: int) -> int:
    """Return the release that ends the series of draws and holds of which a stretch is one; -1 where none does."""
    release = stretch + 1
    while release < n and (phase[release] == DRAW or phase[release] == HOLD):
        release += 1
    return release if stretch >= 0 and release < n and phase[release] == RELEASE else -1


@compiled
def when_purge_stopped(
    t: Floats, phase: Ints, first: Ints, n: int
) -> tuple[tuple[int, int], tuple[float, float]]:
    """Return rows, start and end [s] of the rest before a test that follows a purge with the vent open; none, and nan,
    where there is no such rest."""
    for s in range(1, n):
        if phase[s] == REST and phase[s - 1] == FLOWING:
            return (first[s], first[s + 1]), _span(t, first, n, s)
    return (first[0], first[0]), (np.nan, np.nan)


@compiled
def _span(t: Floats, first: Ints, n: int, stretch: int) -> tuple[float, float]:
    """Return start and end [s] of a stretch: its end is where the next one begins, or the recording's last sample."""
    if stretch < 0:
        return np.nan, np.nan
    end = first[stretch + 1] if stretch + 1 < n else first[n] - 1
    return t[first[stretch]], t[end]


@compiled
def _rows(first: Ints, stretch: int, none: int) -> tuple[int, int]:
    if stretch < 0:
        return none, none
    return first[stretch], first[stretch + 1]


@compiled
def _choose_test(t: Floats, smooth: Floats, phase: Ints, first: Ints, n: int) -> tuple[int, int]:
    """Return the best hold and the draw before it, the longest draw where there is no hold; -1 where there is none."""
    hold, best = -1, -1.0
    for s in range(n):
        if phase[s] == HOLD:
            start, end = _span(t, first, n, s)
            deep = min(abs(smooth[first[s]]) / _FULL_WORTH_PA, 1.0)
            worth = (end - start) * (deep + 1e-3)
            if worth > best:
                hold, best = s, worth
    if hold <= 0:
        return hold, _longest_one(t, phase, first, n, DRAW)
    # A level may be topped up: the draw is the longest of those since the vent was shut.
    draw, longest = hold - 1, -1.0
    for s in range(hold - 1, -1, -1):
        if phase[s] != DRAW and phase[s] != HOLD:
            break
        start, end = _span(t, first, n, s)
        if phase[s] == DRAW and end - start > longest:
            draw, longest = s, end - start
    return hold, draw


@compiled
def _longest_one(t: Floats, phase: Ints, first: Ints, n: int, kind: int) -> int:
    out, best = -1, -1.0
    for s in range(n):
        if phase[s] == kind:
            start, end = _span(t, first, n, s)
            if end - start > best:
                out, best = s, end - start
    return out


@compiled
def _longest(t: Floats, phase: Ints, first: Ints, n: int, kind: int) -> float:
    start, end = _span(t, first, n, _longest_one(t, phase, first, n, kind))
    return end - start


@compiled
def _closed_before(phase: Ints, draw: int) -> int:
    """Return the closed phase that ends where the draw, or the first draw of its series, begins; else -1."""
    for s in range(draw - 1, -1, -1):
        if phase[s] == CLOSED:
            return s
        if phase[s] == REST or phase[s] == RELEASE or phase[s] == FLOWING:
            return -1
    return -1


@compiled
def _lost(t: Floats, a: int, b: int) -> int:
    """Return the row of a hold before which more time passed without a sample than all the others span, b where none
    did: whether the clock leapt there or samples were lost, what follows is another hold."""
    if b - a < LEAST_ROWS:
        return b
    # So long a gap holds the middle of the whole.
    half = (t[b - 1] - t[a]) / 2
    after = max(row_from(t, a, b, t[a] + half), a + 1)
    return after if t[after] - t[after - 1] > half else b
