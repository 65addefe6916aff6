"""Samples of many recordings as plain arrays, one recording after the other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.traces.compiled import Flags, Floats, Ints
from pipeline.traces.phases import PHASE_NAMES, cut_phases

_NEEDED = ("t_s", "tank_pressure_pa", "purge_duty_pct")
_WELCOME = ("sensor_v", "engine_rpm")
_FLAGS = ("is_vent_closed", "is_pressure_derived")
#: Flow of test gas: only a few recordings have any, so that a reader may leave it out.
FLOW_COLUMN = "test_flow_std_l_min"
#: Common practice, no source: what a flow meter of a shop is off by, of its range [l/min]. Less than that is no flow.
METER_L_MIN = 0.02


@dataclass(frozen=True)
class Recordings:
    """Recording k is rows begin[k] to begin[k + 1] of the other arrays; times rise within it.

    t [s], pressure [Pa, gauge], volts [V] and rpm [1/min] (nan where missing), duty [%] of the purge;
    is_derived, one per recording: any of its pressures was computed from its volts. flow of test gas [l/min at 20 °C
    and 101.325 kPa], nan where missing; None where no recording of the batch has any.
    """

    begin: Ints
    t: Floats
    pressure: Floats
    volts: Floats
    duty: Floats
    rpm: Floats
    is_vent_closed: Flags
    is_derived: Flags
    flow: Floats | None = None

    def __len__(self) -> int:
        return len(self.begin) - 1

    def rows(self, k: int) -> slice:
        """The rows of recording k."""
        return slice(self.begin[k], self.begin[k + 1])

    @cached_property
    def is_fed(self) -> Flags:
        """Rows at which test gas flows into the shut system; no rows where no recording of the batch has a flow."""
        if self.flow is None:
            return _read_only(np.zeros(0, bool))
        return _read_only(self.is_vent_closed & (self.duty <= 0) & (self.flow > METER_L_MIN))


def gather(samples: pl.DataFrame, trace_ids: pl.Series) -> Recordings:
    """Return the samples of these traces in their order; a trace without samples has no rows.

    Parameters
    ----------
    samples : the contract's sample columns, in any order. A row without time, pressure or either command is left out.
    """
    numbered = trace_ids.to_frame("trace_id").with_row_index("number__")
    rows = (
        samples.lazy()
        .select("trace_id", *[n for n in (*_NEEDED, *_WELCOME, *_FLAGS, FLOW_COLUMN) if n in samples.columns])
        .join(numbered.lazy(), on="trace_id", how="inner", maintain_order="left")
        .collect()
    )
    number = rows["number__"]
    if not (number.is_sorted() and _rises(rows)):
        rows = rows.sort("number__", "t_s", maintain_order=True)
        number = rows["number__"]
    counts = np.bincount(number.to_numpy(), minlength=len(trace_ids))
    return recordings_of(rows, counts)


def _rises(rows: pl.DataFrame) -> bool:
    falls = (rows["t_s"].diff() < 0) & (rows["number__"].diff() == 0)
    return not falls.any()


def recordings_of(rows: pl.DataFrame, counts: Ints) -> Recordings:
    """Return rows as they stand, the first `counts[0]` of them being the first recording's, and so on.

    Parameters
    ----------
    rows : t_s, tank_pressure_pa, purge_duty_pct, is_vent_closed, and sensor_v, engine_rpm, is_pressure_derived where
        there are any; sorted by recording and time. A row without time, pressure or either command is left out.
    counts : rows of each recording.
    """
    t, pressure, duty, volts, rpm = (_numbers(rows, name) for name in (*_NEEDED, *_WELCOME))
    vent, derived = rows["is_vent_closed"], _any_derived(rows, counts)
    columns = [t, pressure, volts, duty, rpm, vent.fill_null(False).to_numpy()]
    if FLOW_COLUMN in rows.columns and rows[FLOW_COLUMN].null_count() < rows.height:
        columns.append(_numbers(rows, FLOW_COLUMN))
    if vent.null_count() or not (_is_finite(t) and _is_finite(pressure) and _is_finite(duty)):
        is_usable = np.isfinite(t) & np.isfinite(pressure) & np.isfinite(duty) & vent.is_not_null().to_numpy()
        of = np.repeat(np.arange(len(counts)), counts)[is_usable]
        counts = np.bincount(of, minlength=len(counts))
        columns = [column[is_usable] for column in columns]
    begin = np.append(0, np.cumsum(counts)).astype(np.int64)
    t, pressure, volts, duty, rpm, is_vent_closed, *flow = map(_read_only, columns)
    return Recordings(
        begin, t, pressure, volts, duty, rpm, is_vent_closed, derived, flow[0] if flow else None
    )


def _any_derived(rows: pl.DataFrame, counts: Ints) -> Flags:
    derived = np.zeros(len(counts), bool)
    if "is_pressure_derived" in rows.columns and rows["is_pressure_derived"].any():
        at = np.flatnonzero(rows["is_pressure_derived"].fill_null(False).to_numpy())
        derived[np.searchsorted(np.cumsum(counts), at, side="right")] = True
    return derived


def _numbers(rows: pl.DataFrame, name: str) -> Floats:
    if name not in rows.columns:
        return np.full(rows.height, np.nan)
    column = rows[name].cast(pl.Float64)
    if column.null_count():
        column = column.fill_null(float("nan"))
    return column.to_numpy()


def _is_finite(column: Floats) -> bool:
    """Say whether every number is finite, without an array of answers."""
    return bool(np.isfinite(column.sum())) or bool(np.isfinite(column).all())


def _read_only(column: np.ndarray) -> np.ndarray:
    """Return the array as one that cannot be written: of the kernels there is one version, for that kind."""
    column = np.ascontiguousarray(column).view()
    column.flags.writeable = False
    return column


def phases_of(recordings: Recordings, k: int) -> list[tuple[str, float, float]]:
    """Return the stretches of one command state of recording k: the phase's name ("" where purge flows through the open
    vent), its start and its end [s], which is where the next one begins."""
    a, b = recordings.begin[k], recordings.begin[k + 1]
    phase, first = np.empty(b - a + 1, np.int64), np.empty(b - a + 1, np.int64)
    n = cut_phases(
        recordings.t, recordings.pressure, recordings.is_vent_closed, recordings.duty, a, b, phase, first
    )
    ends = np.minimum(first[1 : n + 1], b - 1)
    names = [PHASE_NAMES[code] for code in phase[:n].tolist()]
    return list(zip(names, recordings.t[first[:n]].tolist(), recordings.t[ends].tolist(), strict=True))
