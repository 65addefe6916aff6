"""The samples of a batch with what every reading needs: masks of the test's parts, noise, means by trace."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.grouped import count_by, least_by, mean_by, median_by, most_by
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.phases import CLOSED, DRAW, FLOWING, HOLD, RELEASE, Batch, Flags, Floats, Ints

#: A median absolute deviation times this is a standard deviation (normal law).
MAD_TO_SD = 1.4826
#: Valves and lines take so long to answer a command [s]; what is read right after one is not yet the new state.
SETTLING_S = 0.5


@dataclass(frozen=True)
class View:
    """A batch, its landmarks, its pressure without outliers, and the samples of the chosen parts.

    noise [Pa], step [Pa] (the smallest between unequal readings), interval_s [s] between samples, and sd [Pa] of one
    reading are per trace; the masks per sample.
    """

    batch: Batch
    marks: Landmarks
    smooth: Floats
    noise: Floats
    step: Floats
    interval_s: Floats
    sd: Floats
    closed: Flags
    draw: Flags
    hold: Flags
    release: Flags

    def mean(self, mask: Flags, value: Floats | None = None) -> Floats:
        """Return the mean pressure (or `value`) of the marked samples of each trace."""
        value = self.batch.pressure if value is None else value
        return mean_by(self.batch.trace, self.batch.n_traces, value, mask)

    def count(self, mask: Flags) -> Ints:
        return count_by(self.batch.trace, self.batch.n_traces, mask)

    def first_time(self, mask: Flags) -> Floats:
        return least_by(self.batch.trace, self.batch.n_traces, self.batch.t, mask)

    def least(self, mask: Flags | None = None) -> Floats:
        """Return the least pressure without outliers of the marked samples of each trace, or of all."""
        mask = np.ones(len(self.batch), bool) if mask is None else mask
        return least_by(self.batch.trace, self.batch.n_traces, self.smooth, mask)

    def most(self) -> Floats:
        return most_by(self.batch.trace, self.batch.n_traces, self.smooth, np.ones(len(self.batch), bool))

    def median(self, mask: Flags, value: Floats | None = None) -> Floats:
        value = self.batch.pressure if value is None else value
        return median_by(self.batch.trace, self.batch.n_traces, value, mask)

    def at(self, per_trace: Floats) -> Floats:
        """Return a value of each trace at each of its samples."""
        return per_trace[self.batch.trace]


def take_out_outliers(batch: Batch) -> Floats:
    """Return each pressure as the median of itself and its two neighbors in the same trace [Pa]."""
    p, same = batch.pressure, batch.trace[1:] == batch.trace[:-1]
    before, after = p.copy(), p.copy()
    before[1:][same] = p[:-1][same]
    after[:-1][same] = p[1:][same]
    return np.maximum(np.minimum(before, after), np.minimum(np.maximum(before, after), p))


def look_at(batch: Batch, marks: Landmarks, smooth: Floats) -> View:
    """Return the view of a batch on which all readings rest."""
    i, t, phase = batch.trace, batch.t, batch.phase
    noise, step, interval = _noise(batch)
    hold = (phase == HOLD) | ((phase == CLOSED) & marks.is_pressure_test[i])
    return View(
        batch,
        marks,
        smooth,
        noise,
        step,
        interval,
        np.hypot(noise, step / np.sqrt(12)) + 0.05,
        closed=(phase == CLOSED) & (t >= marks.closed_start[i]) & (t <= marks.closed_end[i]),
        draw=(phase == DRAW) & (t >= marks.draw_start[i]) & (t <= marks.draw_end[i]),
        hold=hold & (t >= marks.hold_start[i]) & (t <= marks.hold_end[i]),
        release=(phase == RELEASE) & (t >= marks.release_start[i]),
    )


def _noise(batch: Batch) -> tuple[Floats, Floats, Floats]:
    """Return noise [Pa], smallest step between unequal readings [Pa] and the usual time between samples [s]."""
    n = batch.n_traces
    same = np.append(False, batch.trace[1:] == batch.trace[:-1])[: len(batch)]
    dp = np.diff(batch.pressure, prepend=batch.pressure[:1])
    interval = median_by(batch.trace, n, np.diff(batch.t, prepend=batch.t[:1]), same)
    step = least_by(batch.trace, n, np.abs(dp), same & (np.abs(dp) > 1e-6))
    quiet = (
        same & np.append(False, same[:-1])[: len(batch)] & (batch.phase != DRAW) & (batch.phase != FLOWING)
    )
    second = np.abs(np.diff(dp, prepend=0.0)) if len(batch) else dp
    noise = MAD_TO_SD * median_by(batch.trace, n, second, quiet) / np.sqrt(6)
    return np.nan_to_num(noise), np.nan_to_num(step), interval
