"""Gather the hold of a recording into a row of bins, so that many holds are fitted alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.physics.orifice import HEAT_RATIO_AIR
from pipeline.traces.compiled import ZERO, Floats, compiled
from pipeline.traces.landmarks import Landmarks, Parts
from pipeline.traces.ranges import are_lost, row_after, row_from

N_BINS = 32
#: Time constants of heat between gas and walls that are tried [s], each twice the one before.
WARMING_S = (4.0, 8.0, 16.0, 32.0)
#: Valves answer a command within this time [s]; the hold is read from then on.
LATENCY_S = 0.5
#: The hold is fitted until so little of its vacuum is left: below it, the sensor's zero weighs more than the leak.
_LEFT_AT_END = 0.03
#: A tank whose fuel goes on to lift the pressure to the other side of the vented level, by so much [Pa] and more than
#: that share, tells by it what its fuel does without any vacuum. Its hold is fitted to the end, where no more than this
#: share of it lies behind the vented level: of a vacuum that was soon gone too few bins would be left.
_BEYOND_PA, _MOST_BEYOND = 20.0, 0.4
#: Ratio of specific heats of a tank's gas, air with a third of fuel vapor: with it heat fades, and moves the pressure.
HEAT_RATIO = 1.18
#: The draw's steps are gathered over so long [s] before their heat is let fade: a twentieth of the least time constant.
_GATHERED_S = 0.2
#: The clock leapt where the pressure, by its slope over so long [s] after a gap, moved in the gap for less than this
#: share of it, and would have moved by more than so many pascals.
_BESIDE_LEAP_S, _STOOD_SHARE, _WOULD_MOVE_PA = 4.0, 0.3, 300.0


@dataclass(frozen=True)
class HoldBins:
    """Bin means of each trace's hold.

    t, pressure, n : traces x N_BINS: time since the window's start [s], pressure above the vented level [Pa], samples
        (0: an empty bin, which keeps its own middle as time).
    start, start_s, window_s : one per trace: level at the window's start [Pa], its time [s], the window's length [s].
    cooling : traces x WARMING_S: how much colder than its walls the gas is at the start, as a pressure [Pa].
    """

    t: Floats
    pressure: Floats
    n: Floats
    start: Floats
    start_s: Floats
    window_s: Floats
    cooling: Floats

    @staticmethod
    def empty(n: int) -> HoldBins:
        """Return room for n traces, all without a hold."""

        t, pressure, samples = np.zeros((3, n, N_BINS))
        start, start_s, window_s = np.full((3, n), np.nan)
        return HoldBins(t, pressure, samples, start, start_s, window_s, np.zeros((n, len(WARMING_S))))

    @property
    def arrays(self) -> tuple[Floats, ...]:
        """What `bin_hold` fills, in its order."""
        return self.t, self.pressure, self.n, self.start, self.start_s, self.window_s, self.cooling


@compiled
def bin_hold(
    t: Floats,
    p: Floats,
    smooth: Floats,
    a: int,
    b: int,
    marks: Landmarks,
    parts: Parts,
    zero: float,
    ends_above: tuple[float, float],
    ends_of_range: tuple[float, float],
    bins: tuple[Floats, ...],
    k: int,
) -> None:
    """Fill row k of `bins` with one recording's hold; it stays empty where there is no usable hold.

    Parameters
    ----------
    a, b : the recording's rows. zero, ends_above : vented level, and the hold's first and last level above it [Pa].
    ends_of_range : the sensor's least and greatest reading [Pa], which tell nothing of the tank; nan where not reached.
    """
    of_t, of_p, of_n, start, start_s, window_s, cooling = bins
    first, last = _window(t, smooth, marks, parts, zero, ends_above)
    lowest, highest = ends_of_range
    floor = lowest + 1e-9 if lowest == lowest else -np.inf
    ceiling = highest - 1e-9 if highest == highest else np.inf
    while first < last and not floor < p[first] < ceiling:
        first += 1
    if first >= last:
        return
    origin, length = t[first], t[last - 1] - t[first]
    width = max(length, 1e-9) / N_BINS
    for cell in range(N_BINS):
        of_t[k, cell] = (cell + 0.5) * width
    cell, time, level, n = ZERO, 0.0, 0.0, 0
    for i in range(first, last):
        here = min(int((t[i] - origin) / width), N_BINS - 1)
        if here != cell:
            _put_mean(of_t[k], of_p[k], of_n[k], cell, time, level, n)
            cell, time, level, n = here, 0.0, 0.0, 0
        if floor < p[i] < ceiling:
            time += t[i] - origin
            level += p[i] - zero
            n += 1
    _put_mean(of_t[k], of_p[k], of_n[k], cell, time, level, n)
    for cell in range(N_BINS - 1, -1, -1):
        if of_n[k, cell] > 0:
            start[k] = of_p[k, cell]
    start_s[k], window_s[k] = origin, length
    _cool(t, smooth, parts.moved_from, first, last, cooling, k)


@compiled
def _put_mean(of_t: Floats, of_p: Floats, of_n: Floats, cell: int, time: float, level: float, n: int) -> None:
    if n > 0:
        of_t[cell], of_p[cell], of_n[cell] = time / n, level / n, n


@compiled
def _window(
    t: Floats, smooth: Floats, marks: Landmarks, parts: Parts, zero: float, ends_above: tuple[float, float]
) -> tuple[int, int]:
    """Return the rows of the hold that are fitted: after the valves' answer, until hardly any vacuum is left, or to the
    end where the pressure goes beyond the vented level."""
    latency = 0.0 if marks.is_pressure_test > 0 else LATENCY_S
    a = row_from(t, parts.hold[0], parts.hold[1], marks.hold_start + latency)
    b = row_after(t, a, parts.hold[1], marks.hold_end)
    limit = _LEFT_AT_END * abs(ends_above[0])
    goes_beyond = ends_above[0] * ends_above[1] < 0 and abs(ends_above[1]) > max(limit, _BEYOND_PA)
    for i in range(a, b):
        if abs(smooth[i] - zero) < limit:
            if goes_beyond and t[b - 1] - t[i] < _MOST_BEYOND * (t[b - 1] - t[a]):
                return a, b
            return a, row_after(t, i, b, t[i])
    return a, b


@compiled
def _cool(t: Floats, smooth: Floats, draw: int, window: int, end: int, cooling: Floats, k: int) -> None:
    """Run the draw's pressures, or the filling's, through the gas's energy balance: how cold, or warm, it left the gas.

    With D the pressure that the gas lacks by being colder than the walls, D' = -(k-1)/k p' - D/(k tau): each step of
    pressure leaves its share, which fades until the window starts.
    """
    i, now = draw + 1, t[window] - _leapt_before(t, smooth, draw, window, end)
    while i <= window:
        begin, from_pa, time, n = t[i], smooth[i - 1], 0.0, 0
        while i <= window and t[i] <= begin + _GATHERED_S:
            time += t[i]
            n += 1
            i += 1
        # A leap of the clock is no time: what comes after it counts from where it stood before.
        age = max(now - time / n, 0.0)
        # Each time constant is twice the one before, and so lets the root of its share be left.
        left = np.exp(-age / (HEAT_RATIO * WARMING_S[-1]))
        for j in range(len(WARMING_S) - 1, -1, -1):
            cooling[k, j] += (from_pa - smooth[i - 1]) * left
            left *= left
    for j in range(len(WARMING_S)):
        cooling[k, j] *= (HEAT_RATIO_AIR - 1) / HEAT_RATIO


@compiled
def _leapt_before(t: Floats, smooth: Floats, a: int, i: int, b: int) -> float:
    """Return by how much the clock leapt just before row i, where the fitted hold (to row b) starts [s]: nothing where
    the samples may be missing.

    The pressure stood in the gap, and moves at once behind it. One that had moved as fast in the gap would have gone
    further by so much that the gap can be no time.
    """
    after = row_from(t, i, b, t[i] + _BESIDE_LEAP_S)
    gap = t[i] - t[i - 1]
    if i - 1 <= a or after >= b or not are_lost(gap, t[i - 1] - t[i - 2]):
        return 0.0
    slope, change = (smooth[after] - smooth[i]) / (t[after] - t[i]), smooth[i] - smooth[i - 1]
    would_move = abs(slope) * gap
    if would_move < _WOULD_MOVE_PA or abs(change) > _STOOD_SHARE * would_move:
        return 0.0
    return gap - max(change / slope, 0.0)
