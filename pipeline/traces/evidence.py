"""The sentence that a technician would say, with the numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
from numpy import isfinite

from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.evidence_volts import disagrees, parted
from pipeline.traces.left_out import left_out
from pipeline.traces.quantities import pressures, rounded, seconds
from pipeline.traces.ranges import LOST_S, LOST_TIMES
from pipeline.traces.signs import CLOSED_FALLS_PA, FALLS_PA_S
from pipeline.traces.verdict import HOLDS_MM, REASONS
from pipeline.traces.written import (
    Readings,
    Text,
    choose,
    counted,
    each,
    fixed,
    percent,
    say,
    where_known,
    words,
    written,
)

#: So little vacuum [Pa] is called hardly any, and beyond so much nobody says "only".
_NOTHING_PA = 60.0
_MUCH_PA = 1000.0
#: A verdict less likely than this is told with the story that comes second.
SURE = 0.9

#: What is said of a leak over volume in place of a diameter.
_NO_TANK = "its diameter needs the tank's size, which is not known"
#: What to look at where a draw seems to raise the pressure.
_IS_POSITIVE = ": a draw takes it down, so see whether vacuum is written as a positive number"


def evidence_of(r: Readings, n: int) -> pl.Series:
    """Return the evidence of n recordings that have one verdict.

    Parameters
    ----------
    r : `verdict`, `level` and `discharge`, which are the same for all; and arrays with one element per recording: the
        result's columns, the readings of `shows.Shown`, and of `volts.VoltStory` and `hold_fit.HoldFit` those that
        the sentences name.
    """
    with np.errstate(all="ignore"):
        told = _SENTENCES[r["verdict"]](r)
        return written(say("{}{}{}{}", told, left_out(r), _less_likely(r), _by_criterion(r)), n)


def _less_likely(r: Readings) -> Text | str:
    """Name the story that comes second to a verdict which is not sure."""
    is_unsure = r["confidence"] < SURE
    if r["verdict"] == "not_judged" or not is_unsure.any():
        return ""
    likely = where_known(say(" ({})", percent(r["second_confidence"])))
    return choose((is_unsure, say(" Less likely{}: {}{}.", likely, _told(r["second"]), _why_second(r))))


def _why_second(r: Readings) -> Text:
    return choose((r["second"] == "sensor_disagrees", parted(r)))


def _told(stories: np.ndarray) -> Text:
    return words([STORY_TOLD[story] for story in stories.tolist()])


def _by_criterion(r: Readings) -> Text | str:
    """Say what the published criterion of the integrity test comes to (standards/pressure_test.py)."""
    tests = np.flatnonzero(r["is_pressure_test"])
    if not len(tests):
        return ""
    told = np.full(len(r["is_pressure_test"]), "", object)
    for k in tests.tolist():
        test = r["pressure_test"][k]
        told[k] = f" {test.reason}" if test else ""
    return words(told.tolist())


def _within(s: Floats) -> Text:
    return where_known(say(" in {}", seconds(s)))


def _lost(r: Readings) -> Text:
    """Say where the draw may have been over long before the next sample."""
    is_lost = r["lost_s"] > np.fmax(LOST_S, LOST_TIMES * r["interval_s"])
    missing = where_known(say(" or less (samples of {} are missing)", seconds(r["lost_s"])))
    return choose((is_lost & isfinite(r["draw_s"]), missing))


def _vacuum(pa: Floats) -> Text:
    """Return so much vacuum, or only the word where nobody knows how much."""
    return where_known(say("{} of vacuum", pressures(pa)), "vacuum")


def _draw(r: Readings) -> Text:
    least = choose((r["is_at_end"] & isfinite(r["depth"]), "at least "))
    drawn = say("Purge pulled {}{}{}{}", least, _vacuum(r["depth"]), _within(r["draw_s"]), _lost(r))
    if not r["is_pressure_test"].any():
        return drawn
    how_much = where_known(say("{} of pressure", pressures(r["hold_start_above"])), "pressure")
    return choose((r["is_pressure_test"], say("The system was put under {}", how_much)), otherwise=drawn)


def _bleed(r: Readings) -> Text:
    # A valve that shuts late draws on in the hold: from the greatest vacuum on the pressure rose.
    drawn_to = np.where(r["is_pressure_test"], np.nan, r["draw_before"] - r["depth"] - r["zero"])
    change = r["hold_end_above"] - np.fmin(r["hold_start_above"], drawn_to)
    return choose(
        (
            isfinite(r["gone_s"]) & (r["gone_s"] < 0.8 * r["hold_s"]) & ~r["is_pressure_test"],
            say("with vent and purge shut four fifths of it were gone after {}", seconds(r["gone_s"])),
        ),
        otherwise=where_known(
            say(
                "with vent and purge shut the pressure {} by {} Pa{}{}",
                choose((change >= 0, "rose"), otherwise="fell"),
                *(rounded(np.abs(change)), _within(r["hold_s"]), _why_it_rose(r, change)),
            ),
            "with vent and purge shut too little was read to say by how much the pressure moved",
        ),
    )


def _why_it_rose(r: Readings, change: Floats) -> Text:
    vapor = r["vapor_pa_s"] * r["hold_s"]
    is_warmer = r["verdict"] == "holds"
    warming = " and gas that warmed again after the draw the rest" if is_warmer else ""
    return choose(
        (~(isfinite(vapor) & (vapor > 0)) | (change <= 0), ""),
        ((vapor >= 0.9 * change) & is_warmer, " (vapor explains it)"),
        otherwise=say(" (vapor explains about {} Pa{})", rounded(vapor), warming),
    )


def _bounds(r: Readings) -> Text:
    to = say("{} to {} mm at {}", fixed(r["low"], 2), fixed(r["high"], 2), f"{r['level']:.0%}")
    return where_known(to, "no interval")


def _area_bounds(r: Readings) -> Text:
    to = say("{} to {} at {}", fixed(r["per_gas_low"], 1), fixed(r["per_gas_high"], 1), f"{r['level']:.0%}")
    return where_known(to, "no interval")


def _coefficient(r: Readings) -> str:
    """Say on which coefficient a size rests, which stands beside every one."""
    return f"discharge coefficient {r['discharge']:.2f}"


def _holds(r: Readings) -> Text:
    return say("{}; {}; it holds: {}{}.", _draw(r), _bleed(r), _least_that_shows(r), _any_fill(r, r["high"]))


def _least_that_shows(r: Readings) -> Text:
    size = say("a hole larger than {} mm would have shown ({})", fixed(r["high"], 2), _coefficient(r))
    if isfinite(r["high"]).all():
        return size
    area = say(
        "a hole of more than {} mm² for each m³ of gas would have shown ({}); {}",
        *(each(r["per_gas_high"], ".2g"), _coefficient(r), _NO_TANK),
    )
    neither = f"how small a hole would have shown is not known: {_NO_TANK}"
    return where_known(size, where_known(area, neither))


def _leak(r: Readings) -> Text:
    fill = _any_fill(r, r["diameter"])
    return say(
        "{}; {}, faster than vapor alone: {}{}{}.", _draw(r), _bleed(r), _hole(r), fill, _fell_before(r)
    )


def _fell_before(r: Readings) -> Text:
    """Say that the shut tank fell before the draw, for which a leak is no reason."""
    fell = say(
        "; before the draw the shut tank fell at {} Pa/s: its gas cooled, or vacuum passes the purge valve as well",
        fixed(np.abs(r["closed_rate"]), 1),
    )
    return choose((_shut_fell(r, 3.0) & ~r["is_pressure_test"], where_known(fell)))


def _shut_fell(r: Readings, sds: float) -> Flags:
    """Say where the shut tank fell before the draw, by so many standard errors faster than fuel that cools."""
    with np.errstate(invalid="ignore"):
        faster = r["closed_rate"] + sds * r["closed_rate_sd"] < -FALLS_PA_S
    return faster & (r["closed_change"] < -CLOSED_FALLS_PA)


def _hole(r: Readings) -> Text:
    size = say("a hole of about {} mm ({}; {})", fixed(r["diameter"], 2), _bounds(r), _coefficient(r))
    area = say(
        "a leak of {} mm² for each m³ of gas ({}; {}); {}",
        *(fixed(r["per_gas"], 1), _area_bounds(r), _coefficient(r), _NO_TANK),
    )
    return where_known(size, where_known(area, f"a leak; {_NO_TANK}"))


def _gross_leak(r: Readings) -> Text:
    # That a gross leak is no pinhole tells nobody anything.
    low = np.where(r["gross_low"] >= HOLDS_MM, r["gross_low"], np.nan)
    least = where_known(say("; the hole is larger than {} mm ({})", fixed(low, 1), _coefficient(r)))
    bounds = where_known(say("{} to {} mm; ", fixed(r["settled_low"], 1), fixed(r["settled_high"], 1)))
    settled = say(
        "; by this model's usual purge flow the vacuum settled as through {} mm ({}{})",
        *(fixed(r["settled"], 1), bounds, _coefficient(r)),
    )
    # A draw that was no usual one tells no size: the time in which its vacuum went tells a larger one.
    is_usual = ~(r["settled_high"] < r["gross_low"])
    return say(
        "{}: a leak too large for a decay, or a vent path that stays open{}{}{}.",
        *(_how_it_went(r), least, _any_fill(r, low), choose((is_usual, where_known(settled)))),
    )


def _any_fill(r: Readings, size: Floats) -> Text:
    return choose(
        (r["is_level_known"] | ~isfinite(size), ""),
        (
            r["is_by_purge"],
            "; fuel level not known: how fast the draw took hold, at this model's usual purge flow, stands for it",
        ),
        otherwise="; fuel level not known, so anything from nearly empty to nearly full was allowed",
    )


def _how_it_went(r: Readings) -> Text:
    depth, gone_s = r["depth"], r["gone_s"]
    reached = choose(
        (~(depth <= _MUCH_PA), say("Purge pulled {}", _vacuum(depth))),
        otherwise=say("With the purge open vacuum reached only {}", pressures(depth)),
    )
    interval_s: Floats = r["interval_s"]
    is_coarse = isfinite(gone_s) & isfinite(interval_s) & (interval_s > gone_s)
    seen = np.where(is_coarse, interval_s, gone_s)
    # Nobody knows better than by a sample's interval when the supply was shut off.
    let_go_s = np.fmax(r["let_go_s"], interval_s)
    outran = say(
        "The supply brought the system to {}, far below the 14 in of water of a test, and when it was shut off most of "
        "that was gone{}, as fast as it had come",
        where_known(say("no more than {}", pressures(r["hold_end_above"])), "little pressure"),
        _within(let_go_s),
    )
    return choose(
        (r["is_pressure_test"], outran),
        (
            depth < _NOTHING_PA,
            say(
                "With the purge open hardly any vacuum built{}, and the shut tank did not creep as a tight one does",
                _within(r["draw_s"]),
            ),
        ),
        otherwise=where_known(
            say("{}; most of it was gone {} after the purge shut", reached, seconds(seen)),
            say("{}, and it was gone when the purge shut", reached),
        ),
    )


def _no_vacuum(r: Readings) -> Text:
    depth, creep = r["depth"], r["creep"]
    open_for = where_known(say(" for {}", seconds(r["draw_s"])))
    is_faint = isfinite(depth) & (depth > _NOTHING_PA)
    came = choose(
        (is_faint, say("With the purge open{} hardly any vacuum arrived ({})", open_for, pressures(depth))),
        otherwise=say("The purge was commanded open{} and no vacuum arrived", open_for),
    )
    holds = say(
        "; the shut tank {} by {} Pa/s, so it holds and the sensor works",
        choose((creep > 0, "crept up"), otherwise="sank"),
        fixed(np.abs(creep), 2),
    )
    stood = where_known(pressures(r["hold_end_above"]), "a pressure of its own")
    risen = say("; the shut tank stood at {} until the vent opened, so it holds and the sensor works", stood)
    is_tight = r["creeps"] & isfinite(creep)
    return say(
        "{}{}: the purge valve or its line does not pass{}.",
        came,
        choose((is_tight, holds), (r["is_risen_shut"], risen)),
        choose(
            (is_tight | is_faint | r["is_risen_shut"], ""),
            otherwise="; a wide-open system could look the same, so see that the vent valve shuts and the cap is on",
        ),
    )


def _purge_passes(r: Readings) -> Text:
    rate, stood = r["closed_rate"], r["closed_above"]
    fell = say(
        "With vent and purge shut, before any draw, the pressure fell at {} Pa/s{}",
        *(fixed(np.abs(rate), 1), where_known(say(" and stood at {} on average", pressures(stood)))),
    )
    at = say("With vent and purge shut, before any draw, the tank stood at {} on average", pressures(stood))
    ways = r["hold_late_change"], r["hold_change"], r["hold_end_above"] - r["hold_start_above"]
    grown = np.maximum.reduce([np.where(isfinite(change), -change, 0.0) for change in ways])
    by = choose((grown > 0, say(" by {} Pa", rounded(grown))))
    how = choose(
        (_shut_fell(r, 0.0), fell),
        ((grown <= 0) & isfinite(stood), at),
        otherwise=say("In the hold the vacuum grew{} although the purge was shut", by),
    )
    return say("{}: vacuum passes the purge valve when it is shut.", how)


def _vent_restricted(r: Readings) -> Text:
    flowing, vacuum = r["flowing_above"], -r["release_from_above"]
    stood = where_known(say("stood at {}", pressures(r["zero"])), "stood off zero")
    moved = where_known(
        say("which moved by {} Pa in {}", rounded(r["moved"]), seconds(r["rest_s"])), "and that moved"
    )
    to = where_known(say(" to {}", pressures(-r["open_vacuum"])))
    by_release = _slowly(r["release_half_s"], r["release_s"], vacuum, "the vent opened")
    stop = "the purge was shut, before any test and with the vent open,"
    by_stop = _slowly(r["stopped_half_s"], r["stopped_s"], -r["stopped_from_above"], stop)
    how = choose(
        (
            isfinite(flowing) & (flowing < -500) & ~(-vacuum < -150),
            say("With the vent open and purge flowing the tank stood at {}", pressures(flowing)),
        ),
        (r["is_shut_at_rest"], say("With the vent open the tank {}, {}, as in a shut one", stood, moved)),
        (r["is_stopped"], by_stop),
        (~isfinite(vacuum), say("With the vent open, before any test, the tank went down{}", to)),
        otherwise=by_release,
    )
    return say("{}: the vent path is restricted.", how)


def _slowly(half_s: Floats, lasted_s: Floats, vacuum: Floats, since: str) -> Text:
    """Say how slowly a vacuum went, or how long it stayed."""
    half = say("After {} it took {} to lose half of {}", since, seconds(half_s), _vacuum(vacuum))
    when = where_known(say("{} after", seconds(lasted_s)), "After")
    stayed = say("{} {} more than half of {} was still there", when, since, _vacuum(vacuum))
    return where_known(half, stayed)


def _flat(r: Readings) -> Text:
    volts = where_known(say(" and its output by {} V", fixed(r["volt_range"], 3)))
    through = choose(
        (isfinite(r["draw_s"]), "Through vent and purge commands alike the reading"),
        otherwise=where_known(
            say("Vent open or shut the reading stood at {}: it", pressures(r["zero"])),
            "Vent open or shut the reading",
        ),
    )
    return say(
        "{} {}, without even the creep of a shut tank: the sensor does not respond.",
        through,
        where_known(say("moved by no more than {} Pa{}", rounded(r["span"]), volts), "hardly moved"),
    )


def _offset(r: Readings) -> Text:
    return say(
        "With the vent open the sensor {}{} where it should read zero.{}",
        where_known(say("read {}", pressures(r["zero"])), "read off zero"),
        where_known(say(" ({} V)", fixed(r["rest_v"], 2))),
        choose((r["is_leak_told"], say(" With that taken out, the hold shows {}.", _hole(r)))),
    )


def _not_judged(r: Readings) -> Text:
    reason = r["reason"]
    why = words([REASONS[word] for word in reason.tolist()])
    likely = where_known(say(" ({} likely)", percent(r["confidence"])))
    best = where_known(say("likeliest: {}, {}; ", _told(r["best"]), percent(r["confidence"])))
    size = say("a hole up to {} mm is possible; {}", fixed(r["working_high"], 2), _coefficient(r))
    possible = where_known(say(" ({}{})", best, size))
    more = choose(
        (reason == "few", say(" ({})", counted(r["n_samples"]))),
        (reason == "torn", say(": {}{}, or {}{}", _told(r["best"]), likely, _told(r["second"]), _ask(r))),
        (reason == "cannot_tell", possible),
        (reason == "rose", where_known(say(", by {} Pa{}", rounded(r["risen"]), _IS_POSITIVE))),
    )
    return say("Not judged: {}{}.", why, more)


def _ask(r: Readings) -> Text:
    """Say what tells a system that stands open from a purge that does not flow; or why a sensor may be an odd one."""
    best, second = r["best"], r["second"]
    is_either = (best == "no_vacuum") & (second == "gross_leak") | (best == "gross_leak") & (
        second == "no_vacuum"
    )
    return choose(
        (
            is_either,
            "; see that the cap is on and the vent valve shuts, and whether vacuum reaches the purge valve",
        ),
        ((best == "sensor_disagrees") | (second == "sensor_disagrees"), parted(r)),
    )


#: Each story in words, for sentences that weigh two of them.
STORY_TOLD = {
    "holds": "the system holds",
    "leak": "a leak",
    "gross_leak": "a gross leak or an open vent path",
    "no_vacuum": "no vacuum arrives from the purge",
    "purge_passes_closed": "the purge passes when shut",
    "vent_restricted": "the vent path is restricted",
    "sensor_flat": "the sensor does not respond",
    "sensor_offset": "the sensor reads off zero",
    "sensor_disagrees": "volts and pressure disagree",
}


_SENTENCES: dict[str, Callable[[Readings], Text]] = {
    "holds": _holds,
    "leak": _leak,
    "gross_leak": _gross_leak,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _purge_passes,
    "vent_restricted": _vent_restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": disagrees,
    "not_judged": _not_judged,
}
