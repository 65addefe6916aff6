"""Read every recording of a batch: what each shows, part by part, before any judgement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import ZERO, Flags, Floats, Ints, compiled, put
from pipeline.traces.drawn import Draw, Hold, read_draw, read_hold
from pipeline.traces.hold_bins import HoldBins, bin_hold
from pipeline.traces.landmarks import Landmarks, find_landmarks, when_purge_stopped
from pipeline.traces.phases import cut_phases
from pipeline.traces.ranges import ROOM
from pipeline.traces.recordings import Recordings
from pipeline.traces.sensor import Sensor, alive_until, read_noise, read_sensor, sd_of, take_out_outliers
from pipeline.traces.shows import Closed, Release, Vented, read_closed, read_release, read_vented
from pipeline.traces.volts import VoltReadings, read_volts


@dataclass(frozen=True)
class Shown:
    """Readings of many recordings, one element each; nan where a recording does not show them. `stopped` is what came
    when the purge was shut while the vent was open, before any test."""

    sensor: Sensor
    vented: Vented
    closed: Closed
    draw: Draw
    hold: Hold
    release: Release
    stopped: Release


#: Readings that are whole numbers or true or false; the others are real.
_COUNTS = ("n", "rest_n", "n_quiet")
_KINDS: tuple[type[Any], ...] = (
    Landmarks,
    Sensor,
    Vented,
    Closed,
    Draw,
    Hold,
    Release,
    Release,
    VoltReadings,
)


def read_recordings(recordings: Recordings) -> tuple[Landmarks, Shown, VoltReadings, HoldBins]:
    """Return where each recording's parts lie, what they show, and its hold in bins.

    A recording without samples has nan everywhere, and 0 samples.
    """
    n = len(recordings)
    tables = tuple(np.full((n, len(kind._fields)), np.nan) for kind in _KINDS)
    bins = HoldBins.empty(n)
    r = recordings
    samples = _Samples(r.t, r.pressure, r.volts, r.duty, r.rpm, r.is_vent_closed, r.is_fed)
    _read_all(r.begin, samples, tables, bins.arrays)
    marks, *parts, volts = (_as_columns(kind, table) for kind, table in zip(_KINDS, tables, strict=True))
    return marks, Shown(*parts), volts, bins


def _as_columns(kind: type[Any], table: Floats) -> Any:
    return kind(*(_typed(name, column) for name, column in zip(kind._fields, table.T, strict=True)))


def _typed(name: str, column: Floats) -> Floats | Ints | Flags:
    if name.startswith("is_"):
        return np.nan_to_num(column) > 0
    if name in _COUNTS:
        return np.nan_to_num(column).astype(np.int64)
    return np.ascontiguousarray(column)


class _Samples(NamedTuple):
    """Samples of all recordings, or of one, as `recordings.Recordings` has them; without `is_fed` where none has."""

    t: Floats
    p: Floats
    volts: Floats
    duty: Floats
    rpm: Floats
    is_vent_closed: Flags
    is_fed: Flags


class _Scratch(NamedTuple):
    """Room for one recording: smooth pressure, phase and first row of each stretch, values to sort, volts that have a
    pressure."""

    smooth: Floats
    phase: Ints
    first: Ints
    room: Floats
    paired: Floats


@compiled
def _read_all(begin: Ints, samples: _Samples, tables: tuple[Floats, ...], bins: tuple[Floats, ...]) -> None:
    longest = 0
    for k in range(len(begin) - 1):
        longest = max(longest, begin[k + 1] - begin[k])
    scratch = _Scratch(
        np.empty(longest),
        np.empty(longest + 1, np.int64),
        np.empty(longest + 1, np.int64),
        np.empty(ROOM),
        np.empty((2, longest)),
    )
    for k in range(len(begin) - 1):
        a, b = begin[k], begin[k + 1]
        if b > a:
            _read_one(_rows(samples, a, b), scratch, tables, bins, k)


@compiled
def _rows(s: _Samples, a: int, b: int) -> _Samples:
    return _Samples(
        s.t[a:b], s.p[a:b], s.volts[a:b], s.duty[a:b], s.rpm[a:b], s.is_vent_closed[a:b], s.is_fed[a:b]
    )


@compiled
def _read_one(
    samples: _Samples, scratch: _Scratch, tables: tuple[Floats, ...], bins: tuple[Floats, ...], k: int
) -> None:
    """Read one recording into row k of every table."""
    t, p, volts, duty, rpm, is_vent_closed, is_fed = samples
    a, b = ZERO, alive_until(t, p, volts, duty, is_vent_closed)
    smooth, phase, first, room, paired = scratch
    n = cut_phases(t, p, is_vent_closed, duty, a, b, phase, first)
    take_out_outliers(p, a, b, smooth)
    noise = read_noise(t, p, phase, first, n, room)
    marks, parts = find_landmarks(t, smooth, phase, first, n, is_fed, noise[1])
    sd = sd_of(noise)
    vented = read_vented(t, p, volts, smooth, phase, first, n, marks, parts, noise, room)
    zero = vented.zero
    sensor = read_sensor(t, p, rpm, smooth, a, b, parts, marks.is_pressure_test, noise, zero, room)
    known_zero = zero if vented.is_zero_known > 0 else np.nan
    draw = read_draw(t, p, rpm, duty, smooth, phase, first, marks, parts, known_zero, sd, room)
    hold = read_hold(t, p, smooth, marks, parts, draw, zero, sd, noise[2], sensor.floor)
    put(tables[0], k, marks)
    put(tables[1], k, sensor)
    put(tables[2], k, vented)
    put(tables[3], k, read_closed(t, p, smooth, parts.closed, marks, zero, b - a, noise, sd))
    put(tables[4], k, draw)
    put(tables[5], k, hold)
    span = marks.release_start, marks.release_end
    put(tables[6], k, read_release(t, p, a, parts.release, span, zero, noise[2], sensor.floor))
    rows, span = when_purge_stopped(t, phase, first, n)
    put(tables[7], k, read_release(t, p, a, rows, span, zero, noise[2], sensor.floor))
    put(tables[8], k, read_volts(t, p, smooth, volts, sd, first, n, room, paired))
    ends = sensor.floor, sensor.ceiling
    bin_hold(t, p, smooth, a, b, marks, parts, zero, (hold.start_above, hold.end_above), ends, bins, k)
