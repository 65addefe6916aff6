"""The sentence that a technician would say, with the numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from math import isfinite
from typing import Any

from pipeline.traces.signs import CLOSED_FALLS_PA, FALLS_PA_S
from pipeline.traces.verdict import REASONS

#: Conventional inch of water (NIST SP 811, appendix B.8): technicians read gauges in it.
_INCH_OF_WATER_PA = 249.0889
#: So little vacuum [Pa] is called hardly any, and beyond so much nobody says "only".
_NOTHING_PA = 60.0
_MUCH_PA = 1000.0
#: A verdict less likely than this is told with the story that comes second.
_SURE = 0.9

#: What is said of a leak over volume in place of a diameter.
_NO_TANK = "its diameter needs the tank's size, which is not known"

Reading = Mapping[str, Any]


def say(row: Reading) -> str:
    """Return the evidence of one trace.

    Parameters
    ----------
    row : the result's columns, the readings of `shows.Shown`, and of `volts.VoltStory` and `hold_fit.HoldFit`
        those that the sentences name.
    """
    return _SENTENCES[row["verdict"]](row) + _opened(row) + _less_likely(row) + _by_criterion(row)


def _opened(row: Reading) -> str:
    """Say where the hold was cut: what followed is no hold."""
    if not row["is_opened"] or not isfinite(row["hold_s"]):
        return ""
    if row["is_pressure_test"]:
        return (
            f" After {_seconds(row['hold_s'])} it was let go, otherwise than by the vent valve: what followed was "
            "left out."
        )
    return (
        f" After {_seconds(row['hold_s'])} of the hold something opened, though the vent was commanded shut: the "
        "pressure went at once, and what followed was left out."
    )


def _less_likely(row: Reading) -> str:
    """Name the story that comes second to a verdict which is not sure."""
    if row["verdict"] == "not_judged" or not row["confidence"] < _SURE:
        return ""
    share = row["second_confidence"]
    likely = f" ({share:.0%})" if isfinite(share) else ""
    return f" Less likely{likely}: {STORY_TOLD[row['second']]}."


#: By the published criterion of the integrity test (standards/pressure_test.py).
_TESTED = {
    "pass": " By the criterion of 14 inches of water held for 2 minutes it passes.",
    "fail": " By the criterion of 14 inches of water held for 2 minutes it fails.",
    "invalid": " It did not start at 14 inches of water, so the published criterion says nothing.",
    "no_verdict": " It still held at the end, short of the 2 minutes that the published criterion asks for.",
}


def _by_criterion(row: Reading) -> str:
    return _TESTED.get(row["pressure_test"], "")


def pressure(pa: float) -> str:
    """Return a pressure in pascals and inches of water."""
    return f"{_rounded(pa)} Pa ({pa / _INCH_OF_WATER_PA:.1f} in of water)"


def _rounded(pa: float) -> str:
    return f"{pa:.0f}" if abs(pa) >= 20 else f"{pa:.1f}"


def _seconds(s: float) -> str:
    return f"{s:.0f} s" if s >= 10 else f"{s:.1f} s"


@cache
def _percent(level: float) -> str:
    """Write a level, which is the same for all."""
    return f"{level:.0%}"


@cache
def _coefficient(discharge: float) -> str:
    """Write a discharge coefficient, which is the same for all."""
    return f"discharge coefficient {discharge:.2f}"


def _known(*values: float) -> bool:
    return all(map(isfinite, values))


def _within(s: float) -> str:
    return f" in {_seconds(s)}" if isfinite(s) else ""


def _vacuum(pa: float) -> str:
    """Return so much vacuum, or only the word where nobody knows how much."""
    return f"{pressure(pa)} of vacuum" if isfinite(pa) else "vacuum"


def _draw(row: Reading) -> str:
    if row["is_pressure_test"]:
        under = row["hold_start_above"]
        how_much = f"{pressure(under)} of pressure" if isfinite(under) else "pressure"
        return f"The system was put under {how_much}"
    return f"Purge pulled {_vacuum(row['depth'])}{_within(row['draw_s'])}"


def _bleed(row: Reading) -> str:
    if isfinite(row["gone_s"]) and row["gone_s"] < 0.8 * row["hold_s"] and not row["is_pressure_test"]:
        return f"with vent and purge shut four fifths of it were gone after {_seconds(row['gone_s'])}"
    change = row["hold_end_above"] - row["hold_start_above"]
    if not isfinite(change):
        return "with vent and purge shut too little was read to say by how much the pressure moved"
    way = "rose" if change >= 0 else "fell"
    text = (
        f"with vent and purge shut the pressure {way} by {_rounded(abs(change))} Pa{_within(row['hold_s'])}"
    )
    return text + _why_it_rose(row, change)


def _why_it_rose(row: Reading, change: float) -> str:
    vapor = row["vapor_pa_s"] * row["hold_s"]
    if not (isfinite(vapor) and vapor > 0) or change <= 0:
        return ""
    warming = " and gas that warmed again after the draw the rest" if row["verdict"] == "holds" else ""
    if vapor >= 0.9 * change and warming:
        return " (vapor explains it)"
    return f" (vapor explains about {_rounded(vapor)} Pa{warming})"


def _bounds(row: Reading) -> str:
    if not _known(row["low"], row["high"]):
        return "no interval"
    return f"{row['low']:.2f} to {row['high']:.2f} mm at {_percent(row['level'])}"


def _area_bounds(row: Reading) -> str:
    low, high = row["per_gas_low"], row["per_gas_high"]
    return f"{low:.1f} to {high:.1f} at {_percent(row['level'])}" if _known(low, high) else "no interval"


def _holds(row: Reading) -> str:
    return f"{_draw(row)}; {_bleed(row)}; it holds: {_least_that_shows(row)}{_any_fill(row, row['high'])}."


def _least_that_shows(row: Reading) -> str:
    if isfinite(row["high"]):
        return f"a hole larger than {row['high']:.2f} mm would have shown"
    if isfinite(row["per_gas_high"]):
        return f"a hole of more than {row['per_gas_high']:.2g} mm² for each m³ of gas would have shown; {_NO_TANK}"
    return f"how small a hole would have shown is not known: {_NO_TANK}"


def _leak(row: Reading) -> str:
    return f"{_draw(row)}; {_bleed(row)}, faster than vapor alone: {_hole(row)}{_any_fill(row, row['diameter'])}."


def _hole(row: Reading) -> str:
    if isfinite(row["diameter"]):
        return f"a hole of about {row['diameter']:.2f} mm ({_bounds(row)}; {_coefficient(row['discharge'])})"
    if isfinite(row["per_gas"]):
        return (
            f"a leak of {row['per_gas']:.1f} mm² for each m³ of gas ({_area_bounds(row)}; "
            f"{_coefficient(row['discharge'])}); {_NO_TANK}"
        )
    return f"a leak; {_NO_TANK}"


def _gross_leak(row: Reading) -> str:
    size = f"; the hole is larger than {row['gross_low']:.1f} mm" if isfinite(row["gross_low"]) else ""
    size += _any_fill(row, row["gross_low"])
    if isfinite(row["settled"]):
        low, high = row["settled_low"], row["settled_high"]
        bounds = f" ({low:.1f} to {high:.1f})" if _known(low, high) else ""
        size += f"; by this model's usual purge flow the vacuum settled as through {row['settled']:.1f} mm{bounds}"
    return f"{_how_it_went(row)}: a leak too large for a decay, or a vent path that stays open{size}."


def _any_fill(row: Reading, size: float) -> str:
    if row["is_level_known"] or not isfinite(size):
        return ""
    if row["is_by_purge"]:
        return "; fuel level not known: how fast the draw took hold, at this model's usual purge flow, stands for it"
    return "; fuel level not known, so anything from nearly empty to nearly full was allowed"


def _how_it_went(row: Reading) -> str:
    if row["depth"] < _NOTHING_PA:
        return (
            f"With the purge open hardly any vacuum built{_within(row['draw_s'])}, and the shut tank did not "
            "creep as a tight one does"
        )
    much = not row["depth"] <= _MUCH_PA
    reached = (
        f"Purge pulled {_vacuum(row['depth'])}"
        if much
        else f"With the purge open vacuum reached only {pressure(row['depth'])}"
    )
    if not isfinite(row["gone_s"]):
        return f"{reached}, and it was gone when the purge shut"
    seen = [s for s in (row["gone_s"], row["interval_s"]) if isfinite(s)]
    return f"{reached}; most of it was gone {_seconds(max(seen))} after the purge shut"


def _no_vacuum(row: Reading) -> str:
    open_for = f" for {_seconds(row['draw_s'])}" if isfinite(row["draw_s"]) else ""
    is_faint = isfinite(row["depth"]) and row["depth"] > _NOTHING_PA
    text = f"The purge was commanded open{open_for} and no vacuum arrived"
    if is_faint:
        text = f"With the purge open{open_for} hardly any vacuum arrived ({pressure(row['depth'])})"
    if row["creeps"] and isfinite(row["creep"]):
        way = "crept up" if row["creep"] > 0 else "sank"
        text += f"; the shut tank {way} by {abs(row['creep']):.2f} Pa/s, so it holds and the sensor works"
        return text + ": the purge valve or its line does not pass."
    text += ": the purge valve or its line does not pass"
    if is_faint:
        return text + "."
    return (
        text + "; a wide-open system could look the same, so see that the vent valve shuts and the cap is on."
    )


def _purge_passes(row: Reading) -> str:
    if row["closed_rate"] < -FALLS_PA_S and row["closed_change"] < -CLOSED_FALLS_PA:
        stood = (
            f" and stood at {pressure(row['closed_above'])} on average" if _known(row["closed_above"]) else ""
        )
        return (
            f"With vent and purge shut, before any draw, the pressure fell at {abs(row['closed_rate']):.1f} Pa/s"
            f"{stood}: vacuum passes the purge valve when it is shut."
        )
    ways = (row["hold_late_change"], row["hold_change"], row["hold_end_above"] - row["hold_start_above"])
    grown = max((-change for change in ways if isfinite(change)), default=0.0)
    if grown <= 0 and _known(row["closed_above"]):
        return (
            f"With vent and purge shut, before any draw, the tank stood at {pressure(row['closed_above'])} on average: "
            "vacuum passes the purge valve when it is shut."
        )
    by = f" by {_rounded(grown)} Pa" if grown > 0 else ""
    return (
        f"In the hold the vacuum grew{by} although the purge was shut: "
        "vacuum passes the purge valve when it is shut."
    )


def _vent_restricted(row: Reading) -> str:
    if _known(row["flowing_above"]) and row["flowing_above"] < -500 and not row["release_from_above"] < -150:
        return (
            f"With the vent open and purge flowing the tank stood at {pressure(row['flowing_above'])}: "
            "the vent path is restricted."
        )
    if row["is_shut_at_rest"]:
        moved = (
            f"which moved by {_rounded(row['moved'])} Pa in {_seconds(row['rest_s'])}"
            if _known(row["moved"], row["rest_s"])
            else "and that moved"
        )
        stood = f"stood at {pressure(row['zero'])}" if _known(row["zero"]) else "stood off zero"
        return f"With the vent open the tank {stood}, {moved}, as in a shut one: the vent path is restricted."
    if not isfinite(row["release_from_above"]):
        to = f"went down to {pressure(-row['open_vacuum'])}" if _known(row["open_vacuum"]) else "went down"
        return f"With the vent open, before any test, the tank {to}: the vent path is restricted."
    start = pressure(-row["release_from_above"])
    if isfinite(row["release_half_s"]):
        return (
            f"After the vent opened it took {_seconds(row['release_half_s'])} to lose half of {start} of vacuum: "
            "the vent path is restricted."
        )
    when = f"{_seconds(row['release_s'])} after" if isfinite(row["release_s"]) else "After"
    return (
        f"{when} the vent opened more than half of {start} of vacuum was still there: "
        "the vent path is restricted."
    )


def _flat(row: Reading) -> str:
    volts = f" and its output by {row['volt_range']:.3f} V" if isfinite(row["volt_range"]) else ""
    moved = (
        f"moved by no more than {_rounded(row['span'])} Pa{volts}" if _known(row["span"]) else "hardly moved"
    )
    return (
        f"Through vent and purge commands alike the reading {moved}, "
        "without even the creep of a shut tank: the sensor does not respond."
    )


def _offset(row: Reading) -> str:
    volts = f" ({row['rest_v']:.2f} V)" if isfinite(row["rest_v"]) else ""
    read = f"read {pressure(row['zero'])}" if isfinite(row["zero"]) else "read off zero"
    return f"With the vent open the sensor {read}{volts} where it should read zero."


def _disagrees(row: Reading) -> str:
    moved = f"moved by {_rounded(row['pressure_range'])} Pa" if _known(row["pressure_range"]) else "moved"
    volts = f"moved by {row['volt_range']:.3f} V" if isfinite(row["volt_range"]) else "moved"
    if row["is_flat_volts"]:
        volts = f"{volts} only" if isfinite(row["volt_range"]) else "hardly moved"
        return f"The pressure {moved} while the sensor's output {volts}."
    if row["is_flat_pressure"]:
        moved = f"{moved} only" if isfinite(row["pressure_range"]) else "hardly moved"
        return f"The sensor's output {volts} while the pressure {moved}."
    if row["is_off_norm"] and _known(row["volts_per_pa"], row["norm_volts_per_pa"]):
        return (
            f"The sensor moves {row['volts_per_pa'] * 1e3:+.2f} V per kPa where this model's sensors move "
            f"{row['norm_volts_per_pa'] * 1e3:+.2f} (median of {row['norm_n']} recordings): "
            "they tell different stories."
        )
    if row["is_shifted"] and _known(row["zero"], row["rest_v"], row["norm_rest_v"], row["norm_rest_n"]):
        return (
            f"With the vent open the pressure reads {pressure(row['zero'])} but the sensor gives "
            f"{row['rest_v']:.2f} V, where this model's sensors give {row['norm_rest_v']:.2f} V "
            f"(median of {row['norm_rest_n']} recordings): they tell different stories."
        )
    lie = (
        f"readings lie {_rounded(row['residual_pa'])} Pa off it"
        if _known(row["residual_pa"])
        else "they part"
    )
    span = f", in a range of {_rounded(row['pressure_range'])} Pa" if _known(row["pressure_range"]) else ""
    return f"Volts and pressure do not follow one straight line: {lie}{span}."


def _not_judged(row: Reading) -> str:
    text = f"Not judged: {REASONS[row['reason']]}"
    if row["reason"] == "few":
        return f"{text} ({row['n_samples']})."
    if row["reason"] == "torn":
        likely = f" ({row['confidence']:.0%} likely)" if isfinite(row["confidence"]) else ""
        return f"{text}: {STORY_TOLD[row['best']]}{likely}, or {STORY_TOLD[row['second']]}{_ask(row)}."
    if row["reason"] == "cannot_tell" and isfinite(row["working_high"]):
        return f"{text} (a hole up to {row['working_high']:.2f} mm is possible)."
    return text + "."


def _ask(row: Reading) -> str:
    """Say what tells a system that stands open from a purge that does not flow."""
    if {row["best"], row["second"]} != {"no_vacuum", "gross_leak"}:
        return ""
    return "; see that the cap is on and the vent valve shuts, and whether vacuum reaches the purge valve"


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


_SENTENCES: dict[str, Callable[[Reading], str]] = {
    "holds": _holds,
    "leak": _leak,
    "gross_leak": _gross_leak,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _purge_passes,
    "vent_restricted": _vent_restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": _disagrees,
    "not_judged": _not_judged,
}
