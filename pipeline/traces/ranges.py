"""Compiled readings of a stretch of one recording: rows a to b (b left out) of its arrays.

Times rise within a recording, so that "the samples from here to there" is a stretch, found by bisection. A stretch
without samples reads as nan.
"""

from __future__ import annotations

import numpy as np

from pipeline.traces.compiled import Floats, compiled

#: At most so many values are sorted for a median: evenly spread ones stand for a longer stretch.
MOST_SORTED = 255


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


@compiled
def mean(x: Floats, a: int, b: int) -> float:
    total = 0.0
    for i in range(a, b):
        total += x[i]
    return total / (b - a) if b > a else np.nan


@compiled
def least(x: Floats, a: int, b: int) -> float:
    out = np.nan
    for i in range(a, b):
        if not x[i] >= out:
            out = x[i]
    return out


@compiled
def most(x: Floats, a: int, b: int) -> float:
    out = np.nan
    for i in range(a, b):
        if not x[i] <= out:
            out = x[i]
    return out


@compiled
def median(x: Floats, a: int, b: int, room: Floats) -> float:
    """Return the median of the finite values, of MOST_SORTED evenly spread ones at the most.

    Parameters
    ----------
    room : scratch of at least MOST_SORTED elements.
    """
    step = max(1, -(-(b - a) // MOST_SORTED))
    n = 0
    for i in range(a, b, step):
        if np.isfinite(x[i]):
            room[n] = x[i]
            n += 1
    return middle_of(room, n)


@compiled
def middle_of(room: Floats, n: int) -> float:
    """Return the median of the first n elements, which it puts in another order."""
    if n == 0:
        return np.nan
    upper = _select(room, n, n // 2)
    if n % 2:
        return upper
    below = room[0]
    for i in range(1, n // 2):
        below = max(below, room[i])
    return 0.5 * (below + upper)


@compiled
def _select(room: Floats, n: int, k: int) -> float:
    """Return the element of rank k; what is less stands before it (Hoare's selection)."""
    low, high = 0, n - 1
    while low < high:
        pivot = room[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while room[i] < pivot:
                i += 1
            while pivot < room[j]:
                j -= 1
            if i <= j:
                room[i], room[j] = room[j], room[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return room[k]


@compiled
def line(x: Floats, y: Floats, a: int, b: int) -> tuple[float, float, float, float]:
    """Fit y = c + slope x by least squares to the finite pairs.

    Returns
    -------
    slope, its standard error (as if samples were independent), the residual's standard deviation and R^2; nan below
    three pairs or where x does not vary.
    """
    n, mx, my = 0, 0.0, 0.0
    for i in range(a, b):
        if np.isfinite(x[i]) and np.isfinite(y[i]):
            n += 1
            mx += x[i]
            my += y[i]
    if n < 3:
        return np.nan, np.nan, np.nan, np.nan
    mx, my = mx / n, my / n
    sxx, sxy, syy = 0.0, 0.0, 0.0
    for i in range(a, b):
        if np.isfinite(x[i]) and np.isfinite(y[i]):
            dx, dy = x[i] - mx, y[i] - my
            sxx += dx * dx
            sxy += dx * dy
            syy += dy * dy
    return line_of_sums(n, sxx, sxy, syy)


@compiled
def line_of_sums(n: int, sxx: float, sxy: float, syy: float) -> tuple[float, float, float, float]:
    """Return what `line` returns, from the sums of squares and products about the means."""
    if n < 3 or not sxx > 0:
        return np.nan, np.nan, np.nan, np.nan
    slope = sxy / sxx
    rest = max(syy - slope * sxy, 0.0)
    sd = np.sqrt(rest / (n - 2)) if n > 2 else np.nan
    r2 = 1 - rest / syy if syy > 0 else np.nan
    return slope, sd / np.sqrt(sxx), sd, r2
