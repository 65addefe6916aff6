"""Samples of many recordings as plain arrays, one recording after the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.traces.compiled import Flags, Floats, Ints
from pipeline.traces.phases import PHASE_NAMES, cut_phases

_NEEDED = ("t_s", "tank_pressure_pa", "purge_duty_pct")
_WELCOME = ("sensor_v", "engine_rpm")
_FLAGS = ("is_vent_closed", "is_pressure_derived")
_FLOW = "test_flow_std_l_min"


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


def gather(samples: pl.DataFrame, trace_ids: pl.Series) -> Recordings:
    """Return the samples of these traces in their order; a trace without samples has no rows.

    Parameters
    ----------
    samples : the contract's sample columns, in any order. A row without time, pressure or either command is left out.
    """
    numbered = trace_ids.to_frame("trace_id").with_row_index("number__")
    rows = (
        samples.lazy()
        .select("trace_id", *[n for n in (*_NEEDED, *_WELCOME, *_FLAGS, _FLOW) if n in samples.columns])
        .join(numbered.lazy(), on="trace_id", how="inner", maintain_order="left")
        .collect()
    )
    number = rows["number__"]
    if not (number.is_sorted() and _rises(rows)):
        rows = rows.sort("number__", "t_s", maintain_order=True)
        number = rows["number__"]
    counts = np.bincount(number.to_numpy(), minlength=len(trace_ids)).astype(np.int64)
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
    counts : rows of each recording, int64.
    """
    ends = np.cumsum(counts)
    derived = np.zeros(len(counts), bool)
    if "is_pressure_derived" in rows.columns and rows["is_pressure_derived"].any():
        at = np.flatnonzero(rows["is_pressure_derived"].fill_null(False).to_numpy())
        derived[np.searchsorted(ends, at, side="right")] = True
    usable = pl.all_horizontal(pl.col(_NEEDED).is_finite(), pl.col("is_vent_closed").is_not_null())
    keep = rows.select(usable.fill_null(False)).to_series()
    if not keep.all():
        of = np.repeat(np.arange(len(counts)), counts)[keep.to_numpy()]
        counts = np.bincount(of, minlength=len(counts)).astype(np.int64)
        rows = rows.filter(keep)
        ends = np.cumsum(counts)
    t, pressure, duty, volts, rpm = (_numbers(rows, name) for name in (*_NEEDED, *_WELCOME))
    vent = np.ascontiguousarray(rows["is_vent_closed"].to_numpy())
    is_fed = _FLOW in rows.columns and rows[_FLOW].null_count() < rows.height
    flow = _numbers(rows, _FLOW) if is_fed else None
    return Recordings(np.append(0, ends), t, pressure, volts, duty, rpm, vent, derived, flow)


def _numbers(rows: pl.DataFrame, name: str) -> Floats:
    if name not in rows.columns:
        return np.full(rows.height, np.nan)
    column = rows[name].cast(pl.Float64)
    if column.null_count():
        column = column.fill_null(float("nan"))
    return np.array(column.to_numpy(), float, order="C", copy=None)


def phases_of(recordings: Recordings, k: int) -> list[tuple[str, float, float]]:
    """Return the stretches of one command state of recording k: the phase's name ("" where purge flows through the open
    vent), its start and its end [s], which is where the next one begins."""
    a, b = recordings.begin[k], recordings.begin[k + 1]
    phase, first = np.empty(b - a + 1, np.int64), np.empty(b - a + 1, np.int64)
    n = cut_phases(recordings.is_vent_closed, recordings.duty, a, b, phase, first)
    ends = np.minimum(first[1 : n + 1], b - 1)
    names = [PHASE_NAMES[code] for code in phase[:n].tolist()]
    return list(zip(names, recordings.t[first[:n]].tolist(), recordings.t[ends].tolist(), strict=True))
