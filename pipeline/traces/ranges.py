"""Compiled readings of a stretch of one recording: rows a to b (b left out) of its arrays.

Times rise within a recording, so that "the samples from here to there" is a stretch, found by bisection. A stretch
without samples reads as nan. Loops run over slices from 0 on: of an index that might be negative, for all that the
compiler knows, it does not take several at once.
"""

from __future__ import annotations

import numpy as np

from pipeline.traces.compiled import ZERO, Floats, compiled, greater, lesser, summing

#: A median absolute deviation times this is a standard deviation (normal law).
MAD_TO_SD = 1.4826
#: At most so many values are sorted for a median: evenly spread ones stand for a longer stretch.
MOST_SORTED = 255
#: Scratch that a median needs.
ROOM = MOST_SORTED
#: So often the range is halved before those in it are taken out.
_HALVINGS = 4
#: So many are sorted as they stand.
_FEW = 16
#: Samples were lost, or the clock leapt, where more than so long [s] passed without one, and so many times the usual
#: distance of two.
LOST_S, LOST_TIMES = 3.0, 5.0


@compiled
def are_lost(gap_s: float, usual_s: float) -> bool:
    """Say whether samples were lost, or the clock leapt, in a gap between two."""
    return gap_s > LOST_S and gap_s > LOST_TIMES * usual_s


@compiled
def row_from(t: Floats, a: int, b: int, time: float) -> int:
    """Return the first row whose time is not before `time`; b where there is none, or where `time` is nan."""
    if np.isnan(time):
        return b
    while a < b:
        middle = (a + b) // 2
        if t[middle] < time:
            a = middle + 1
        else:
            b = middle
    return a


@compiled
def row_after(t: Floats, a: int, b: int, time: float) -> int:
    """Return the first row whose time is after `time`; b where there is none, or where `time` is nan."""
    if np.isnan(time):
        return b
    while a < b:
        middle = (a + b) // 2
        if t[middle] <= time:
            a = middle + 1
        else:
            b = middle
    return a


@summing
def mean(x: Floats, a: int, b: int) -> float:
    """Return the mean of these values, nan where there is none."""
    some, total = x[a:b], 0.0
    for i in range(len(some)):
        total += some[i]
    return total / len(some) if len(some) else np.nan


@compiled
def least(x: Floats, a: int, b: int) -> float:
    """Return the least of these values, none of which is nan."""
    return extremes(x, a, b)[0] if b > a else np.nan


@compiled
def most(x: Floats, a: int, b: int) -> float:
    """Return the greatest of these values, none of which is nan."""
    return extremes(x, a, b)[1] if b > a else np.nan


@compiled
def extremes(x: Floats, a: int, b: int) -> tuple[float, float]:
    """Return the least and the greatest of these values, none of which is nan."""
    some, low, high = x[a:b], np.inf, -np.inf
    for i in range(len(some)):
        low, high = lesser(some[i], low), greater(some[i], high)
    return low, high


@compiled
def least_step(x: Floats, a: int, b: int) -> float:
    """Return the smallest difference between unequal neighbors, 0 where there is none."""
    some, step = x[a:b], np.inf
    for i in range(1, len(some)):
        change = abs(some[i] - some[i - 1])
        step = lesser(change if change > 1e-6 else np.inf, step)
    return step if step < np.inf else 0.0


@compiled
def stride_of(n: int) -> int:
    """Return which of n values are read, so that no more than MOST_SORTED are."""
    return max(1, -(-n // MOST_SORTED))


@compiled
def median(x: Floats, a: int, b: int, room: Floats) -> float:
    """Return the median of the finite values, of MOST_SORTED evenly spread ones at the most.

    Parameters
    ----------
    room : scratch of at least ROOM elements.
    """
    n = ZERO
    for i in range(a, b, stride_of(b - a)):
        if np.isfinite(x[i]):
            room[n] = x[i]
            n += 1
    return middle_of(room, n)


@compiled
def middle_of(room: Floats, n: int) -> float:
    """Return the median of the first n elements, which are finite: their range is halved by counting, and those left
    in it are taken out, until few are left to sort.

    Parameters
    ----------
    room : its first n elements are lost.
    """
    if n == 0:
        return np.nan
    left, rank = n, n // 2
    while left > _FEW:
        low, top = extremes(room, ZERO, left)
        if not low < top:
            return low
        beyond, under = np.inf, ZERO
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + top)
            middle = middle if middle > low else top
            below = _below(room, left, middle)
            if below == rank and n % 2 == 0:
                return 0.5 * sum(_beside(room, left, middle))
            if below <= rank:
                low, under = middle, below
            else:
                top, beyond = middle, middle
        rank -= under
        some, left = room[:left], ZERO
        for i in range(len(some)):
            value = some[i]
            room[left] = value
            left += (low <= value) & (value < beyond)
    _sort(room, left)
    return room[rank] if n % 2 else 0.5 * (room[rank - 1] + room[rank])


@compiled
def _below(x: Floats, n: int, limit: float) -> int:
    """Return how many of the first n elements lie below a limit."""
    some, out = x[:n], ZERO
    for i in range(len(some)):
        out += some[i] < limit
    return out


@compiled
def _beside(x: Floats, n: int, limit: float) -> tuple[float, float]:
    """Return the greatest of the first n elements below a limit and the least one from there on."""
    some, before, after = x[:n], -np.inf, np.inf
    for i in range(len(some)):
        value = some[i]
        before = greater(value if value < limit else -np.inf, before)
        after = lesser(np.inf if value < limit else value, after)
    return before, after


@compiled
def _sort(x: Floats, n: int) -> None:
    for i in range(1, n):
        value, j = x[i], i
        while j > 0 and x[j - 1] > value:
            x[j] = x[j - 1]
            j -= 1
        x[j] = value


@summing
def products(x: Floats, y: Floats, a: int, b: int) -> tuple[float, float, float]:
    """Return the sums of squares of x, of products, and of squares of y, about the means."""
    mx, my = mean(x, a, b), mean(y, a, b)
    x, y = x[a:b], y[a:b]
    sxx, sxy, syy = 0.0, 0.0, 0.0
    for i in range(len(x)):
        dx, dy = x[i] - mx, y[i] - my
        sxx += dx * dx
        sxy += dx * dy
        syy += dy * dy
    return sxx, sxy, syy


@compiled
def line(x: Floats, y: Floats, a: int, b: int) -> tuple[float, float, float, float]:
    """Fit y = c + slope x by least squares.

    Returns
    -------
    slope, its standard error (as if samples were independent), the residual's standard deviation and R^2; nan below
    three pairs or where x does not vary.
    """
    sxx, sxy, syy = products(x, y, a, b)
    return line_of_sums(max(b - a, 0), sxx, sxy, syy)


@compiled
def line_in_pieces(x: Floats, y: Floats, a: int, b: int) -> tuple[float, float, float, float]:
    """Fit y = c + slope x as `line` does, x being times [s], with a c of its own behind each gap of lost samples.

    Returns
    -------
    slope, its standard error, the residual's standard deviation, and the sum of squares of x about each piece's mean;
    nan where no piece varies.
    """
    n, sxx, sxy, syy, begin = b - a, 0.0, 0.0, 0.0, a
    for i in range(a + 1, b + 1):
        gap = x[i] - x[i - 1] if i < b else 0.0
        if i == b or (i - begin > 1 and are_lost(gap, x[i - 1] - x[i - 2])):
            more_xx, more_xy, more_yy = products(x, y, begin, i)
            sxx, sxy, syy = sxx + more_xx, sxy + more_xy, syy + more_yy
            n -= begin > a
            begin = i
    slope, error, rest, _ = line_of_sums(n, sxx, sxy, syy)
    return slope, error, rest, sxx


@compiled
def line_of_sums(n: int, sxx: float, sxy: float, syy: float) -> tuple[float, float, float, float]:
    """Return what `line` returns, from the sums of squares and products about the means."""
    if n < 3 or not sxx > 0:
        return np.nan, np.nan, np.nan, np.nan
    slope = sxy / sxx
    rest = max(syy - slope * sxy, 0.0)
    sd = np.sqrt(rest / (n - 2))
    r2 = 1 - rest / syy if syy > 0 else np.nan
    return slope, sd / np.sqrt(sxx), sd, r2
