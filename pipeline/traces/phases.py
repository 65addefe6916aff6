"""Cut recordings into their phases, from the commands and never from the clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

#: Phase codes of a sample. FLOWING is purge open with the vent open: no phase of a test.
FLOWING, REST, CLOSED, DRAW, HOLD, RELEASE = range(6)
PHASE_NAMES = ("", "rest", "closed", "draw", "hold", "release")
#: Purge counts as open above this duty. Modules command 0 when shut; the smallest duties that move vapor are
#: several percent. One count of SAE J1979 PID 2E is 0.39 %.
PURGE_OPEN_PCT = 2.0

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Batch:
    """Samples of many traces, one after the other, as arrays of one length.

    `trace` is the trace's number (0 to n_traces - 1, not falling), `t` [s] rises within a trace, `pressure` [Pa]
    is gauge, `volts` [V] and `rpm` [1/min] may be nan, `phase` is a phase code and `segment` counts the
    stretches of one command state through the whole batch.
    """

    n_traces: int
    trace: Ints
    t: Floats
    pressure: Floats
    volts: Floats
    duty: Floats
    rpm: Floats
    is_vent_closed: Flags
    phase: Ints
    segment: Ints

    def __len__(self) -> int:
        return len(self.trace)


@dataclass(frozen=True)
class Segments:
    """One stretch of one command state per row: trace, phase code, first and last time [s], end, samples.

    `end` is the time at which the next command state begins, or the last sample's where the recording ends;
    `first` is the row of its first sample in the batch.
    """

    trace: Ints
    phase: Ints
    first: Ints
    n: Ints
    start: Floats
    end: Floats


def make_batch(samples: pl.DataFrame, trace_number: pl.DataFrame) -> tuple[Batch, Segments]:
    """Return samples as arrays with their phases.

    Parameters
    ----------
    samples : the contract's sample columns, sorted by trace and time. A row without time, pressure or either
        command is left out.
    trace_number : trace_id and `number` (0 to its height - 1).
    """
    kept = (
        samples.lazy()
        .join(trace_number.lazy(), on="trace_id", how="inner", maintain_order="left")
        .filter(
            pl.col("t_s").is_finite()
            & pl.col("tank_pressure_pa").is_finite()
            & pl.col("purge_duty_pct").is_finite()
            & pl.col("is_vent_closed").is_not_null()
        )
        .select(
            "number",
            "t_s",
            "tank_pressure_pa",
            "purge_duty_pct",
            "is_vent_closed",
            *(
                pl.col(name).cast(pl.Float64).fill_null(float("nan"))
                if name in samples.columns
                else pl.lit(float("nan")).alias(name)
                for name in ("sensor_v", "engine_rpm")
            ),
        )
        .collect()
    )
    if not kept["number"].is_sorted():
        kept = kept.sort("number", "t_s")
    trace = kept["number"].to_numpy().astype(np.int64)
    vent = kept["is_vent_closed"].to_numpy()
    duty = kept["purge_duty_pct"].to_numpy()
    t = kept["t_s"].to_numpy()
    segments, segment = _segments(trace, t, vent, duty > PURGE_OPEN_PCT)
    batch = Batch(
        trace_number.height,
        trace,
        t,
        kept["tank_pressure_pa"].to_numpy(),
        kept["sensor_v"].to_numpy(),
        duty,
        kept["engine_rpm"].to_numpy(),
        vent,
        segments.phase[segment] if len(segment) else segment,
        segment,
    )
    return batch, segments


def _segments(trace: Ints, t: Floats, vent: Flags, purge: Flags) -> tuple[Segments, Ints]:
    if not len(trace):
        none = np.zeros(0, np.int64)
        return Segments(none, none, none, none, none.astype(float), none.astype(float)), none
    begins = np.ones(len(trace), bool)
    begins[1:] = (np.diff(trace) != 0) | (vent[1:] != vent[:-1]) | (purge[1:] != purge[:-1])
    first = np.flatnonzero(begins)
    segment = np.cumsum(begins) - 1
    last = np.append(first[1:], len(trace)) - 1
    of = trace[first]
    end = t[last].copy()
    follows = np.append(of[1:] == of[:-1], False)
    end[follows] = t[first[1:]][follows[:-1]]
    phase = _phase_of(of, vent[first], purge[first])
    return Segments(of, phase, first, last - first + 1, t[first], end), segment


def _phase_of(trace: Ints, vent: Flags, purge: Flags) -> Ints:
    """Name each stretch; a hold needs a draw since the vent last opened, a release a vent that was shut."""
    draw = vent & purge
    new_trace = np.append(True, trace[1:] != trace[:-1])
    draws, closings = np.cumsum(draw), np.cumsum(vent)
    drawn = draws - _value_at_last(draws - draw, new_trace | ~vent) > 0
    was_shut = closings - _value_at_last(closings - vent, new_trace) > 0
    shut = np.where(drawn, HOLD, CLOSED)
    opened = np.where(purge, FLOWING, np.where(was_shut, RELEASE, REST))
    return np.where(vent, np.where(purge, DRAW, shut), opened)


def _value_at_last(value: Ints, mark: Flags) -> Ints:
    """Return, for each row, `value` at the latest marked row at or before it; the first row must be marked."""
    return value[np.maximum.accumulate(np.where(mark, np.arange(len(mark)), 0))]
