"""Signs: what a recording shows of each thing that can be wrong, and by how much.

A sign is a distance in tolerances (see `tolerance`): 3 is surely there, -3 surely not, 0 on the edge. Limits are the
practice of the trade where they name a size, and otherwise set so that noise, quantization and warm fuel do not cross
them; none is taken from a rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.agreement import MIN_AGREEING
from pipeline.traces.chance_of_leak import WIDEST_MM
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.hold_fit import HoldFit
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.model_norms import Norms
from pipeline.traces.phases import SETTLING_S
from pipeline.traces.readings import Shown
from pipeline.traces.shows import Release
from pipeline.traces.sizes import Sizes
from pipeline.traces.tolerance import FAINT, MEASURED, SUREST, above, below, both, bounded, either, fact
from pipeline.traces.volts import VoltStory

MIN_DRAW_S = 0.4
MIN_HOLD_S = 5.0
ENGINE_RUNS_RPM = 100.0
#: A vented sensor this far from zero is a finding [Pa]; the monitors it serves look for a few hundred.
OFFSET_PA = 160.0
#: Where a model's own zeros scatter, by so many standard deviations of theirs.
OFFSET_SPREADS = 4.0
#: Vacuum that grows with vent and purge shut [Pa], and how fast [Pa/s]. A tank whose fuel cools by 3 K in an hour does
#: less: 0.34 kPa/K of air and about 1.4 kPa/K of vapor are 1.5 Pa/s. A valve that passes no more than that into 50 l
#: (0.06 l/min) is condemned by nobody.
FALLS_PA = 50.0
CLOSED_FALLS_PA = 5.0
STANDS_PA = 100.0
FALLS_PA_S = 2.0
#: A hold this long [s] shows the end of gas that cools: one that then rises by more than BORNE_OUT of what such a fall
#: would have taken bears no passing valve out.
BORNE_OUT_S, BORNE_OUT, BORNE_OUT_PA = 20.0, 0.15, 1.0
#: From its second quarter to its last fifth so much of a hold passes.
LATE_SHARE = 0.55
#: Vacuum of a few inches of water at the most, gone so soon [s] (sooner than can be fitted: UNFITTED_S) or as through
#: so large a hole [mm], could not build. More did build: there it takes a hole that is surely beyond WIDEST_MM.
LOW_VACUUM_PA = 900.0
GROSS_MM = 3.0
GONE_SOON_S = 2.2
UNFITTED_S = 5.0
#: A faint effect of the draw is one from so many standard deviations on; no level is known better than LEVEL_SD_PA.
EFFECT_SDS = 2.5
LEVEL_SD_PA = 0.6
#: A creep bends the line by so much of what it does in the draw's time (judgement: it comes faster under vacuum).
BEND = 0.3
#: So little vacuum [Pa] has no decay to speak of.
FAINT_PA = 60.0
#: Gas that warms takes back 0.28 of a quick draw, and fuel vapor some pascals a second: of more than LOST_FROM_PA [Pa]
#: a tight tank keeps LOST_SHARE for some seconds.
LOST_FROM_PA, LOST_SHARE = 100.0, 0.25
#: A supply that a gross leak outruns keeps up less than this [Pa], far from the 14 inches of water of a test (3,487).
#: Of 75 fillings of other authors that stood below it and went at once 54 leaked grossly, 20 leaked, one was tight.
OUTRUN_PA = 2_000.0
#: What the leak lets go it let rise: beside a steady supply the pressure comes from a tenth to half of where it ends in
#: 0.83 of the time in which four fifths of it go (sqrt(p) out, as much in as goes out there). In a tight tank whose cap
#: is taken off it comes many times as slowly.
CAME_TIMES = 2.0
#: Wind and slosh lift an open tank by less than this [Pa], and by less than so many steps of its reading.
RISEN_SHUT_PA, RISEN_SHUT_STEPS = 20.0, 1.5
#: From the level before a draw to what is left of it later pass the draw and about so many seconds.
KEPT_AFTER_S = 9.0
#: Hardly any vacuum: less than this [Pa] arrives in a draw, and it stays.
HARDLY_ANY_PA = 150.0
#: An open vent lets half of the vacuum go within this time [s]. The narrowest sound one does so in SOUND_HALF_S (6 mm,
#: 2.5 kPa, 100 l); what is left of a vacuum is known to LEFT_SD [share].
VENT_HALF_S = 4.0
SOUND_HALF_S = 1.3
LEFT_SD = 0.08
#: An open vent keeps the pressure at rest within this [Pa]: wind, slosh.
MOVES_PA = 15.0
#: Where nothing tells whether the vent opened, a blocked one has built so much pressure before one test in five
#: (judgement; half the square is its logarithm).
UNTOLD = -1.8
#: A release that is shorter than this [s] shows the vent's own delay.
LEAST_RELEASE_S = 1.0
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
#: A living sensor's readings, single outliers taken out, span so many standard deviations of the least noise that is
#: usual in its model; a kind whose usual noise is below STILL_KIND_PA [Pa] does not flicker, and one of it that keeps
#: still is no surer dead than STILL_SIGN.
LIVELY_SDS = 2.5
STILL_KIND_PA = 0.05
STILL_SIGN = 1.7
#: A monitor that reads so much vacuum or pressure [Pa] opens no purge. A tank that was shut for so long [s] tells a
#: dead sensor there all the same: it would creep.
STANDS_OFF_PA, STANDS_OFF_S = 1000.0, 30.0


@dataclass(frozen=True)
class Signs:
    """Signs of each recording, -SUREST to SUREST, and two facts of procedure: was there a draw, was there any test."""

    disagrees: Floats
    silent: Floats
    falls: Floats
    restricted: Floats
    stopped: Floats
    shut_at_rest: Floats
    offset: Floats
    arrives_plainly: Floats
    arrives: Floats
    hardly_any: Floats
    stays: Floats
    risen_shut: Floats
    gone: Floats
    lost: Floats
    creeps: Floats
    has_draw: Flags
    has_test: Flags


def read_signs(
    marks: Landmarks,
    shown: Shown,
    volts: VoltStory,
    fit: HoldFit,
    sizes: Sizes,
    norms: Norms,
    barometer_step_pa: Floats,
) -> Signs:
    """Return the signs that each recording shows.

    Parameters
    ----------
    barometer_step_pa : steps of the barometer by which absolute pressure became gauge [Pa], 0 for any other.
    """
    with np.errstate(all="ignore"):
        has_draw = shown.draw.seconds >= MIN_DRAW_S
        has_test = has_draw | marks.is_pressure_test
        creeps, hardly_any, risen_shut = _creeps(shown), _hardly_any(shown), _risen_shut(shown)
        shut_at_rest = np.where(marks.is_pressure_test, -SUREST, _shut_at_rest(shown))
        # A tank that was put under pressure from outside needs no purge to bring it.
        plainly = np.where(marks.is_pressure_test, SUREST, _arrives_plainly(shown, creeps))
        arrives = either(plainly, _arrives_faintly(shown))
        drew = both(plainly, fact(has_draw))
        gone = np.where(
            marks.is_pressure_test, _outran(marks, shown, sizes), _gone(shown, sizes, np.isfinite(fit.leak))
        )
        # No purge flows, and the vent is open: a level that stays may be the sensor's own, where its zero is not known.
        stopped = both(_stays(shown.stopped, shown), fact(shown.vented.is_zero_known))
        # What little arrived stays, or the shut tank rises all the same: a purge that hardly flows, and no leak.
        stays = both(hardly_any, either(above(_kept_beside_creep(shown, creeps), 0.5, FAINT), risen_shut))
        # With the engine off there is no vacuum to pass, unless a pump drew: cooling fuel draws a shut tank down.
        is_drawn = either(fact(~(shown.sensor.rpm < ENGINE_RUNS_RPM)), drew)
        is_tested = fact(has_draw | _stands_off(shown, norms))
        return Signs(
            disagrees=volts.sign,
            silent=both(is_tested, _dead(shown, volts, norms, arrives, creeps)),
            falls=both(_falls(shown), is_drawn),
            restricted=_restricted(shown, sizes, stopped, shut_at_rest, has_test, marks.is_pressure_test),
            stopped=stopped,
            shut_at_rest=shut_at_rest,
            offset=_offset(shown, norms, barometer_step_pa),
            arrives_plainly=plainly,
            arrives=arrives,
            hardly_any=hardly_any,
            stays=stays,
            risen_shut=risen_shut,
            gone=gone,
            lost=both(_lost(shown), fact(~marks.is_pressure_test)),
            creeps=creeps,
            has_draw=has_draw,
            has_test=has_test,
        )


def _falls(shown: Shown) -> Floats:
    """Vacuum grows with vent and purge shut, before the draw or in the hold."""
    sd, closed, hold, depth = shown.sensor.sd, shown.closed, shown.hold, shown.draw.depth
    per_quarter = sd / np.sqrt(np.maximum(shown.sensor.n / 20, 1))
    before = both(
        above(-closed.rate, np.maximum(FALLS_PA_S, 5 * np.nan_to_num(closed.rate_sd))),
        above(-closed.change, np.maximum(CLOSED_FALLS_PA, 5 * per_quarter)),
    )
    # A pressure that falls to that of the air outside is let go, not drawn.
    ends = closed.above + 0.5 * closed.change
    off_zero = np.maximum(CLOSED_FALLS_PA, 3 * shown.vented.zero_sd)
    before = both(before, np.where(shown.vented.is_zero_known, above(-ends, off_zero), SUREST))
    # What passes does so in the hold as well; gas that cools is done with that by then.
    pulled = LATE_SHARE * np.maximum(-closed.rate, 0) * np.nan_to_num(hold.seconds)
    rises = np.maximum(np.nan_to_num(hold.late_change), 0)
    borne_out = below(rises, np.maximum(BORNE_OUT * pulled, BORNE_OUT_PA), FAINT)
    before = both(before, np.where(hold.seconds >= BORNE_OUT_S, borne_out, SUREST))
    # Vacuum that stands in a tank which was shut without any: neither a draw nor the open vent's flow brought it.
    stands = both(
        above(-closed.above, np.maximum(STANDS_PA, FALLS_PA_S * np.nan_to_num(closed.seconds))),
        fact(shown.vented.is_zero_known),
        below(np.maximum(shown.vented.open_vacuum, 0), 0.3 * np.abs(closed.above), FAINT),
    )
    by_cooling = FALLS_PA_S * np.nan_to_num(hold.free_s)
    least = np.maximum(FALLS_PA, 6 * per_quarter)
    late = both(
        above(-hold.late_change, np.maximum(least, LATE_SHARE * by_cooling)),
        above(-hold.late_change, 0.01 * np.abs(hold.start_above), FAINT),
    )
    whole = above(-hold.change, np.maximum(np.maximum(least, by_cooling), 0.02 * depth))
    flat = both(
        above(hold.start_above - hold.end_above, np.maximum(np.maximum(100.0, by_cooling), 0.05 * depth)),
        fact(~(hold.change >= 0.01 * depth)),
    )
    # In the first seconds valves and sensor still answer to the draw.
    in_hold = both(either(late, whole, flat), fact(hold.start_above < 0), fact(hold.seconds >= MIN_HOLD_S))
    return either(before, stands, in_hold)


def _arrives_plainly(shown: Shown, creeps: Floats) -> Floats:
    """The draw takes the pressure down further than noise and cooling do."""
    draw = shown.draw
    by_cooling = np.where(creeps > 0, np.maximum(-draw.creep, 0), 0) * draw.seconds
    return above(draw.depth - by_cooling, np.maximum(60.0, 8 * shown.sensor.sd))


def _arrives_faintly(shown: Shown) -> Floats:
    """The draw takes the pressure off the line that it ran along without it; a creep may bend that line a little."""
    with np.errstate(all="ignore"):
        return bounded(-shown.draw.effect / effect_error(shown) - EFFECT_SDS)


def effect_error(shown: Shown) -> Floats:
    """Return how well the draw's effect on the pressure is known [Pa], where little or nothing arrives."""
    draw = shown.draw
    with np.errstate(all="ignore"):
        bend = BEND * np.abs(np.nan_to_num(draw.creep)) * draw.seconds
        return np.hypot(np.hypot(draw.effect_sd, LEVEL_SD_PA), bend)


def _hardly_any(shown: Shown) -> Floats:
    """A draw of some length brings less vacuum than a purge that works brings to a tank that holds any."""
    return both(below(shown.draw.depth, HARDLY_ANY_PA), above(shown.draw.seconds, 5.0, FAINT))


def _kept_beside_creep(shown: Shown, creeps: Floats) -> Floats:
    """Return the share of a small vacuum that is there some seconds after the draw, without what would have crept."""
    draw = shown.draw
    crept = np.where(creeps > 0, -draw.creep, 0.0) * (draw.seconds + KEPT_AFTER_S)
    return shown.hold.kept_early - crept / np.maximum(draw.depth, 4 * shown.sensor.sd)


def _risen_shut(shown: Shown) -> Floats:
    """The shut tank rose above the air outside, and that went when the vent opened: its fuel raised it, so it is not
    open."""
    sensor, end = shown.sensor, shown.hold.end_above
    least = np.maximum(
        RISEN_SHUT_PA, np.maximum(4 * sensor.sd, RISEN_SHUT_STEPS * np.nan_to_num(sensor.step))
    )
    grown = end - np.maximum(np.nan_to_num(shown.closed.above), 0)
    return both(above(grown, least), below(shown.release.left, 0.3), fact(shown.vented.is_zero_known))


def _creeps(shown: Shown) -> Floats:
    """A shut tank that rises or falls by itself: it is tight enough for that."""
    return above(np.abs(shown.draw.creep), np.maximum(2.5 * shown.draw.creep_sd, STILL_PA_S), FAINT)


def _dead(shown: Shown, volts: VoltStory, norms: Norms, arrives: Floats, creeps: Floats) -> Floats:
    """Nothing moves in any phase, not even by noise; or a level that no vented sensor has, and nothing else.

    How much a living sensor flickers, and where it rests, its model tells: one that is quieter than its kind is dead,
    and where the whole kind keeps still (coarse steps), stillness tells less.
    """
    sensor = shown.sensor
    usual = norms.norm["noise_pa"]
    span = np.where(sensor.step > 30, 1.0, np.maximum(1.0, 1.1 * np.minimum(sensor.step, 2.0)))
    silent = np.minimum(below(sensor.span, span), np.where(usual < STILL_KIND_PA, STILL_SIGN, SUREST))
    least = LIVELY_SDS * (usual - norms.spread["noise_pa"])
    quiet = both(fact(least >= LIVELY_SDS * STILL_KIND_PA), below(sensor.span + sensor.step, least))
    is_watched = np.isfinite(shown.draw.creep) & (shown.draw.creep_sd < WATCHED_PA_S)
    rest, spread = np.nan_to_num(norms.norm["rest_pa"]), np.nan_to_num(norms.spread["rest_pa"])
    stuck = both(
        -arrives,
        -creeps,
        fact(is_watched),
        above(np.abs(sensor.level - rest), np.maximum(OFFSET_PA / 2, OFFSET_SPREADS * spread)),
        below(sensor.span, 12 * sensor.sd),
    )
    return either(both(either(silent, quiet), fact(~volts.is_alive)), stuck)


def _stands_off(shown: Shown, norms: Norms) -> Flags:
    """Say which readings stand far from where their model's do, vent open and shut."""
    off = np.abs(shown.sensor.level - np.nan_to_num(norms.norm["rest_pa"]))
    return (off > STANDS_OFF_PA) & (shown.closed.seconds >= STANDS_OFF_S)


def _gone(shown: Shown, sizes: Sizes, is_fitted: Flags) -> Floats:
    """Vacuum is gone within seconds, or so little arrived that nobody could see it go."""
    depth, gone_s, interval = shown.draw.depth, shown.hold.gone_s, shown.sensor.interval_s
    # That time is known to a part of a sample's interval.
    tolerance = np.hypot(MEASURED, 0.3 * interval / np.fmax(gone_s, interval))
    soon = below(gone_s, np.fmax(SETTLING_S, interval), tolerance)
    soon = either(soon, below(gone_s, np.where(is_fitted, GONE_SOON_S, UNFITTED_S), tolerance))
    through = above(sizes.gone_mm, GROSS_MM)
    shallow, deep = either(soon, through), above(sizes.working, WIDEST_MM)
    weight = above(depth, LOW_VACUUM_PA)
    lost = either(both(shallow, -weight), both(deep, weight))
    lost = either(lost, below(-shown.hold.start_above, 0.25 * depth, FAINT))
    is_faint = depth < np.maximum(FAINT_PA, 8 * shown.sensor.sd)
    kept = above(shown.hold.kept_early, 0.5, FAINT)
    return both(np.where(is_faint, SUREST, lost), -kept)


def _outran(marks: Landmarks, shown: Shown, sizes: Sizes) -> Floats:
    """A pressure that stood far below that of a test, having come as fast as it went when the supply was shut off."""
    interval = shown.sensor.interval_s
    tolerance = np.hypot(MEASURED, 0.3 * interval / np.fmax(shown.hold.let_go_s, interval))
    return both(
        fact(marks.is_opened),
        below(shown.hold.start_above, OUTRUN_PA),
        above(sizes.let_go_mm, GROSS_MM),
        below(shown.hold.rose_s - interval, CAME_TIMES * shown.hold.let_go_s, tolerance),
    )


def _lost(shown: Shown) -> Floats:
    """A vacuum worth the name is all but gone some seconds into the hold: no tight tank, however warm, does that."""
    is_vacuum = above(shown.draw.depth, np.maximum(LOST_FROM_PA, 8 * shown.sensor.sd))
    return both(is_vacuum, below(np.maximum(shown.hold.kept_early, 0), LOST_SHARE, FAINT))


def _restricted(
    shown: Shown,
    sizes: Sizes,
    stopped: Floats,
    shut_at_rest: Floats,
    has_test: Flags,
    is_pressure_test: Flags,
) -> Floats:
    """Vacuum stays after the vent opens, or appears while it is open, or stays when the purge stops there."""
    narrow = both(_held(-shown.release.from_above, shown), below(sizes.vent_mm, NARROW_VENT_MM, 0.06))
    flowing = above(-shown.vented.flowing_above, FLOWING_PA)
    stood = either(_stays(shown.release, shown), stopped, narrow, flowing)
    with_test = either(both(stood, fact(~is_pressure_test)), shut_at_rest)
    return np.where(has_test, with_test, above(shown.vented.open_vacuum, OPEN_VACUUM_PA))


def _stays(release: Release, shown: Shown) -> Floats:
    """Vacuum goes slowly through an open vent, or not at all."""
    never = both(fact(~np.isfinite(release.half_s)), above(release.seconds, VENT_HALF_S - 1))
    most = _left_of_sound_vent(release.seconds)
    remains = both(
        bounded((release.left - 0.5 * (1 + most)) / LEFT_SD), above(release.seconds, LEAST_RELEASE_S)
    )
    slow = either(above(release.half_s, VENT_HALF_S), never, remains)
    return both(_held(-release.from_above, shown), slow)


def _held(from_zero_pa: Floats, shown: Shown) -> Floats:
    """There is something to let go when the vent opens: so many pascals, and well above noise."""
    return above(from_zero_pa, np.maximum(150.0, 8 * shown.sensor.sd))


def _shut_at_rest(shown: Shown) -> Floats:
    """Pressure far from zero moves at rest, which behind an open vent it cannot; or nothing tells whether it could.

    The vent did open where a release, or a rest that kept still while the shut tank did not, shows it.
    """
    vented, closed = shown.vented, shown.closed
    off = both(above(np.abs(vented.rest), OFFSET_PA), fact(vented.is_zero_known))
    error = EFFECT_SDS * 2 * vented.moved_sd
    moves = above(np.abs(vented.moved), np.maximum(MOVES_PA, error))
    as_shut = closed.rate * vented.rest_s
    kept_still = both(
        above(np.abs(as_shut - vented.moved), np.maximum(MOVES_PA, error)),
        below(np.abs(vented.moved), MOVES_PA),
    )
    is_open = either(kept_still, fact(shown.release.seconds >= LEAST_RELEASE_S))
    # What was held went as the vent opened: whatever moved the reading at rest, the path is open.
    let_go = both(
        _held(np.abs(shown.release.from_above), shown),
        below(shown.release.half_s, VENT_HALF_S),
    )
    return both(off, -let_go, either(moves, np.minimum(-is_open, UNTOLD)))


def _left_of_sound_vent(seconds: Floats) -> Floats:
    """Return the share of the vacuum that the narrowest sound vent path leaves: its root falls evenly."""
    passed = np.maximum(seconds - SETTLING_S, 0) / SOUND_HALF_S
    return np.maximum(1 - (1 - np.sqrt(0.5)) * passed, 0) ** 2


def _offset(shown: Shown, norms: Norms, barometer_step_pa: Floats) -> Floats:
    """The vented sensor is off zero, and off what its model reads there, in pressure and, where known, in volts.

    A model whose zeros scatter (gauge pressure from a barometer in whole kilopascals) accuses none of them; nor does a
    zero within one step of that barometer, which rounds or cuts.
    """
    vented = shown.vented
    size = np.abs(vented.zero)
    beyond = np.maximum(size - barometer_step_pa, 0)
    surely = above(beyond - 3 * vented.zero_sd, 0.75 * OFFSET_PA)
    plain = both(fact(vented.is_zero_known), surely, above(beyond, OFFSET_PA))
    rest, spread = norms.norm["rest_pa"], norms.spread["rest_pa"]
    off_norm = above(np.abs(vented.zero - rest), np.maximum(OFFSET_PA, OFFSET_SPREADS * spread))
    with np.errstate(all="ignore"):
        pa_per_volt = 1 / np.abs(norms.norm["volts_per_pa"])
        by_volts = np.abs(vented.rest_v - norms.norm["rest_v"]) * pa_per_volt
        # Volts clear the sensor where they rest so near their norm that they would have shown half of this; two
        # vehicles may be off alike.
        can_clear = OFFSET_SPREADS * norms.spread["rest_v"] * pa_per_volt < 0.5 * size
        can_clear &= norms.n["rest_v"] > MIN_AGREEING
    in_volts = np.where(can_clear & np.isfinite(by_volts), above(by_volts, 0.5 * size), SUREST)
    return both(plain, np.where(np.isfinite(rest), off_norm, SUREST), in_volts)
