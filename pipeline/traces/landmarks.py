"""Where in a recording the test lies: its hold, the draw before it, the release after it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import ZERO, Flags, Floats, Ints, compiled
from pipeline.traces.phases import CLOSED, DRAW, FLOWING, HOLD, RELEASE, REST
from pipeline.traces.ranges import least, most, row_from

#: A closed phase that reaches this pressure, without a draw, was put under pressure from outside: an integrity
#: test (14 inches of water is 3487 Pa). Warm fuel alone does not get there within a recording.
APPLIED_PRESSURE_PA = 1_500.0
#: One that leaks may not get there. From so much [Pa] on it was filled if the pressure rose at so many pascals a second
#: at least, and then for so long [s] by no more than this share of that: warm fuel neither hurries nor stops.
FILLED_PA, _FILLED_PA_S, _FILLED_S, _FILLED_SHARE = 400.0, 8.0, 15.0, 0.1
#: So is one that a wide hole lets go at once where the supply is shut off, from less on [Pa].
_BOX_PA = 120.0
#: A vacuum that begins so long [s] after vent and purge were shut was drawn: both answer sooner.
_DRAWN_AFTER_S = 2.0
#: The filling ends where the pressure bends away from its rise: this far above the straight line from the phase's first
#: to its last reading [share of the greatest pressure], else where it first reaches _FULL_SHARE of the greatest; and it
#: goes on while the pressure still rises at _FILLS of the usual speed of the filling.
_KNEE_SHARE = 0.25
#: It begins where the pressure bends up into it: by this share of the greatest pressure, below a line to its end.
_BEGINS_SHARE = 0.05
_FULL_SHARE = 0.99
#: Whether it is let go is asked from where it first comes as near as this to the greatest pressure [share].
_NEAR_SHARE = 0.97
_FILLS = 0.1
FILLING_ENDS_S = 1.0
#: A supply that a leak outruns holds a level until it is shut off. Then the pressure bends down: by these shares of the
#: whole, and of what it falls until half of it is left or the hold ends, it stands above the line to there. What
#: follows is watched for so long [s] and for this share of the time before.
_BENDS_SHARE, _BENDS_OF_FALL = 0.03, 0.25
_WATCHED_S, _WATCHED_SHARE = 30.0, 0.5
#: What settled and fell is topped up: the pressure rises again by so much of what stood [share], at so much of the
#: filling's speed [share], to about where it had stood [share].
_TOPS_SHARE, _TOPS_SPEED, _TOPS_TO = 0.03, 0.2, 0.8
#: What rises faster than this share of it belongs to the filling.
_RISES_BY_ITSELF = 0.25
#: The tank's own rise before it is filled is read until so long [s] before the filling begins.
_BEFORE_FILLING_S = 0.5
#: Something opened in a hold where the pressure lost no more than _STILL_SHARE in _STILL_S [s], and then went within
#: _OPENS_WITHIN_S [s] to less than _GONE_SHARE of the whole, for good; as long after that at most _LEFT_SHARE of what
#: it was before is left, for which a decay takes longer. It takes _TELLS_OPENING_PA [Pa] to tell (_TELLS_BOX_PA
#: of what was put in), and so many steps of the sensor: of a coarse one every step comes at once.
_STILL_SHARE, _STILL_S = 0.15, 4.0
_OPENS_WITHIN_S, _GONE_SHARE, _LEFT_SHARE = 2.5, 0.15, 0.5
_TELLS_OPENING_PA, _TELLS_BOX_PA, _TELLS_OPENING_STEPS = 300.0, 80.0, 3.0
#: So large a share of a vacuum, and of a pressure that was applied, must be kept until then.
_KEPT_SHARE, _LET_GO_SHARE = 0.5, 0.15
#: An opening that comes no sooner before the release is the vent's own: its command shows late, by up to so long [s].
_COMMAND_LATE_S = 2.0
_LEAST_ROWS = 8
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
    n_draws: Any
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
    tells = max(_TELLS_OPENING_PA, _TELLS_OPENING_STEPS * step)
    box_tells = max(_TELLS_BOX_PA, _TELLS_OPENING_STEPS * step)
    last = first[n] - 1
    hold, draw = _choose_test(t, smooth, phase, first, n)
    hold_start, hold_end, longest, hold_rows = np.nan, np.nan, np.nan, (last, last)
    if hold >= 0:
        hold_start, hold_end = _span(t, first, n, hold)
        hold_rows = (first[hold], first[hold + 1])
        longest = _longest(t, phase, first, n, HOLD)
    closed = _closed_before(phase, draw) if draw >= 0 else _longest_one(t, phase, first, n, CLOSED)
    closed_rows = _rows(first, closed, last)
    closed_start, closed_end = _span(t, first, n, closed)
    applied, moved_from, opened = -1, first[draw] if draw >= 0 else last, last
    if draw < 0:
        applied = _applied_pressure(t, smooth, phase, first, n, step)
        if applied >= 0:
            top = _full_from(smooth, first[applied], first[applied + 1])
            # Whatever the pressure does, nothing is held while gas flows in.
            fed_until = _last_of(is_fed, first[applied], first[applied + 1])
            # Who lets the pressure go by the port that it came in by commands nothing.
            end = _opening(t, smooth, max(top, fed_until), first[applied + 1], _LET_GO_SHARE, box_tells)
            moved_from, filled = _filling(t, smooth, first[applied], end)
            filled = _topped_up(t, smooth, filled, end, _speed(t, smooth, moved_from, filled))
            filled = _supplied_until(t, smooth, max(filled, fed_until), end, smooth[first[applied]])
            hold_start, hold_end = t[filled] + FILLING_ENDS_S, _span(t, first, n, applied)[1]
            hold_rows = (row_from(t, filled, end, hold_start), first[applied + 1])
            opened = end
            closed_end = max(t[moved_from] - _BEFORE_FILLING_S, t[first[applied]])
            closed_rows = (first[applied], row_from(t, first[applied], moved_from, closed_end))
            if hold_rows[0] >= end:
                hold_start, hold_end, hold_rows, opened = np.nan, np.nan, (last, last), last
    full_hold, full_s = hold_rows[1], hold_end - hold_start
    if applied < 0:
        opened = _opening(t, smooth, hold_rows[0], full_hold, _KEPT_SHARE, tells)
    is_opened = 0.0
    if opened < full_hold:
        is_opened = 1.0 if hold_end - t[opened] > _COMMAND_LATE_S else 0.0
        hold_rows, hold_end = (hold_rows[0], opened), t[opened - 1]
    lost = _lost(t, hold_rows[0], hold_rows[1])
    hold_lost_s = np.nan
    if lost < hold_rows[1]:
        is_opened, hold_lost_s = 0.0, t[lost] - t[lost - 1]
        hold_rows, hold_end = (hold_rows[0], lost), t[lost - 1]
    if applied >= 0 or longest <= full_s:
        longest = hold_end - hold_start
    release = max(hold, draw) + 1
    while release < n and (phase[release] == DRAW or phase[release] == HOLD):
        release += 1
    if (hold < 0 and draw < 0) or release >= n or phase[release] != RELEASE:
        release = -1
    n_draws = 0
    for s in range(n):
        n_draws += phase[s] == DRAW
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
        float(n_draws),
        1.0 if applied >= 0 else 0.0,
        is_opened,
        hold_lost_s,
    )
    parts = Parts(
        closed_rows, _rows(first, draw, last), hold_rows, _rows(first, release, last), draw, moved_from
    )
    return marks, parts


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
def _last_of(flags: Flags, a: int, b: int) -> int:
    """Return the last of rows a to b that has the flag, a where none has it or there are no flags."""
    for i in range(min(b, len(flags)) - 1, a, -1):
        if flags[i]:
            return i
    return a


@compiled
def _opening(t: Floats, smooth: Floats, a: int, b: int, kept_share: float, tells_pa: float) -> int:
    """Return the row of a hold at which something opened, b where nothing did.

    Through a hole a vacuum, or a pressure, goes ever more slowly. One that first keeps still and is then gone within
    seconds, for good, found another way. The hold's last reading stands for the level outside; so much of the first one
    (`kept_share`) must have been kept until then, and no less than `tells_pa`.
    """
    if b - a < _LEAST_ROWS:
        return b
    outside = smooth[b - 1]
    whole = abs(smooth[a] - outside)
    gone = a
    while gone < b and abs(smooth[gone] - outside) > _GONE_SHARE * whole:
        gone += 1
    kept = row_from(t, a, b, t[min(gone, b - 1)] - _OPENS_WITHIN_S) - 1
    before = row_from(t, a, b, t[max(kept, a)] - _STILL_S)
    if kept <= before or t[kept] - t[a] < _STILL_S:
        return b
    left = abs(smooth[kept] - outside)
    if left < max(kept_share * whole, tells_pa) or abs(smooth[before] - outside) - left > _STILL_SHARE * left:
        return b
    settled = min(row_from(t, gone, b, t[min(gone, b - 1)] + _OPENS_WITHIN_S), b - 1)
    if abs(smooth[settled] - outside) > _LEFT_SHARE * left:
        return b
    for i in range(gone, b):
        if abs(smooth[i] - outside) > 2 * _GONE_SHARE * whole:
            return b
    while abs(smooth[kept + 1] - outside) > (1 - _STILL_SHARE) * left:
        kept += 1
    return kept + 1


@compiled
def _lost(t: Floats, a: int, b: int) -> int:
    """Return the row of a hold before which more time passed without a sample than all the others span, b where none
    did: whether the clock leapt there or samples were lost, what follows is another hold."""
    if b - a < _LEAST_ROWS:
        return b
    # So long a gap holds the middle of the whole.
    half = (t[b - 1] - t[a]) / 2
    after = max(row_from(t, a, b, t[a] + half), a + 1)
    return after if t[after] - t[after - 1] > half else b


@compiled
def _applied_pressure(t: Floats, smooth: Floats, phase: Ints, first: Ints, n: int, step: float) -> int:
    """Return the closed phase that was put under pressure, the highest of several; -1 where none was."""
    applied, highest = -1, _BOX_PA
    for s in range(n):
        if phase[s] == CLOSED:
            a, b = first[s], first[s + 1]
            here = most(smooth, a, b)
            if here > highest and (here > APPLIED_PRESSURE_PA or was_filled(t, smooth, a, b, step)):
                applied, highest = s, here
    return applied


@compiled
def was_filled(t: Floats, smooth: Floats, a: int, b: int, step: float) -> bool:
    """Say whether the pressure of rows a to b rose fast, and then no more until it was let go.

    Parameters
    ----------
    step : smallest difference between two readings [Pa].
    """
    tells = max(_TELLS_BOX_PA, _TELLS_OPENING_STEPS * step)
    end = _opening(t, smooth, _full_from(smooth, a, b), b, _LET_GO_SHARE, tells)
    begin, full = _filling(t, smooth, a, end)
    speed = _speed(t, smooth, begin, full)
    return (
        smooth[full] - smooth[begin] > (_BOX_PA if end < b else FILLED_PA)
        and speed > _FILLED_PA_S
        and t[end - 1] - t[full] > _FILLED_S
        and _speed(t, smooth, full, end - 1) < _FILLED_SHARE * speed
    )


@compiled
def was_drawn(t: Floats, smooth: Floats, a: int, b: int) -> bool:
    """Say whether a vacuum came to rows a to b some time after they began, fast, and then no more.

    What passes a shut valve does so from the moment that the vent is shut, and goes on.
    """
    if b - a < _LEAST_ROWS or least(smooth, a, b) > smooth[a] - FILLED_PA:
        return False
    since, vacuum, end = t[a:b], -smooth[a:b], b - a - 1
    begin, full = _filling(since, vacuum, ZERO, b - a)
    speed = _speed(since, vacuum, begin, full)
    return (
        since[begin] - since[0] > _DRAWN_AFTER_S
        and vacuum[full] - vacuum[begin] > FILLED_PA
        and speed > _FILLED_PA_S
        and since[end] - since[full] > _FILLED_S
        and max(_speed(since, vacuum, ZERO, begin), _speed(since, vacuum, full, end)) < _FILLED_SHARE * speed
    )


@compiled
def _filling(t: Floats, smooth: Floats, a: int, b: int) -> tuple[int, int]:
    """Return the rows between which rows a to b were filled: pressure rises by itself, then fast, then no more.

    A tank that warms goes on rising after it: its greatest pressure does not tell when it was filled.
    """
    highest = most(smooth, a, b)
    full, off = _farthest(t, smooth, a, b, 1.0)
    if off < _KNEE_SHARE * highest:
        full = a
        while smooth[full] < _FULL_SHARE * highest:
            full += 1
    begin, off = _farthest(t, smooth, a, full + 1, -1.0)
    if off < _BEGINS_SHARE * highest:
        begin = a
    if _speed(t, smooth, a, begin) > _RISES_BY_ITSELF * _speed(t, smooth, begin, full):
        begin = a
    if full > begin:
        full = _rises_until(t, smooth, full, b, _FILLS * _speed(t, smooth, begin, full))
    return begin, full


@compiled
def _rises_until(t: Floats, smooth: Floats, a: int, b: int, least: float) -> int:
    """Return the row from a on, before b, from which the pressure no longer rises at `least` [Pa/s]."""
    later = row_from(t, a, b, t[a] + FILLING_ENDS_S)
    while later < b and smooth[later] - smooth[a] > least * (t[later] - t[a]):
        a += 1
        later = row_from(t, a, b, t[a] + FILLING_ENDS_S)
    return a


@compiled
def _topped_up(t: Floats, smooth: Floats, full: int, b: int, speed: float) -> int:
    """Return the row of rows full to b at which the last topping up ends, `full` where there was none or too little is
    watched after it.

    Parameters
    ----------
    speed : of the filling that ended at row `full` [Pa/s].
    """
    least, low, last = _TOPS_SHARE * smooth[full], full, full
    for i in range(full + 1, b):
        rise = smooth[i] - smooth[low]
        if rise < 0:
            low = i
        elif rise >= least and rise >= _TOPS_SPEED * speed * (t[i] - t[low]):
            ends = _rises_until(t, smooth, i, b, _FILLS * speed)
            low = i
            if smooth[ends] >= _TOPS_TO * smooth[full] and t[b - 1] - t[ends] >= _WATCHED_S:
                last = ends
    return last


@compiled
def _supplied_until(t: Floats, smooth: Floats, a: int, b: int, before: float) -> int:
    """Return the row of rows a to b until which a supply held the pressure up, a where none did.

    Through a hole a pressure goes ever more slowly, and gas that is shut in cools so: what first stands and then goes
    was fed. A hold that is let go in the end is not watched after that.

    Parameters
    ----------
    before : the pressure that was there first [Pa].
    """
    whole = smooth[a] - before
    half = a
    while half < b and smooth[half] - before > 0.5 * whole:
        half += 1
    half = min(half, b - 1)
    bend, off = _farthest(t, smooth, a, half + 1, 1.0)
    bends = max(_BENDS_SHARE * whole, _BENDS_OF_FALL * (smooth[a] - smooth[half]))
    is_watched = t[b - 1] - t[bend] >= max(_WATCHED_S, _WATCHED_SHARE * (t[bend] - t[a]))
    return bend if off >= bends and is_watched and smooth[half] < smooth[a] else a


@compiled
def _full_from(smooth: Floats, a: int, b: int) -> int:
    """Return the first of rows a to b that comes near the greatest pressure: where it stands, noise picks that."""
    enough = _NEAR_SHARE * most(smooth, a, b)
    while smooth[a] < enough:
        a += 1
    return a


@compiled
def _speed(t: Floats, smooth: Floats, a: int, b: int) -> float:
    """Return the mean slope from row a to row b [Pa/s], 0 where they are the same."""
    return (smooth[b] - smooth[a]) / (t[b] - t[a]) if b > a else 0.0


@compiled
def _farthest(t: Floats, smooth: Floats, a: int, b: int, side: float) -> tuple[int, float]:
    """Return the row farthest above (side 1) or below (-1) the straight line from row a to row b - 1, and how far."""
    slope = (smooth[b - 1] - smooth[a]) / max(t[b - 1] - t[a], 1e-9)
    row, farthest = a, 0.0
    for i in range(a, b):
        off = side * (smooth[i] - smooth[a] - slope * (t[i] - t[a]))
        if off > farthest:
            row, farthest = i, off
    return row, farthest
