"""What the fit of a hold works in, and what it begins with."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.traces.compiled import ZERO, Floats, fused
from pipeline.traces.hold_believed import LEAK_SCALE, Around, believe_of_tanks
from pipeline.traces.hold_bins import LATENCY_S, N_BINS
from pipeline.traces.hold_clock import mend_clock
from pipeline.traces.hold_gas import leak_speed
from pipeline.traces.hold_solve import LEAK, N_UNKNOWN

#: Error of a bin mean that averaging does not take away, beside rounding: pressure of the day, valves [Pa].
BIN_FLOOR_PA = 0.4
#: Sensors and valves answer within this time constant [s] (common practice: 0.05 to 0.5): where the draw turns into the
#: hold the recorded pressure is off by the turn of its slope times this, fading.
LATE_S = 0.25


class FittedHold(NamedTuple):
    """The hold that is fitted: how many bins of it are in `Room`, how cold its gas is at the start by each of WARMING_S
    as a pressure [Pa], what is believed of it (see `beliefs.Beliefs.arrays`), and what is known."""

    m: int
    cooling: Floats
    given: Floats
    here: Around


class Room(NamedTuple):
    """Scratch of one fit: rows of numbers of each bin (T, ... LATE) and of each unknown (MEAN, ... THIRD); gas,
    felt; design (a row for each unknown, so that its bins lie side by side); heat's fading; normal equations,
    beliefs."""

    bins: Floats
    gas: Floats
    felt: Floats
    design: Floats
    fading: Floats
    normal: Floats
    precision: Floats
    vectors: Floats


#: Rows of `Room.bins`: time [s], what is solved for, samples, pressure, model, fitted curve [Pa], weight [1/Pa2], and
#: how late sensor and valves are then [s].
T, TARGET, N, PRESSURE, MODEL, CURVE, WEIGHT, LATE = range(8)
#: Rows of `Room.vectors`: the unknowns, what they were in the round before, right side, beliefs as precision times
#: mean, and three for whatever is asked of the unknowns.
MEAN, OLD, RIGHT, PULL, ASKED, OTHER, THIRD = range(7)


@fused
def new_room() -> Room:
    """Return scratch for one fit after the other."""
    return Room(
        np.zeros((8, N_BINS)),
        np.zeros((3, N_BINS)),
        np.zeros((4, N_BINS)),
        np.zeros((N_UNKNOWN, N_BINS)),
        np.zeros((2, N_BINS)),
        np.zeros((N_UNKNOWN, N_UNKNOWN)),
        np.zeros((N_UNKNOWN, N_UNKNOWN)),
        np.zeros((7, N_UNKNOWN)),
    )


@fused
def pack(t: Floats, pressure: Floats, n: Floats, room: Room) -> int:
    """Put the bins that have samples side by side into `room`; return how many they are."""
    m = ZERO
    for cell in range(N_BINS):
        if n[cell] > 0:
            room.bins[T, m], room.bins[N, m], room.bins[PRESSURE, m] = t[cell], n[cell], pressure[cell]
            m += 1
    return m


@fused
def one_of(around: Around, k: int) -> Around:
    """Return what is known of hold k."""
    return Around(
        around.air[k],
        around.heat[k],
        around.viscosity[k],
        around.volume[k],
        around.discharge[k],
        around.noise2[k],
        around.rounding[k],
    )


@fused
def mend(hold: FittedHold, room: Room) -> tuple[float, float]:
    """Mend the clock of the bins; return the share of their time that stays in doubt, and the seconds that were
    added."""
    bins, m = room.bins, hold.m
    told_s = bins[T, m - 1]
    doubt_s = mend_clock(bins[T], bins[PRESSURE], m, _scatter(m, hold.here, bins[N]), bins[TARGET])
    return doubt_s / max(bins[T, m - 1] - bins[T, 0], 1e-9), bins[T, m - 1] - told_s


@fused
def begin(hold: FittedHold, room: Room) -> None:
    """Put into `room` what the first round starts from."""
    bins, m = room.bins, hold.m
    for i in range(m):
        bins[LATE, i] = LATE_S * np.exp(-(bins[T, i] + LATENCY_S) / LATE_S)
    room.vectors[MEAN, :] = 0.0
    _first_guess(bins[T], bins[PRESSURE], m, bins[CURVE])
    # What the closed phase says of a leak that is taken as none at first would hold it there.
    room.vectors[MEAN, LEAK] = _first_leak(bins[T], bins[PRESSURE], bins[CURVE], m, hold.here)
    believe_of_tanks(hold.given, room.precision, room.vectors[PULL])


@fused
def _scatter(m: int, here: Around, n: Floats) -> float:
    """Return the standard deviation of a bin's mean [Pa]."""
    samples = 0.0
    for i in range(m):
        samples += n[i]
    return np.sqrt(here.noise2 * m / samples + here.rounding**2) + BIN_FLOOR_PA


@fused
def _first_guess(t: Floats, pressure: Floats, m: int, curve: Floats) -> None:
    """Run the root of the pressure in a straight line from the first bin to the last."""
    start, end = _root(pressure[0]), _root(pressure[m - 1])
    span = t[m - 1] - t[0]
    for i in range(m):
        share = min(max((t[i] - t[0]) / span, 0.0), 1.0) if span > 0 else 0.0
        root = start + share * (end - start)
        curve[i] = root * abs(root)


@fused
def _first_leak(t: Floats, pressure: Floats, curve: Floats, m: int, here: Around) -> float:
    """Return the leak, in its scale, that alone would move the pressure from the first bin to the last."""
    flow = 0.0
    for i in range(1, m):
        flow += leak_speed(0.5 * (curve[i] + curve[i - 1]), here.air, here.heat) * (t[i] - t[i - 1])
    return max((pressure[m - 1] - pressure[0]) / flow, 0.0) / LEAK_SCALE if flow != 0 else 0.0


@fused
def _root(pressure: float) -> float:
    return np.sqrt(abs(pressure)) if pressure >= 0 else -np.sqrt(abs(pressure))
