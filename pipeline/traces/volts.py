"""Does the sensor's output tell the same story as the pressure?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.agreement import MIN_AGREEING
from pipeline.traces.compiled import ZERO, Flags, Floats, Ints, compiled, summing
from pipeline.traces.model_norms import Norms, is_clear_line
from pipeline.traces.ranges import (
    MAD_TO_SD,
    extremes,
    least,
    line_of_sums,
    mean,
    middle_of,
    row_from,
    stride_of,
)
from pipeline.traces.sensor import Sensor
from pipeline.traces.shows import Vented
from pipeline.traces.tolerance import SHARP, SUREST, above, below, both, either, fact

#: Volts and pressure are compared where neither changes quickly: a filter's lag is no disagreement.
_QUIET_AFTER_COMMAND_S = 3.0
_MIN_SAMPLES = 8
#: A single reading that lies off its neighbors by so many standard deviations and pascals is a stray one.
_STRAY_SD, _STRAY_PA = 6.0, 30.0
#: One count of a 10-bit converter at 5 V is 5 mV; what moves less than this does not move.
_STILL_V = 0.03
_MOVED_V = 0.15
_FLICKER_V = 0.011
#: No output in order flickers by more than this (standard deviation): beyond it, it drops out.
_MOST_FLICKER_V = 0.1
#: A sensor made for a fuel tank moves at least so much (the widest span is 20 kPa over 4 V). Between that and what does
#: not move lies the limit.
_LEAST_V_PER_PA = 4 / 20_000
#: A slope that is off from its model's norm by so much of it is no matter of tolerance [share]: of a clear line, and at
#: most of one that is not (so many times 1 - R2 are added), as where volts end before the pressure does. Where the
#: model's own ones scatter, by so many standard deviations.
_OFF_BY, _MOST_OFF_BY = 0.15, 0.25
_OFF_BY_UNCLEAR = 10.0
_OFF_BY_SPREADS = 5.0
#: Where only two vehicles agree, a third that does not may still be the sound one: they make no surer of it than this
#: (nine authors' lakes, cut into parts of 60 recordings: of about eighty so told one to seven were sound, the more the
#: wider apart the two might lie). Where no two agree, every one may be the odd one.
_BY_TWO = 2.6
_BY_NOBODY = 0.0
#: Volts rest at another level than the model's, with the pressure at its own: by so much [Pa, along the model's line],
#: twice what makes a zero that is off a finding.
_SHIFTED_PA = 320.0
#: Residual of the straight line, as a share of the range that pressure went through, which is no line any more.
_MAX_RESIDUAL_SHARE = 0.06


class VoltReadings(NamedTuple):
    """Volts against pressure of one recording, or of many.

    n, n_quiet : samples with volts, and those of them some time after the last command. volt_range [V], pressure_range
    [Pa] : over all of them. quiet_range [Pa], residual_pa : range of the compared ones (the quiet ones, or all where
    those are few) and their scatter about the line of pressure on volts. pa_per_volt : its slope. volt_noise, volt_step
    [V] : scatter of one output, and the smallest difference between two.
    volts_per_pa, r2 : least squares of volts on pressure over the whole recording: a leak that empties the tank at once
    leaves only noise in the quiet parts.
    """

    n: Any
    n_quiet: Any
    volt_range: Any
    pressure_range: Any
    quiet_range: Any
    residual_pa: Any
    pa_per_volt: Any
    volt_noise: Any
    volt_step: Any
    volts_per_pa: Any
    r2: Any


@compiled
def read_volts(
    t: Floats,
    p: Floats,
    smooth: Floats,
    volts: Floats,
    sd: float,
    first: Ints,
    n: int,
    room: Floats,
    paired: Floats,
) -> VoltReadings:
    """Compare volts and pressure within one recording; `model_norms` compares them with its model.

    Parameters
    ----------
    smooth : pressure without single outliers [Pa]. sd : of one reading [Pa]. first, n : the recording's stretches of
    one command state. paired : scratch, 2 x samples at least.
    """
    n_quiet, n_all = _pair(t, p, smooth, volts, _STRAY_SD * sd + _STRAY_PA, first, n, paired)
    if n_all == 0:
        return VoltReadings(0.0, 0.0, np.nan, np.nan, np.nan, np.nan, np.nan, 0.0, 0.0, np.nan, np.nan)
    every = _together(paired, n_all)
    used, n_used = every, n_all
    if n_quiet >= _MIN_SAMPLES:
        used, n_used = _together(paired, n_quiet), n_quiet
    pa_per_volt, _, residual, _ = line_of_sums(n_used, used[3], used[4], used[2])
    volts_per_pa, _, _, r2 = line_of_sums(n_all, every[2], every[4], every[3])
    return VoltReadings(
        float(n_all),
        float(n_quiet),
        every[1],
        every[0],
        used[0],
        residual,
        pa_per_volt,
        _noise(volts, first[0], first[n], room),
        _step(volts, first[0], first[n], room),
        volts_per_pa,
        r2,
    )


@compiled
def _pair(
    t: Floats,
    p: Floats,
    smooth: Floats,
    volts: Floats,
    stray: float,
    first: Ints,
    n: int,
    paired: Floats,
) -> tuple[int, int]:
    """Fill `paired` with pressure and volts where there are both, the quiet ones first; return how many are quiet, and
    how many there are. A pressure farther off its neighbors than `stray` [Pa] is left out with its volts: what made one
    jump, a disturbed line or a foreign answer, may have made the other."""
    n_quiet = ZERO
    for s in range(n):
        quiet = row_from(t, first[s], first[s + 1], t[first[s]] + _QUIET_AFTER_COMMAND_S)
        n_quiet = _add(p, smooth, volts, stray, quiet, first[s + 1], paired, n_quiet)
    n_all = n_quiet
    for s in range(n):
        quiet = row_from(t, first[s], first[s + 1], t[first[s]] + _QUIET_AFTER_COMMAND_S)
        n_all = _add(p, smooth, volts, stray, first[s], quiet, paired, n_all)
    return n_quiet, n_all


@compiled
def _add(
    p: Floats, smooth: Floats, volts: Floats, stray: float, a: int, b: int, paired: Floats, n: int
) -> int:
    for i in range(a, b):
        paired[0, n], paired[1, n] = smooth[i], volts[i]
        n += np.isfinite(volts[i]) & (abs(p[i] - smooth[i]) <= stray)
    return n


@summing
def _together(paired: Floats, n: int) -> tuple[float, float, float, float, float]:
    """Return ranges of the first n pressures and volts, and sums of squares and products about the means (pressure,
    volts, both)."""
    p, v = paired[0, :n], paired[1, :n]
    p_mean, v_mean = mean(p, ZERO, n), mean(v, ZERO, n)
    spp, svv, spv = 0.0, 0.0, 0.0
    for i in range(len(p)):
        dp, dv = p[i] - p_mean, v[i] - v_mean
        spp += dp * dp
        svv += dv * dv
        spv += dp * dv
    p_low, p_high = extremes(p, ZERO, n)
    v_low, v_high = extremes(v, ZERO, n)
    return p_high - p_low, v_high - v_low, spp, svv, spv


@compiled
def _noise(volts: Floats, a: int, b: int, room: Floats) -> float:
    n = ZERO
    for i in range(a + 2, b, stride_of(b - a)):
        second = volts[i] - 2 * volts[i - 1] + volts[i - 2]
        if np.isfinite(second):
            room[n] = abs(second)
            n += 1
    noise = MAD_TO_SD * middle_of(room, n) / np.sqrt(6.0)
    return noise if noise == noise else 0.0


@compiled
def _step(volts: Floats, a: int, b: int, room: Floats) -> float:
    n = ZERO
    for i in range(a + 1, b, stride_of(b - a)):
        change = abs(volts[i] - volts[i - 1])
        room[n] = change if change > 1e-6 else np.inf
        n += 1
    step = least(room, ZERO, n)
    return step if step < np.inf else 0.0


@dataclass(frozen=True)
class VoltStory:
    """Volts against pressure of each trace: what does not fit, line and ranges.

    The signs (see `signs`) say: volts flat while the pressure moves, volts that move while the pressure is flat, no
    straight line between them, a slope that is not the model's, a vented level that is not. volts_per_pa : see
    `VoltReadings`. norm_volts_per_pa, norm_n, norm_rest_v, norm_rest_n : the model's slope and vented level [V], and
    how many vehicles agree on it, see `agreement`.
    """

    is_flat: Floats
    is_alone: Floats
    is_bent: Floats
    is_off_norm: Floats
    is_shifted: Floats
    is_parted: Flags
    """No two vehicles of the model agree on a slope, this recording's among them."""
    is_alive: Flags
    """The output flickers by more than a converter's last count: something is measured."""
    volt_range: Floats
    pressure_range: Floats
    volts_per_pa: Floats
    residual_pa: Floats
    norm_volts_per_pa: Floats
    norm_n: Ints
    norm_rest_v: Floats
    norm_rest_n: Ints

    @property
    def sign(self) -> Floats:
        """Volts and pressure tell different stories."""
        return either(self.is_flat, self.is_alone, self.is_bent, self.is_off_norm, self.is_shifted)


def compare_volts(
    read: VoltReadings, vented: Vented, sensor: Sensor, is_derived: Flags, norms: Norms
) -> VoltStory:
    """Say where volts and pressure of many recordings tell different stories.

    Parameters
    ----------
    vented : what each shows with the vent open.
    sensor : the pressure's readings as such: how they scatter, and in what steps they come.
    is_derived : the pressure was computed from the volts, so that there is nothing to compare; one per trace.
    norms : of each trace's model.
    """
    n_used = np.where(read.n_quiet >= _MIN_SAMPLES, read.n_quiet, read.n)
    enough = (n_used >= _MIN_SAMPLES) & ~is_derived
    flat, alone, bent = _apart(read, sensor, enough)
    is_clear = enough & is_clear_line(read.r2, read.pressure_range)
    norm = norms.norm["volts_per_pa"]
    with np.errstate(all="ignore"):
        spread = norms.spread["volts_per_pa"] / np.abs(norm)
        tolerance = np.minimum(_OFF_BY + _OFF_BY_UNCLEAR * (1 - read.r2), _MOST_OFF_BY)
        off = np.where(is_clear, np.abs(read.volts_per_pa / norm - 1), np.nan)
    off_norm = both(
        above(off, np.maximum(tolerance, _OFF_BY_SPREADS * spread), SHARP), _surest(norms.n["volts_per_pa"])
    )
    is_parted = is_clear & np.isnan(norm) & np.isfinite(norms.spread["volts_per_pa"])
    is_alive = (read.n > 0) & (np.nan_to_num(read.volt_range) > _FLICKER_V)
    # Volts that end at ground or supply lie on no line, and take the pressure with them to where no tank rests.
    is_at_end = ~is_alive & (np.abs(sensor.level - np.nan_to_num(norms.norm["rest_pa"])) > _SHIFTED_PA)
    shifted = both(fact(enough & ~is_at_end), _shifted(vented, norms), _surest(norms.n["rest_v"]))
    return VoltStory(
        is_flat=flat,
        is_alone=alone,
        is_bent=bent,
        is_off_norm=either(off_norm, np.where(is_parted, _BY_NOBODY, -SUREST)),
        is_shifted=shifted,
        is_parted=is_parted,
        is_alive=is_alive,
        volt_range=read.volt_range,
        pressure_range=read.pressure_range,
        volts_per_pa=read.volts_per_pa,
        residual_pa=read.residual_pa,
        norm_volts_per_pa=norm,
        norm_n=norms.n["volts_per_pa"],
        norm_rest_v=norms.norm["rest_v"],
        norm_rest_n=norms.n["rest_v"],
    )


def _apart(read: VoltReadings, sensor: Sensor, enough: Flags) -> tuple[Floats, Floats, Floats]:
    """Volts are flat while the pressure moves; they move while it is flat; no straight line lies between them."""
    noise, step = np.nan_to_num(sensor.noise), np.nan_to_num(sensor.step)
    with np.errstate(all="ignore"):
        scatter = np.hypot(np.minimum(read.volt_noise, _MOST_FLICKER_V), read.volt_step / np.sqrt(12.0))
        of_line = np.nan_to_num(np.abs(read.pa_per_volt) * scatter, posinf=0.0)
        expected = np.hypot(np.hypot(noise, step / np.sqrt(12.0)), of_line) + 2.0
        still, least = np.maximum(_STILL_V, 8 * read.volt_noise), _LEAST_V_PER_PA * read.pressure_range
        flat = both(fact(enough), above(least, 3 * still), below(read.volt_range, np.sqrt(still * least)))
        alone = both(
            fact(enough),
            below(read.pressure_range, np.maximum(8 * noise, 40.0)),
            above(read.volt_range, np.maximum(_MOVED_V, 12 * read.volt_noise)),
        )
        bent = both(
            fact(enough),
            -flat,
            above(read.quiet_range, np.maximum(12 * noise, 200.0)),
            above(read.residual_pa, np.maximum(_MAX_RESIDUAL_SHARE * read.quiet_range, 4 * expected), SHARP),
        )
    return flat, alone, bent


def _shifted(vented: Vented, norms: Norms) -> Floats:
    """Volts rest off their model's level, and the pressure does not rest off its own by as much.

    A sensor whose zero has drifted takes both along; a pressure that alone is off (a barometer in whole kilopascals)
    leaves the volts where they were.
    """
    with np.errstate(all="ignore"):
        pa_per_volt = 1 / norms.norm["volts_per_pa"]
        by_volts = (vented.rest_v - norms.norm["rest_v"]) * pa_per_volt
        # Few recordings tell no zero of the model's own.
        apart = np.abs(by_volts - (vented.rest - np.nan_to_num(norms.norm["rest_pa"])))
        spread = np.hypot(norms.spread["rest_v"] * pa_per_volt, np.nan_to_num(norms.spread["rest_pa"]))
    least = np.maximum(_SHIFTED_PA, _OFF_BY_SPREADS * spread)
    return both(above(np.abs(by_volts), least), above(apart, least))


def _surest(n_vehicles: Ints) -> Floats:
    """Return how sure so many vehicles that agree make of one that does not."""
    return np.where(n_vehicles > MIN_AGREEING, SUREST, _BY_TWO)


def clear_slope(read: VoltReadings, is_derived: Flags) -> Floats:
    """Return the slopes [V/Pa] that may make a norm; nan for the others."""
    return np.where(is_clear_line(read.r2, read.pressure_range) & ~is_derived, read.volts_per_pa, np.nan)
