"""Gather the hold of every trace into one table of bins, so that all are fitted at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.physics.orifice import HEAT_RATIO_AIR
from pipeline.physics.vapor import rewarming_limit_pa
from pipeline.traces.grouped import least_by
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.phases import CLOSED, HOLD, Batch, Flags, Floats
from pipeline.traces.shows import Shown

N_BINS = 32
#: Time constants of heat between gas and walls that are tried [s].
WARMING_S = (2.0, 4.0, 8.0, 16.0)
#: Valves answer a command within this time [s]; the hold is read from then on.
_LATENCY_S = 0.5
#: The hold is fitted until so little of its vacuum is left: below it, the sensor's zero weighs more than the leak.
_LEFT_AT_END = 0.06


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


def bin_holds(batch: Batch, marks: Landmarks, shown: Shown, smooth: Floats) -> HoldBins:
    """Return each trace's hold as bin means; a trace without a usable hold has no samples in any bin."""
    i, n, t = batch.trace, batch.n_traces, batch.t
    q = batch.pressure - shown.vented.zero[i]
    begin = marks.hold_start + np.where(marks.is_pressure_test, 0.0, _LATENCY_S)
    part = (batch.phase == HOLD) | ((batch.phase == CLOSED) & marks.is_pressure_test[i])
    part &= (t >= begin[i]) & (t <= marks.hold_end[i])
    part &= ~(shown.sensor.is_clipped[i] & _at_the_end_of_range(batch))
    limit = _LEFT_AT_END * np.abs(shown.hold.start_above)
    low = part & (np.abs(smooth - shown.vented.zero[i]) < limit[i])
    stop = np.fmin(least_by(i, n, t, low), marks.hold_end)
    part &= t <= stop[i]
    first, last = least_by(i, n, t, part), -least_by(i, n, -t, part)
    width = np.maximum(last - first, 1e-9) / N_BINS
    rows = i[part]
    cell = np.clip(((t[part] - first[rows]) / width[rows]).astype(np.int64), 0, N_BINS - 1) + rows * N_BINS
    size = n * N_BINS
    count = np.bincount(cell, minlength=size).reshape(n, N_BINS).astype(float)
    since = t[part] - first[rows]
    with np.errstate(all="ignore"):
        time = np.bincount(cell, since, minlength=size).reshape(n, N_BINS) / count
        level = np.bincount(cell, q[part], minlength=size).reshape(n, N_BINS) / count
    middle = (np.arange(N_BINS) + 0.5) * width[:, None]
    time = np.where(count > 0, time, middle)
    cooling = _cooling(batch, marks, smooth, first)
    filled = np.where(count > 0, level, 0.0)
    return HoldBins(time, filled, count, _level_at_start(level, count), first, last - first, cooling)


def _cooling(batch: Batch, marks: Landmarks, smooth: Floats, window_start: Floats) -> Floats:
    """Run the draw's pressures through the gas's energy balance: how cold it left the gas.

    With D the pressure that the gas lacks by being colder than the walls, D' = -(k-1)/k p' - D/(k tau): each step of
    pressure leaves its share, which fades until the window starts.
    """
    i, n = batch.trace, batch.n_traces
    step = np.append(0.0, np.diff(smooth))
    step[np.append(True, i[1:] != i[:-1])] = 0.0
    begin = np.where(marks.is_pressure_test, np.nan, marks.draw_start)
    part = (batch.t > begin[i]) & (batch.t <= window_start[i])
    rows, age = i[part], window_start[i[part]] - batch.t[part]
    left = [
        np.bincount(rows, -step[part] * np.exp(-age / (HEAT_RATIO_AIR * tau)), minlength=n)
        for tau in WARMING_S
    ]
    return rewarming_limit_pa(np.stack(left, axis=1))


def _at_the_end_of_range(batch: Batch) -> Flags:
    least = least_by(batch.trace, batch.n_traces, batch.pressure, np.ones(len(batch), bool))
    return batch.pressure <= least[batch.trace] + 1e-9


def _level_at_start(level: Floats, count: Floats) -> Floats:
    filled = count > 0
    first = np.argmax(filled, axis=1)
    return np.where(filled.any(axis=1), level[np.arange(len(level)), first], np.nan)
