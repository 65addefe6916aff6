"""What each trace shows, part by part, before any judgement: sensor, vented, closed, draw, hold, release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.drawn import Draw, Hold, read_draw, read_hold
from pipeline.traces.grouped import line_by
from pipeline.traces.phases import FLOWING, REST, Flags, Floats, Ints
from pipeline.traces.view import SETTLING_S, View

#: Rest level is read from at least so many samples.
_MIN_REST_SAMPLES = 3
#: The last part of a release, from which its end is read, and the least length of one that can come to rest [s].
_TAIL = 0.3
_SETTLED_RELEASE_S = 5.0
#: What a release leaves is read over its last second.
_RELEASE_END_S = 1.0
#: Without a vented level the sensor's zero is taken as 0, known to this [Pa].
_UNKNOWN_ZERO_SD = 60.0


@dataclass(frozen=True)
class Sensor:
    """The readings as such: number, noise, step, level, span, greatest vacuum [Pa], time between them [s], engine speed
    [1/min]; whether they are clipped at the range's end."""

    n: Ints
    noise: Floats
    step: Floats
    sd: Floats
    interval_s: Floats
    level: Floats
    span: Floats
    peak_vacuum: Floats
    rpm: Floats
    is_clipped: Flags


@dataclass(frozen=True)
class Vented:
    """With the vent open: median pressure [Pa] and volts [V], the sensor's zero [Pa] and how well it is known, the
    pressure above it while purge flows through the open vent [Pa], and the most vacuum [Pa] before the vent shuts."""

    rest: Floats
    rest_n: Ints
    rest_v: Floats
    zero: Floats
    zero_sd: Floats
    is_zero_known: Flags
    flowing_above: Floats
    open_vacuum: Floats


@dataclass(frozen=True)
class Closed:
    """Shut, before the draw: rate of change [Pa/s], mean above the vented level [Pa], length [s], change [Pa]."""

    rate: Floats
    rate_sd: Floats
    above: Floats
    seconds: Floats
    change: Floats


@dataclass(frozen=True)
class Release:
    """Vent open again: length [s], level above the vented one before it [Pa], time until half of it was gone [s], and
    the share of it that is left at the end."""

    seconds: Floats
    from_above: Floats
    half_s: Floats
    left: Floats


@dataclass(frozen=True)
class Shown:
    """Readings of each trace, one element per trace; nan where the trace does not show them."""

    sensor: Sensor
    vented: Vented
    closed: Closed
    draw: Draw
    hold: Hold
    release: Release


def read_traces(view: View) -> Shown:
    """Return what each trace shows."""
    vented = _read_vented(view)
    draw = read_draw(view, vented.zero, vented.is_zero_known)
    return Shown(
        _read_sensor(view, vented.zero),
        vented,
        _read_closed(view, vented.zero),
        draw,
        read_hold(view, vented.zero, draw),
        _read_release(view, vented.zero),
    )


def _read_sensor(view: View, zero: Floats) -> Sensor:
    everything = np.ones(len(view.batch), bool)
    least = view.least()
    return Sensor(
        np.bincount(view.batch.trace, minlength=view.batch.n_traces),
        view.noise,
        view.step,
        view.sd,
        view.interval_s,
        view.median(everything),
        view.most() - least,
        np.maximum(zero - least, 0),
        view.median(everything, view.batch.rpm),
        _is_clipped(view, least),
    )


def _is_clipped(view: View, least: Floats) -> Flags:
    """Say where the draw ends in a row of equal lowest readings: the sensor's end, not the tank's."""
    many = view.count(view.draw & (view.batch.pressure <= view.at(least) + 1e-9))
    return (many >= 4) & (many * view.interval_s >= 1.0) & (least < -500)


def _read_vented(view: View) -> Vented:
    """Read the zero from rest, else from the end of a release that came to rest."""
    b, marks = view.batch, view.marks
    # Behind a blocked vent the vacuum of a flowing purge stays: what comes after it is no zero.
    flowed = b.t > view.at(view.first_time(b.phase == FLOWING))
    is_rest = (b.phase == REST) & ~flowed
    rest_n, rest = view.count(is_rest), view.median(is_rest)
    tail = view.release & (
        b.t > view.at(marks.release_end - _TAIL * (marks.release_end - marks.release_start))
    )
    tail_level, tail_n = view.median(tail), view.count(tail)
    from_rest = rest_n >= _MIN_REST_SAMPLES
    known = from_rest | _came_to_rest(view, tail, tail_level)
    level = np.where(from_rest, rest, np.where(known, tail_level, np.nan))
    used = np.where(from_rest, rest_n, np.maximum(tail_n, 1))
    zero_sd = np.where(known, np.hypot(1.25 * view.sd / np.sqrt(used), 2.0), _UNKNOWN_ZERO_SD)
    zero = np.nan_to_num(level)
    lead_in = (b.phase == FLOWING) & (b.t > view.at(marks.first) + 1.0)
    flowing = view.median(lead_in) - zero
    open_vacuum = zero - view.least((b.phase == REST) | lead_in)
    return Vented(level, rest_n, view.median(is_rest, b.volts), zero, zero_sd, known, flowing, open_vacuum)


def _came_to_rest(view: View, tail: Flags, tail_level: Floats) -> Flags:
    """A release's end is the vented level where it is long and even, and not simply where the hold was."""
    marks, b = view.marks, view.batch
    length = marks.release_end - marks.release_start
    slope, _, _, _ = line_by(b.trace, b.n_traces, b.t, b.pressure, tail)
    even = np.abs(slope) * length * _TAIL < 3 * view.sd + 5
    before = view.mean((b.t < view.at(marks.release_start)) & (b.t >= view.at(marks.release_start - 2.0)))
    blocked = (np.abs(before) >= 150) & (np.abs(tail_level - before) < 0.3 * np.abs(before))
    return (length >= _SETTLED_RELEASE_S) & even & (view.count(tail) >= 3) & ~blocked


def _read_closed(view: View, zero: Floats) -> Closed:
    b, marks = view.batch, view.marks
    settled = view.closed & (b.t > view.at(marks.closed_start) + SETTLING_S)
    rate, rate_sd, rest_sd, _ = line_by(b.trace, b.n_traces, b.t, b.pressure, settled)
    seconds = marks.closed_end - marks.closed_start
    with np.errstate(all="ignore"):
        # Quantized or drifting samples are not independent: their error is at least a part of a step's.
        n = np.maximum(np.bincount(b.trace, minlength=b.n_traces), 1)
        least_sd = 0.3 * (view.step + view.noise / np.sqrt(n)) / seconds
        rate_sd = np.hypot(1.5 * rate_sd * np.maximum(view.sd / rest_sd, 1.0), least_sd)
        share = (b.t - view.at(marks.closed_start)) / view.at(seconds)
    change = view.mean(settled & (share > 0.75)) - view.mean(settled & (share < 0.25))
    return Closed(rate, rate_sd, view.mean(settled) - zero, seconds, change)


def _read_release(view: View, zero: Floats) -> Release:
    b, start = view.batch, view.marks.release_start
    just_before = (view.hold | view.draw) & (b.t < view.at(start)) & (b.t >= view.at(start - 2.0))
    above = view.mean(just_before) - zero
    half = view.release & (np.abs(b.pressure - view.at(zero)) < 0.5 * np.abs(view.at(above)))
    at_end = view.release & (b.t >= view.at(view.marks.release_end - _RELEASE_END_S))
    with np.errstate(all="ignore"):
        left = (view.mean(at_end) - zero) / above
    return Release(view.marks.release_end - start, above, view.first_time(half) - start, left)
