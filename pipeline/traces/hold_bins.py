"""Gather the hold of every trace into one table of bins, so that all are fitted at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.grouped import least_by
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.phases import CLOSED, HOLD, Batch, Flags, Floats
from pipeline.traces.shows import Shown

N_BINS = 48
#: Valves answer a command within this time [s]; the hold is read from then on.
_LATENCY_S = 0.5
#: The hold is fitted until so little of its vacuum is left: below it, the sensor's zero weighs more than the leak.
_LEFT_AT_END = 0.12


@dataclass(frozen=True)
class HoldBins:
    """Bin means of each trace's hold, traces x N_BINS: time since the hold began [s], pressure above the vented
    level [Pa] and number of samples (0: an empty bin, which keeps its own middle as time)."""

    t: Floats
    pressure: Floats
    n: Floats
    start: Floats
    """Level at the window's start above the vented level [Pa], one per trace."""
    window_s: Floats


def bin_holds(batch: Batch, marks: Landmarks, shown: Shown, smooth: Floats) -> HoldBins:
    """Return each trace's hold as bin means; a trace without a usable hold has no samples in any bin."""
    i, n, t = batch.trace, batch.n_traces, batch.t
    q = batch.pressure - shown.zero[i]
    begin = marks.hold_start + np.where(marks.is_pressure_test, 0.0, _LATENCY_S)
    part = (batch.phase == HOLD) | ((batch.phase == CLOSED) & marks.is_pressure_test[i])
    part &= (t >= begin[i]) & (t <= marks.hold_end[i])
    part &= ~(shown.is_clipped[i] & _at_the_end_of_range(batch))
    limit = _LEFT_AT_END * np.abs(shown.hold_start_above)
    low = part & (np.abs(smooth - shown.zero[i]) < limit[i])
    stop = np.fmin(least_by(i, n, t, low), marks.hold_end)
    part &= t <= stop[i]
    first, last = least_by(i, n, t, part), -least_by(i, n, -t, part)
    width = np.maximum(last - first, 1e-9) / N_BINS
    rows = i[part]
    cell = np.clip(((t[part] - first[rows]) / width[rows]).astype(np.int64), 0, N_BINS - 1) + rows * N_BINS
    size = n * N_BINS
    count = np.bincount(cell, minlength=size).reshape(n, N_BINS).astype(float)
    since = t[part] - marks.hold_start[rows]
    with np.errstate(all="ignore"):
        time = np.bincount(cell, since, minlength=size).reshape(n, N_BINS) / count
        level = np.bincount(cell, q[part], minlength=size).reshape(n, N_BINS) / count
    middle = (first - marks.hold_start)[:, None] + (np.arange(N_BINS) + 0.5) * width[:, None]
    time = np.where(count > 0, time, middle)
    return HoldBins(time, np.where(count > 0, level, 0.0), count, _level_at_start(level, count), last - first)


def _at_the_end_of_range(batch: Batch) -> Flags:
    least = least_by(batch.trace, batch.n_traces, batch.pressure, np.ones(len(batch), bool))
    return batch.pressure <= least[batch.trace] + 1e-9


def _level_at_start(level: Floats, count: Floats) -> Floats:
    filled = count > 0
    first = np.argmax(filled, axis=1)
    return np.where(filled.any(axis=1), level[np.arange(len(level)), first], np.nan)
