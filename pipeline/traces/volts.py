"""Does the sensor's output tell the same story as the pressure?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.grouped import count_by, least_by, line_by, median_by, most_by
from pipeline.traces.phases import Batch, Flags, Floats, Ints

#: Volts and pressure are compared where neither changes quickly: a filter's lag is no disagreement.
_QUIET_AFTER_COMMAND_S = 3.0
_MIN_SAMPLES = 8
#: One count of a 10-bit converter at 5 V is 5 mV; what moves less than this does not move.
_STILL_V = 0.03
_MOVED_V = 0.15
_FLICKER_V = 0.011
#: A pressure that moved so far must show in any sensor made for a fuel tank (the widest span to 20 kPa over 4 V).
_MOVED_PA = 600.0
#: Residual of the straight line, as a share of the range that pressure went through, which is no line any more.
_MAX_RESIDUAL_SHARE = 0.06


@dataclass(frozen=True)
class VoltStory:
    """Volts against pressure of each trace: is there anything to compare, what does not fit, line and ranges.

    volts_per_pa, r2 : least squares of volts on pressure over the whole recording: a leak that empties the tank at once
    leaves only noise in the quiet parts. is_off_norm, norm_volts_per_pa, norm_n : that slope against its model's, see
    `volt_norms`.
    """

    has_volts: Flags
    is_flat_while_pressure_moves: Flags
    moves_while_pressure_is_flat: Flags
    is_no_line: Flags
    is_alive: Flags
    """The output flickers by more than a converter's last count: something is measured."""
    volt_range: Floats
    pressure_range: Floats
    volts_per_pa: Floats
    r2: Floats
    residual_pa: Floats
    is_off_norm: Flags
    norm_volts_per_pa: Floats
    norm_n: Ints

    @property
    def disagrees(self) -> Flags:
        within = self.is_flat_while_pressure_moves | self.moves_while_pressure_is_flat | self.is_no_line
        return within | self.is_off_norm


def compare_volts(batch: Batch, since_command: Floats, noise: Floats, is_derived: Flags) -> VoltStory:
    """Compare volts and pressure within each trace; `volt_norms` compares them with its model.

    Parameters
    ----------
    since_command : time since the last change of a command [s], one per sample.
    noise : pressure noise [Pa], one per trace.
    is_derived : the pressure was computed from the volts, so that there is nothing to compare; one per trace.
    """
    i, n = batch.trace, batch.n_traces
    has = np.isfinite(batch.volts)
    quiet = has & (since_command >= _QUIET_AFTER_COMMAND_S)
    use = has & (quiet | (count_by(i, n, quiet) < _MIN_SAMPLES)[i])
    enough = (count_by(i, n, use) >= _MIN_SAMPLES) & ~is_derived
    has_any = count_by(i, n, has) > 0
    volt_noise = _noise(batch, has)
    volt_range = most_by(i, n, batch.volts, has) - least_by(i, n, batch.volts, has)
    quiet_pa = most_by(i, n, batch.pressure, use) - least_by(i, n, batch.pressure, use)
    all_pa = most_by(i, n, batch.pressure, has) - least_by(i, n, batch.pressure, has)
    slope, _, residual, _ = line_by(i, n, batch.volts, batch.pressure, use)
    whole_slope, _, _, r2 = line_by(i, n, batch.pressure, batch.volts, has)
    with np.errstate(all="ignore"):
        alive = has_any & (volt_range > _FLICKER_V)
        expected = np.hypot(noise, np.abs(slope) * volt_noise) + 2.0
        flat = enough & (all_pa > _MOVED_PA) & (volt_range < np.maximum(_STILL_V, 8 * volt_noise))
        still = (all_pa < np.maximum(8 * noise, 40.0)) & (volt_range > np.maximum(_MOVED_V, 12 * volt_noise))
        moved = (quiet_pa > np.maximum(12 * noise, 200.0)) & ~flat
        bent = moved & (residual > np.maximum(_MAX_RESIDUAL_SHARE * quiet_pa, 4 * expected))
    return VoltStory(
        enough,
        flat,
        enough & still,
        enough & bent,
        alive,
        volt_range,
        all_pa,
        whole_slope,
        r2,
        residual,
        is_off_norm=np.zeros(n, bool),
        norm_volts_per_pa=np.full(n, np.nan),
        norm_n=np.zeros(n, np.int64),
    )


def _noise(batch: Batch, has: Flags) -> Floats:
    same = np.append(False, batch.trace[1:] == batch.trace[:-1])
    dv = np.append(0.0, np.diff(batch.volts))
    second = np.abs(dv - np.append(0.0, dv[:-1]))
    pairs = has & same & np.append(False, same[:-1])
    return np.nan_to_num(1.4826 * median_by(batch.trace, batch.n_traces, second, pairs) / np.sqrt(6))
