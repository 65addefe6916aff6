"""Whether a tank was put under pressure, or drawn down, from outside, and when that ended."""

from __future__ import annotations

from pipeline.traces.compiled import ZERO, Flags, Floats, Ints, compiled
from pipeline.traces.opening import LEAST_ROWS, full_from, let_go
from pipeline.traces.phases import CLOSED
from pipeline.traces.ranges import least, most, row_from

#: A closed phase that reaches this pressure, without a draw, was put under pressure from outside: an integrity
#: test (14 inches of water is 3487 Pa). Warm fuel alone does not get there within a recording.
_APPLIED_PRESSURE_PA = 1_500.0
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
_KNEE_SHARE, _FULL_SHARE, _FILLS = 0.25, 0.99, 0.1
#: Whether it still rises is asked over so long [s]; what is held begins so long after the filling's end.
FILLING_ENDS_S = 1.0
#: It begins where the pressure bends up into it: by this share of the greatest pressure, below a line to its end.
_BEGINS_SHARE = 0.05
#: A supply that a leak outruns holds a level until it is shut off. Then the pressure bends down: by these shares of the
#: whole, and of what it falls until half of it is left or the hold ends, it stands above the line to there. What
#: follows is watched for so long [s] and for this share of the time before.
_BENDS_SHARE, _BENDS_OF_FALL = 0.03, 0.25
_WATCHED_S, _WATCHED_SHARE = 30.0, 0.5
#: What settled and fell is topped up: the pressure rises again by so much of what stood [share], at so much of the
#: filling's speed [share], to about where it had stood [share].
_TOPS_SHARE, _TOPS_SPEED, _TOPS_TO = 0.03, 0.2, 0.8
#: What came before the filling and went by this share of what that brought was an earlier filling: what was shut in
#: before it is what was shut in before any.
_EARLIER_SHARE = 0.1
#: What rises faster than this share of it belongs to the filling.
_RISES_BY_ITSELF = 0.25


@compiled
def applied_pressure(t: Floats, smooth: Floats, phase: Ints, first: Ints, n: int, step: float) -> int:
    """Return the closed phase that was put under pressure, the highest of several; -1 where none was."""
    applied, highest = -1, _BOX_PA
    for s in range(n):
        if phase[s] == CLOSED:
            a, b = first[s], first[s + 1]
            here = most(smooth, a, b)
            if here > highest and (here > _APPLIED_PRESSURE_PA or was_filled(t, smooth, a, b, step)):
                applied, highest = s, here
    return applied


@compiled
def when_filled(
    t: Floats, smooth: Floats, is_fed: Flags, a: int, b: int, step: float
) -> tuple[int, int, int]:
    """Return the rows of rows a to b at which their filling begins, at which it ends, and at which what it brought was
    let go; b where it was not.

    Parameters
    ----------
    is_fed : where test gas flows in, one per sample; none at all where no flow was recorded.
    step : smallest difference between two readings [Pa].
    """
    # Whatever the pressure does, nothing is held while gas flows in.
    fed_until = _last_of(is_fed, a, b)
    # Who lets the pressure go by the port that it came in by commands nothing.
    end = let_go(t, smooth, max(full_from(smooth, a, b), fed_until), b, step)
    begin, full = _filling(t, smooth, a, end)
    full = _topped_up(t, smooth, full, end, _speed(t, smooth, begin, full))
    if most(smooth, a, begin + 1) - smooth[begin] > _EARLIER_SHARE * smooth[full]:
        begin, _ = _filling(t, smooth, a, begin + 1)
    return begin, _supplied_until(t, smooth, max(full, fed_until), end, smooth[a]), end


@compiled
def was_filled(t: Floats, smooth: Floats, a: int, b: int, step: float) -> bool:
    """Say whether the pressure of rows a to b rose fast, and then no more until it was let go.

    Parameters
    ----------
    step : smallest difference between two readings [Pa].
    """
    end = let_go(t, smooth, full_from(smooth, a, b), b, step)
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
    if b - a < LEAST_ROWS or least(smooth, a, b) > smooth[a] - FILLED_PA:
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
def _last_of(flags: Flags, a: int, b: int) -> int:
    """Return the last of rows a to b that has the flag, a where none has it or there are no flags."""
    for i in range(min(b, len(flags)) - 1, a, -1):
        if flags[i]:
            return i
    return a


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
