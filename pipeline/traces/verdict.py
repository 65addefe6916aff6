"""From stories to a verdict: the likeliest one, where the test allows it and its margin is great enough."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.contract.source_limits import FAR_PA, SMALL_PA
from pipeline.traces.chance_of_leak import WIDEST_MM
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.filling import FILLED_PA
from pipeline.traces.model_norms import Norms
from pipeline.traces.readings import Shown
from pipeline.traces.signs import ENGINE_RUNS_RPM, MIN_HOLD_S, OUTRUN_PA, Signs, read_signs
from pipeline.traces.sizes import Sizes, is_unseen
from pipeline.traces.sources import SELDOM_S, doubts_of
from pipeline.traces.stories import (
    DISAGREES,
    FLAT,
    GROSS,
    HOLDS,
    LEAK,
    NAMES,
    NO_VACUUM,
    Told,
    compare_stories,
)
from pipeline.traces.taken import Taken, numbers_of
from pipeline.traces.volts import VoltStory

MIN_SAMPLES = 10
MIN_RECORDING_S = 8.0
#: A purge that works brings vacuum within so many seconds: commands rise, valves open late, and gas must be drawn.
ARRIVES_S = 3.0
#: `holds` says that a hole beyond this would have shown [mm]: the smallest that a monitor must find (0.020 in).
HOLDS_MM = 0.508

#: Gas that is shut in moves by more than this share of its pressure within so many seconds: of the tight fillings of
#: three other authors all did.
FED_SHARE = 0.004
FED_FROM_S = 30.0

#: What a supply that was left on loses while it is watched leaves more than this share of its pressure.
STANDS_SHARE = 0.9

#: Nor does a draw raise a shut tank by so much [Pa], or by so many times what its fuel does meanwhile: where no closed
#: phase tells that, by hot fuel's [Pa/s].
ROSE_PA, ROSE_TIMES, HOT_FUEL_PA_S = 500.0, 2.0, 15.0

REASONS = {
    "stood": "the reading stood dead still before there was a test",
    "few": "there are too few usable samples",
    "seldom": f"its samples lie more than {SELDOM_S:.0f} s apart, too far for a draw and a hold to be read; where its "
    "recorder asks more often its clock is in another unit, which the source declares under [samples.units] of its "
    "source.toml",
    "vent_open": "pressure was put in while the vent was commanded open; where its hose is clamped by hand, the source "
    "declares it shut: is_vent_closed = true under [samples.constants] of its source.toml",
    "vent_command": "in most recordings of its source vacuum comes though the vent is commanded open throughout: the "
    "command is the wrong way round, or not recorded; which word means shut the source "
    "declares under [samples.values.is_vent_closed] of its source.toml",
    "pressure_unit": "purge that is opened into shut tanks moves the pressures of this source by less than "
    f"{SMALL_PA:.0f} Pa in every recording, or by many times less or more than in the same models elsewhere: they are "
    "in another unit than they are read in, which the source declares under [samples.units] of its source.toml",
    "zero": f"with the vent open nearly all recordings of its source read more than {FAR_PA:.0f} Pa off zero on the "
    "same side: the barometer that made its pressures gauge is not the shop's own (one reduced to sea level?), or they "
    "are in another unit, which the source declares under [samples.units] of its source.toml",
    "drawn": "a vacuum came and stopped while the purge was commanded shut: its command was not recorded, or a pump "
    "drew the vacuum",
    "no_test": "no test was run: with the vent shut the purge was never opened, and no pressure of "
    f"{FILLED_PA:.0f} Pa or more was put in",
    "filling": "gas was fed in, but pressure or flow had not come to rest when the feed ended, and no hold followed it",
    "no_hold": "there is no hold: nothing was recorded with vent and purge shut after the draw or the filling",
    "short_hold": "the hold is too short to tell a leak from vapor",
    "rose": "the pressure rose while the purge drew",
    "engine_off": "the engine was not running during the draw, so no vacuum could come",
    "short_draw": "the purge was open for too short a time to bring a vacuum that could be seen",
    "at_end": "the sensor stood at the end of its range, so that nobody can see what the hold did",
    "fed": "the pressure stood dead still, as under a supply that is left on: gas that is shut in cools and moves",
    "let_go": "the pressure went while the vent was commanded shut, no faster than through a hole of a leak's size: "
    "the supply may have been on until then, and held it up",
    "outrun": "the pressure stood far below the 14 in of water of a test and was gone at once with the vent commanded "
    "shut: a leak may have outrun the supply until that was shut off, or the supply was taken off",
    "cannot_tell": "the hold cannot tell a leak from vapor and noise",
    "torn": "two stories fit almost alike",
}


@dataclass(frozen=True)
class Judgement:
    """Verdict of each trace, the reason where it is `not_judged` (a key of REASONS, else ""), what all stories came to,
    the signs they rest on, and quality (0 to 1)."""

    verdict: np.ndarray
    reason: np.ndarray
    told: Told
    signs: Signs
    quality: Floats

    @cached_property
    def is_weighed(self) -> Flags:
        """Where stories were compared: without a test, or without samples, none was."""
        return (self.verdict != "not_judged") | np.isin(self.reason, ("torn", "cannot_tell"))

    @cached_property
    def best(self) -> np.ndarray:
        """The likeliest story of each trace."""
        return np.array(NAMES, object)[self.told.best]

    @cached_property
    def second(self) -> np.ndarray:
        """The second likeliest story of each trace."""
        return np.array(NAMES, object)[self.told.second]


def judge(taken: Taken, volts: VoltStory, sizes: Sizes, norms: Norms, least_confidence: float) -> Judgement:
    """Return the verdict of every trace.

    Parameters
    ----------
    norms : of each trace's model.
    least_confidence : a story less likely than this is no verdict, `leak` and `gross_leak` taken together.
    """
    # Steps of the barometer by which absolute pressure became gauge [Pa], 0 for any other.
    step_pa = 1e3 * np.nan_to_num(numbers_of(taken.headers, "barometer_step_kpa"))
    signs = read_signs(taken.marks, taken.shown, volts, taken.fit, sizes, norms, step_pa)
    told = compare_stories(signs, taken.shown, sizes)
    reason = _why_not_judged(taken, sizes, signs, told, least_confidence)
    verdict = np.where(reason == "", np.array(NAMES, object)[told.best], "not_judged")
    return Judgement(verdict, reason, told, signs, _quality(taken.shown))


def _why_not_judged(
    taken: Taken, sizes: Sizes, signs: Signs, told: Told, least_confidence: float
) -> np.ndarray:
    """Return the first reason, in the order in which they are asked, for which a trace is not judged; "" where none
    is."""
    marks, shown, fit = taken.marks, taken.shown, taken.fit
    is_filling = False if taken.steady is None else taken.steady.is_filling
    doubts, is_filled = doubts_of(taken.headers), marks.is_pressure_test
    best = told.best
    is_by_size = (best == HOLDS) | (best == LEAK)
    is_sound_or_open = is_by_size | (best == GROSS)
    with np.errstate(all="ignore"):
        sd = shown.sensor.sd
        start, end = shown.hold.start_above, shown.hold.end_above
        has_vacuum = np.abs(start) > np.maximum(4 * sd, 40.0)
        is_fitted = np.isfinite(sizes.working) & has_vacuum
        has_hold = (shown.hold.seconds >= MIN_HOLD_S) & (shown.hold.n >= 4)
        needs_test = is_sound_or_open | (best == NO_VACUUM) | (best == FLAT) & ~(signs.silent > 0)
        engine_off = (best == NO_VACUUM) & (shown.draw.rpm < ENGINE_RUNS_RPM)
        at_end = is_by_size & is_unseen(shown, fit)
        is_of_sensor = (best == FLAT) | (best == DISAGREES)
        stands = is_filled & is_by_size & ((best == HOLDS) | (end > STANDS_SHARE * start))
        untold = (best == HOLDS) & ~(sizes.working_high < HOLDS_MM)
        reasons = [
            (needs_test & np.isfinite(shown.sensor.stood_s) & ~signs.has_test, "stood"),
            ((shown.sensor.n < MIN_SAMPLES) | ~(marks.last - marks.first >= MIN_RECORDING_S), "few"),
            (shown.sensor.interval_s > SELDOM_S, "seldom"),
            (doubts.vent & (best != DISAGREES), "vent_command"),
            (shown.vented.is_put_in & ~signs.has_test & ~is_of_sensor, "vent_open"),
            (shown.closed.is_drawn & ~signs.has_test & ~is_of_sensor, "drawn"),
            (is_filling & needs_test & ~(has_hold & signs.has_test), "filling"),
            (needs_test & ~signs.has_test, "no_test"),
            (doubts.pressure, "pressure_unit"),
            (doubts.zero, "zero"),
            ((best != DISAGREES) & _rose(shown), "rose"),
            (engine_off, "engine_off"),
            ((best == NO_VACUUM) & (shown.draw.seconds < ARRIVES_S), "short_draw"),
            (is_sound_or_open & ~np.isfinite(shown.hold.seconds), "no_hold"),
            ((best == HOLDS) & ~has_hold, "short_hold"),
            (at_end, "at_end"),
            (is_filled & (best == HOLDS) & _is_fed(shown), "fed"),
            (stands & (sizes.let_go_mm < WIDEST_MM), "let_go"),
            (stands & marks.is_opened & (start < OUTRUN_PA), "outrun"),
            (is_by_size & ~is_fitted | untold, "cannot_tell"),
            (_sure_of(told) < least_confidence, "torn"),
        ]
    reason = np.select([is_so for is_so, _ in reasons], [name for _, name in reasons], "")
    is_of_leak = is_by_size & np.isin(told.second, (HOLDS, LEAK))
    return np.where((reason == "torn") & is_of_leak, np.where(has_hold, "cannot_tell", "short_hold"), reason)


def _sure_of(told: Told) -> Floats:
    """Return how sure it is that the likeliest story is told rightly, but for how large a leak is.

    Where a leak ends and a gross one begins nature draws no line, and either way there is a large hole to be found: of
    these two the likelier is named. `confidence` stays its own.
    """
    is_a_hole = (told.best == LEAK) | (told.best == GROSS)
    return np.where(is_a_hole, told.probability[:, LEAK] + told.probability[:, GROSS], told.confidence)


def _rose(shown: Shown) -> Flags:
    """Tell draws in which the pressure rose as no tank's can: its source may write vacuum as a positive number."""
    closed, draw = shown.closed, shown.draw
    by_fuel = np.where(np.isfinite(closed.rate), closed.rate, HOT_FUEL_PA_S) * draw.seconds
    return draw.risen > np.maximum(ROSE_PA, ROSE_TIMES * by_fuel)


def _is_fed(shown: Shown) -> Flags:
    """Tell holds under applied pressure that stand too still for gas that is shut in.

    What was pressed in is warm and cools for some seconds, by percents of the pressure; fuel gives or takes vapor.
    Under a supply that makes up for it even a hole shows nothing.
    """
    moved = np.maximum(np.abs(shown.hold.change), np.abs(shown.hold.late_change))
    least = FED_SHARE * shown.hold.start_above
    # In steps of a percent of the pressure nothing of that would show.
    shows = (shown.hold.seconds >= FED_FROM_S) & (np.nan_to_num(shown.sensor.step) < 3 * least)
    return shows & (moved < least)


def _quality(shown: Shown) -> Floats:
    """Return the mean of five shares: rest, closed phase, length of hold, samples in it, vacuum over noise."""
    with np.errstate(all="ignore"):
        size = np.abs(shown.hold.start_above)
        vacuum = np.clip(size / 1500, 0, 1) * np.clip(size / (30 * shown.sensor.sd), 0, 1)
    parts = (
        np.where(shown.vented.rest_n >= 3, 1.0, np.where(shown.vented.is_zero_known, 0.6, 0.0)),
        np.clip(np.nan_to_num(shown.closed.seconds) / 10, 0, 1),
        np.clip(np.nan_to_num(shown.hold.seconds) / 60, 0, 1),
        np.clip(shown.hold.n / 60, 0, 1),
        np.nan_to_num(vacuum),
    )
    return np.mean(parts, axis=0)
