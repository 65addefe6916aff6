"""The sentence that a technician would say, with the numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
from numpy import isfinite

from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.evidence_sizes import (
    NOTHING_PA,
    coefficient,
    gross_leak,
    holds,
    hole,
    how_shut_fell,
    leak,
    shut_fell,
)
from pipeline.traces.evidence_volts import disagrees, parted
from pipeline.traces.left_out import left_out
from pipeline.traces.quantities import flow, of_vacuum, pressures, rounded, seconds
from pipeline.traces.verdict import REASONS
from pipeline.traces.written import (
    Readings,
    Text,
    choose,
    counted,
    fixed,
    percent,
    say,
    where_known,
    words,
    written,
)

#: A verdict less likely than this is told with the story that comes second.
SURE = 0.9

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
    fell = say(" ({})", how_shut_fell(r))
    may_pass = (r["second"] == "purge_passes_closed") & shut_fell(r, 0.0)
    return choose((r["second"] == "sensor_disagrees", parted(r)), (may_pass, where_known(fell)))


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


def _no_vacuum(r: Readings) -> Text:
    depth, creep = r["depth"], r["creep"]
    open_for = where_known(say(" for {}", seconds(r["draw_s"])))
    is_faint = isfinite(depth) & (depth > NOTHING_PA)
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
        (shut_fell(r, 0.0), fell),
        ((grown <= 0) & isfinite(stood), at),
        otherwise=say("In the hold the vacuum grew{} although the purge was shut", by),
    )
    return say("{}: vacuum passes the purge valve when it is shut{}.", how, _how_much_passes(r))


def _how_much_passes(r: Readings) -> Text:
    about = say(
        ", about {} l/min ({} to {} l/min at {})",
        *(flow(r["passes"]), flow(r["passes_low"]), flow(r["passes_high"]), f"{r['level']:.0%}"),
    )
    least = say(
        ", at least {} l/min (a leak or a relief valve that lets air in meanwhile hides more)",
        flow(r["passes_low"]),
    )
    return where_known(about, where_known(least))


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
    half = say("After {} it took {} to lose half of {}", since, seconds(half_s), of_vacuum(vacuum))
    when = where_known(say("{} after", seconds(lasted_s)), "After")
    stayed = say("{} {} more than half of {} was still there", when, since, of_vacuum(vacuum))
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
        choose((r["is_leak_told"], say(" With that taken out, the hold shows {}.", hole(r)))),
    )


def _not_judged(r: Readings) -> Text:
    reason = r["reason"]
    why = words([REASONS[word] for word in reason.tolist()])
    likely = where_known(say(" ({} likely)", percent(r["confidence"])))
    best = where_known(say("likeliest: {}, {}; ", _told(r["best"]), percent(r["confidence"])))
    size = say("a hole up to {} mm is possible; {}", fixed(r["working_high"], 2), coefficient(r))
    possible = where_known(say(" ({}{})", best, size))
    more = choose(
        (reason == "few", say(" ({})", counted(r["n_samples"]))),
        (reason == "torn", say(": {}{}, or {}{}", _told(r["best"]), likely, _told(r["second"]), _ask(r))),
        (reason == "cannot_tell", possible),
        (reason == "rose", where_known(say(", by {} Pa{}", rounded(r["risen"]), _IS_POSITIVE))),
    )
    return say("Not judged: {}{}.", why, more)


def _ask(r: Readings) -> Text:
    """Say what tells a system that stands open from a purge that does not flow; that a leak and a valve that passes may
    both be there; or why a sensor may be an odd one."""
    best, second = r["best"], r["second"]

    def are(one: str, other: str) -> Flags:
        return (best == one) & (second == other) | (best == other) & (second == one)

    passes = say("; {}", how_shut_fell(r))
    return choose(
        (
            are("no_vacuum", "gross_leak"),
            "; see that the cap is on and the vent valve shuts, and whether vacuum reaches the purge valve",
        ),
        (
            are("leak", "purge_passes_closed"),
            say("{}; both may be so", choose((shut_fell(r, 3.0), where_known(passes)))),
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
    "holds": holds,
    "leak": leak,
    "gross_leak": gross_leak,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _purge_passes,
    "vent_restricted": _vent_restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": disagrees,
    "not_judged": _not_judged,
}
