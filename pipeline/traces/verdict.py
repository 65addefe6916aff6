"""Judge each trace by what it shows.

The order is that of what must be right before the next can be believed: there is a test, the sensor can be
trusted, vacuum arrives, the system lets it go where it should, and only then whether it holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.hold_fit import HoldFit
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.readings import Shown
from pipeline.traces.sizes import WIDEST_MM, Sizes
from pipeline.traces.view import SETTLING_S
from pipeline.traces.volts import VoltStory

# Limits below are the practice of the trade where they name a size, and otherwise set so that noise, quantization
# and warm fuel do not cross them; none is taken from a rule.
MIN_SAMPLES = 10
MIN_RECORDING_S = 8.0
MIN_DRAW_S = 0.4
MIN_HOLD_S = 5.0
ENGINE_RUNS_RPM = 100.0
#: A vented sensor this far from zero is a finding [Pa]; the monitors it serves look for a few hundred.
OFFSET_PA = 160.0
#: Vacuum that grows with vent and purge shut [Pa], and how fast [Pa/s]. A tank whose fuel cools by 3 K in an hour does
#: less: 0.34 kPa/K of air and about 1.4 kPa/K of vapor are 1.5 Pa/s. A valve that passes no more than that into 50 l
#: (0.06 l/min) is condemned by nobody.
FALLS_PA = 50.0
CLOSED_FALLS_PA = 5.0
FALLS_PA_S = 2.0
#: From its second quarter to its last fifth so much of a hold passes.
LATE_SHARE = 0.55
#: Vacuum of an inch or two of water at the most, gone so soon [s] (sooner than can be fitted: UNFITTED_S) or as through
#: so large a hole [mm], could not build. More did build: there it takes a hole that is surely beyond sizes.WIDEST_MM.
LOW_VACUUM_PA = 650.0
GROSS_MM = 3.0
GONE_SOON_S = 2.2
UNFITTED_S = 5.0
#: So little vacuum [Pa] has no decay to speak of.
FAINT_PA = 60.0
#: Hardly any vacuum: less than this [Pa] arrives in a draw, and it stays.
HARDLY_ANY_PA = 150.0
#: An open vent lets half of the vacuum go within this time [s], and in SHORT_RELEASE_S more than the rest of LEFT:
#: a path of 6 mm takes 1.3 s for half of 2.5 kPa in 100 l.
VENT_HALF_S = 4.0
SHORT_RELEASE_S = 1.5
LEFT = 0.8
#: A vent path in order is wider than this [mm], whatever the volume.
NARROW_VENT_MM = 2.5
#: Vacuum with the vent open and purge flowing beyond this [Pa] is more than a canister's own resistance.
FLOWING_PA = 500.0
#: Where no test followed, the greatest vacuum under the open vent speaks alone [Pa], for twice as much.
OPEN_VACUUM_PA = 1000.0
#: Fuel that warms or cools moves a shut tank by more than this [Pa/s] in nearly every recording; one that leaks
#: grossly never moves. A creep known less well than WATCHED_PA_S (standard deviation) tells nothing.
STILL_PA_S = 0.06
WATCHED_PA_S = 0.4
#: A hole is called a leak, or a system tight, when the chance of a hole from sizes.LEAK_MM on is so large or small. A
#: system is taken apart for a leak; `holds` carries the limit up to which it is true.
SURE_LEAK = 0.9
SURE_TIGHT = 0.3
#: `holds` says that a hole beyond this would have shown [mm]: the smallest that a monitor must find (0.020 in).
HOLDS_MM = 0.508

REASONS = {
    "few": "there are too few usable samples",
    "no_test": "no test was run: the purge was never opened with the vent shut",
    "no_hold": "there is no hold: nothing was recorded with vent and purge shut after the draw",
    "short_hold": "the hold is too short to tell a leak from vapor",
    "engine_off": "the engine was not running during the draw, so no vacuum could come",
    "cannot_tell": "the hold cannot tell a leak from vapor and noise",
}


@dataclass(frozen=True)
class Judgement:
    """Verdict of each trace, the reason where it is `not_judged` (a key of REASONS, else ""), quality, and whether the
    shut tank creeps."""

    verdict: np.ndarray
    reason: np.ndarray
    quality: Floats
    creeps: Flags


def judge(marks: Landmarks, shown: Shown, volts: VoltStory, fit: HoldFit, sizes: Sizes) -> Judgement:
    """Return the verdict of every trace."""
    with np.errstate(all="ignore"):
        sd = shown.sensor.sd
        has_draw = shown.draw.seconds >= MIN_DRAW_S
        has_hold = (shown.hold.seconds >= MIN_HOLD_S) & (shown.hold.n >= 4)
        has_test = has_draw | marks.is_pressure_test
        # With the engine off there is no vacuum to pass: cooling fuel alone draws a shut tank down.
        falls = _falls_while_shut(shown, sd) & ~(shown.sensor.rpm < ENGINE_RUNS_RPM)
        arrives = _vacuum_arrives(shown, sd)
        is_flat = has_draw & _is_dead(shown, volts, sd, arrives)
        is_weak = (
            (shown.draw.depth < HARDLY_ANY_PA) & (shown.hold.kept_early > 0.5) & (shown.draw.seconds >= 5.0)
        )
        restricted = _is_vent_restricted(shown, sizes, sd)
        offset = shown.vented.is_zero_known & (
            np.abs(shown.vented.zero) - 3 * shown.vented.zero_sd > 0.75 * OFFSET_PA
        )
        offset &= np.abs(shown.vented.zero) > OFFSET_PA
        engine_off = shown.draw.rpm < ENGINE_RUNS_RPM
        has_vacuum = np.abs(shown.hold.start_above) > np.maximum(4 * sd, 40.0)
        has_fit = np.isfinite(sizes.working) & has_vacuum
        gross = arrives & _is_gone_at_once(shown, sizes, np.isfinite(fit.leak), sd)
        leak = has_fit & (sizes.chance_of_leak > SURE_LEAK)
        holds = has_fit & (sizes.chance_of_leak < SURE_TIGHT) & (sizes.working_high < HOLDS_MM)
        choices = [
            (
                (shown.sensor.n < MIN_SAMPLES) | (marks.last - marks.first < MIN_RECORDING_S),
                "not_judged",
                "few",
            ),
            (volts.disagrees, "sensor_disagrees", ""),
            (is_flat, "sensor_flat", ""),
            (falls, "purge_passes_closed", ""),
            (~has_test & (shown.vented.open_vacuum > OPEN_VACUUM_PA), "vent_restricted", ""),
            (~has_test, "not_judged", "no_test"),
            (has_test & restricted & ~marks.is_pressure_test, "vent_restricted", ""),
            (offset, "sensor_offset", ""),
            (has_draw & ~arrives & engine_off, "not_judged", "engine_off"),
            (has_draw & (~arrives | is_weak), "no_vacuum", ""),
            (gross & np.isfinite(shown.hold.seconds), "gross_leak", ""),
            (~np.isfinite(shown.hold.seconds), "not_judged", "no_hold"),
            (~has_hold & ~leak, "not_judged", "short_hold"),
            (leak, "leak", ""),
            (holds, "holds", ""),
        ]
    conditions = [c for c, _, _ in choices]
    verdict = np.select(conditions, [v for _, v, _ in choices], "not_judged")
    reason = np.select(conditions, [r for _, _, r in choices], "cannot_tell")
    return Judgement(verdict, reason, _quality(shown, sd), _creeps(shown))


def _falls_while_shut(shown: Shown, sd: Floats) -> Flags:
    """Vacuum grows with vent and purge shut, before the draw or in the hold."""
    per_quarter = sd / np.sqrt(np.maximum(shown.sensor.n / 20, 1))
    closed = (shown.closed.rate < -np.maximum(FALLS_PA_S, 5 * shown.closed.rate_sd)) & (
        shown.closed.change < -np.maximum(CLOSED_FALLS_PA, 5 * per_quarter)
    )
    by_cooling = FALLS_PA_S * np.nan_to_num(shown.hold.seconds)
    least = np.maximum(FALLS_PA, 6 * per_quarter)
    hold = (shown.hold.late_change < -np.maximum(least, LATE_SHARE * by_cooling)) & (
        shown.hold.seconds >= MIN_HOLD_S
    )
    grows = shown.hold.late_change < -0.01 * np.abs(shown.hold.start_above)
    fallen = shown.hold.start_above - shown.hold.end_above
    flat = (fallen > np.maximum(np.maximum(100.0, by_cooling), 0.05 * shown.draw.depth)) & (
        shown.hold.change < 0.01 * shown.draw.depth
    )
    whole = shown.hold.change < -np.maximum(np.maximum(least, by_cooling), 0.02 * shown.draw.depth)
    return closed | (((hold & grows) | whole | flat) & (shown.hold.start_above < 0))


def _vacuum_arrives(shown: Shown, sd: Floats) -> Flags:
    """The draw takes the pressure down further than cooling does; or, in a tank that does not creep, off the line that
    it ran along without it."""
    effect = shown.draw.effect < -np.maximum(3.5 * shown.draw.effect_sd, 2.0)
    creeps = _creeps(shown)
    by_cooling = np.where(creeps, np.maximum(-shown.draw.creep, 0), 0) * shown.draw.seconds
    return (shown.draw.depth - by_cooling > np.maximum(60.0, 8 * sd)) | (effect & ~creeps)


def _creeps(shown: Shown) -> Flags:
    """A shut tank that rises or falls by itself: it is tight enough for that."""
    return np.abs(shown.draw.creep) > np.maximum(2.5 * shown.draw.creep_sd, STILL_PA_S)


def _is_still(shown: Shown) -> Flags:
    """A shut tank that does not creep, and was watched well enough to know."""
    return np.isfinite(shown.draw.creep) & (shown.draw.creep_sd < WATCHED_PA_S) & ~_creeps(shown)


def _is_dead(shown: Shown, volts: VoltStory, sd: Floats, arrives: Flags) -> Flags:
    """Nothing moves in any phase, not even by noise; or a level that no vented sensor has, and nothing else."""
    silent = shown.sensor.span < np.where(
        shown.sensor.step > 30, 1.0, np.maximum(1.0, 1.1 * np.minimum(shown.sensor.step, 2.0))
    )
    stuck = ~arrives & _is_still(shown) & (np.abs(shown.sensor.level) > OFFSET_PA / 2)
    return (silent & ~volts.is_alive) | (stuck & (shown.sensor.span < 12 * sd))


def _is_gone_at_once(shown: Shown, sizes: Sizes, is_fitted: Flags, sd: Floats) -> Flags:
    """Vacuum is gone within seconds, or so little arrived and went that only its mean shows it."""
    depth, gone_s = shown.draw.depth, shown.hold.gone_s
    at_once = gone_s <= np.fmax(SETTLING_S, shown.sensor.interval_s)
    soon = (gone_s <= np.where(is_fitted, GONE_SOON_S, UNFITTED_S)) | (sizes.gone_mm > GROSS_MM)
    is_lost = np.where(depth > LOW_VACUUM_PA, sizes.working_low > WIDEST_MM, at_once | soon)
    is_lost |= -shown.hold.start_above < 0.25 * depth
    is_faint = depth < np.maximum(FAINT_PA, 8 * sd)
    return np.where(is_faint, ~_creeps(shown), is_lost) & ~(shown.hold.kept_early > 0.5)


def _is_vent_restricted(shown: Shown, sizes: Sizes, sd: Floats) -> Flags:
    held = shown.release.from_above < -np.maximum(150.0, 8 * sd)
    slow = (shown.release.half_s > VENT_HALF_S) | (
        ~np.isfinite(shown.release.half_s) & (shown.release.seconds > VENT_HALF_S - 1)
    )
    slow |= (shown.release.seconds >= SHORT_RELEASE_S) & (shown.release.left > LEFT)
    narrow = sizes.vent_mm < NARROW_VENT_MM
    return (held & (slow | narrow)) | (shown.vented.flowing_above < -FLOWING_PA)


def _quality(shown: Shown, sd: Floats) -> Floats:
    """Return the mean of five shares: rest, closed phase, length of hold, samples in it, vacuum over noise."""
    with np.errstate(all="ignore"):
        vacuum = np.clip(np.abs(shown.hold.start_above) / 1500, 0, 1) * np.clip(
            np.abs(shown.hold.start_above) / (30 * sd), 0, 1
        )
    parts = (
        np.where(shown.vented.rest_n >= 3, 1.0, np.where(shown.vented.is_zero_known, 0.6, 0.0)),
        np.clip(np.nan_to_num(shown.closed.seconds) / 10, 0, 1),
        np.clip(np.nan_to_num(shown.hold.seconds) / 60, 0, 1),
        np.clip(shown.hold.n / 60, 0, 1),
        np.nan_to_num(vacuum),
    )
    return np.mean(parts, axis=0)
