"""What a technician would say of a system that holds and of one that leaks, with the numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy import isfinite

from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.quantities import flow, of_vacuum, pressures, rounded, seconds, within
from pipeline.traces.ranges import LOST_S, LOST_TIMES
from pipeline.traces.signs import CLOSED_FALLS_PA, FALLS_PA_S
from pipeline.traces.verdict import HOLDS_MM
from pipeline.traces.written import Readings, Text, choose, each, fixed, say, where_known

#: So little vacuum [Pa] is called hardly any, and beyond so much nobody says "only".
NOTHING_PA = 60.0
_MUCH_PA = 1000.0
#: What is said of a leak over volume in place of a diameter.
_NO_TANK = "its diameter needs the tank's size, which is not known"


def holds(r: Readings) -> Text:
    """Say that a system holds, and how small a hole would have shown."""
    valve = where_known(
        say(", and a purge valve that passes more than {} l/min when shut", flow(r["passes_unseen"]))
    )
    shows = say("{}{}", _least_that_shows(r), valve)
    return say("{}; {}; it holds: {}{}.", _draw(r), _bleed(r), shows, _any_fill(r, r["high"]))


def _least_that_shows(r: Readings) -> Text:
    size = say("a hole larger than {} mm would have shown ({})", fixed(r["high"], 2), coefficient(r))
    if isfinite(r["high"]).all():
        return size
    area = say(
        "a hole of more than {} mm² for each m³ of gas would have shown ({}); {}",
        *(each(r["per_gas_high"], ".2g"), coefficient(r), _NO_TANK),
    )
    neither = f"how small a hole would have shown is not known: {_NO_TANK}"
    return where_known(size, where_known(area, neither))


def leak(r: Readings) -> Text:
    """Say that a system leaks, and through how large a hole."""
    fill = _any_fill(r, r["diameter"])
    return say(
        "{}; {}, faster than vapor alone: {}{}{}.", _draw(r), _bleed(r), hole(r), fill, _fell_before(r)
    )


def gross_leak(r: Readings) -> Text:
    """Say that a system stands open, or nearly so, and how large the hole is at the least."""
    # That a gross leak is no pinhole tells nobody anything.
    low = np.where(r["gross_low"] >= HOLDS_MM, _tenth(r["gross_low"], np.floor), np.nan)
    least = where_known(say("; the hole is larger than {} mm ({})", fixed(low, 1), coefficient(r)))
    settled_low, settled_high = _tenth(r["settled_low"], np.floor), _tenth(r["settled_high"], np.ceil)
    bounds = where_known(say("{} to {} mm; ", fixed(settled_low, 1), fixed(settled_high, 1)))
    settled = say(
        "; by this model's usual purge flow the vacuum settled as through {} mm ({}{})",
        *(fixed(r["settled"], 1), bounds, coefficient(r)),
    )
    # A draw that was no usual one tells no size: the time in which its vacuum went tells a larger one.
    is_usual = ~(r["settled_high"] < r["gross_low"])
    return say(
        "{}: a leak too large for a decay, or a vent path that stays open{}{}{}.",
        *(_how_it_went(r), least, _any_fill(r, low), choose((is_usual, where_known(settled)))),
    )


def _how_it_went(r: Readings) -> Text:
    depth, gone_s = r["depth"], r["gone_s"]
    reached = choose(
        (~(depth <= _MUCH_PA), say("Purge pulled {}", of_vacuum(depth))),
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
        within(let_go_s),
    )
    return choose(
        (r["is_pressure_test"], outran),
        (
            depth < NOTHING_PA,
            say(
                "With the purge open hardly any vacuum built{}, and the shut tank did not creep as a tight one does",
                within(r["draw_s"]),
            ),
        ),
        otherwise=where_known(
            say("{}; most of it was gone {} after the purge shut", reached, seconds(seen)),
            say("{}, and it was gone when the purge shut", reached),
        ),
    )


def _draw(r: Readings) -> Text:
    least = choose((r["is_at_end"] & isfinite(r["depth"]), "at least "))
    drawn = say("Purge pulled {}{}{}{}", least, of_vacuum(r["depth"]), within(r["draw_s"]), _lost(r))
    if not r["is_pressure_test"].any():
        return drawn
    how_much = where_known(say("{} of pressure", pressures(_begun_at(r))), "pressure")
    return choose((r["is_pressure_test"], say("The system was put under {}", how_much)), otherwise=drawn)


def _lost(r: Readings) -> Text:
    """Say where the draw may have been over long before the next sample."""
    is_lost = r["lost_s"] > np.fmax(LOST_S, LOST_TIMES * r["interval_s"])
    missing = where_known(say(" or less (samples of {} are missing)", seconds(r["lost_s"])))
    return choose((is_lost & isfinite(r["draw_s"]), missing))


def _begun_at(r: Readings) -> Floats:
    """Return the pressure at which the hold began [Pa]: of a system that was filled, when the source was closed."""
    is_told = r["is_pressure_test"] & isfinite(r["put_under"])
    return np.select([is_told], [r["put_under"]], r["hold_start_above"])


def _bleed(r: Readings) -> Text:
    # A valve that shuts late draws on in the hold: from the greatest vacuum on the pressure rose.
    drawn_to = np.where(r["is_pressure_test"], np.nan, r["draw_before"] - r["depth"] - r["zero"])
    change = r["hold_last_above"] - np.fmin(_begun_at(r), drawn_to)
    return choose(
        (
            isfinite(r["gone_s"]) & (r["gone_s"] < 0.8 * r["hold_s"]) & ~r["is_pressure_test"],
            say("with vent and purge shut four fifths of it were gone after {}", seconds(r["gone_s"])),
        ),
        otherwise=where_known(
            say(
                "with vent and purge shut the pressure {} by {} Pa{}{}",
                choose((change >= 0, "rose"), otherwise="fell"),
                *(rounded(np.abs(change)), within(r["hold_s"]), _why_it_rose(r, change)),
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


def hole(r: Readings) -> Text:
    """Say how large the leak is: as a hole, or over the gas where the tank's size is not known."""
    size = say("a hole of about {} mm ({}; {})", fixed(r["diameter"], 2), _bounds(r), coefficient(r))
    area = say(
        "a leak of {} mm² for each m³ of gas ({}; {}); {}",
        *(fixed(r["per_gas"], 1), _area_bounds(r), coefficient(r), _NO_TANK),
    )
    return where_known(size, where_known(area, f"a leak; {_NO_TANK}"))


def _bounds(r: Readings) -> Text:
    to = say("{} to {} mm at {}", fixed(r["low"], 2), fixed(r["high"], 2), f"{r['level']:.0%}")
    return where_known(to, "no interval")


def _area_bounds(r: Readings) -> Text:
    to = say("{} to {} at {}", fixed(r["per_gas_low"], 1), fixed(r["per_gas_high"], 1), f"{r['level']:.0%}")
    return where_known(to, "no interval")


def coefficient(r: Readings) -> str:
    """Say on which coefficient a size rests, which stands beside every one."""
    return f"discharge coefficient {r['discharge']:.2f}"


def _tenth(mm: Floats, outward: Callable[[Floats], Floats]) -> Floats:
    """Return the bounds of a size [mm] to a tenth, rounded outward."""
    return outward(np.round(10 * mm, 6)) / 10


def _any_fill(r: Readings, size: Floats) -> Text:
    return choose(
        (r["is_level_known"] | ~isfinite(size), ""),
        (
            r["is_by_purge"],
            "; fuel level not known: how fast the draw took hold, at this model's usual purge flow, stands for it",
        ),
        otherwise="; fuel level not known, so anything from nearly empty to nearly full was allowed",
    )


def _fell_before(r: Readings) -> Text:
    """Say that the shut tank fell before the draw, for which a leak is no reason."""
    fell = say("; {}: its gas cooled, or vacuum passes the purge valve as well", how_shut_fell(r))
    return choose((shut_fell(r, 3.0) & ~r["is_pressure_test"], where_known(fell)))


def how_shut_fell(r: Readings) -> Text:
    """Say how fast the shut tank fell before the draw."""
    return say("before the draw the shut tank fell at {} Pa/s", fixed(np.abs(r["closed_rate"]), 1))


def shut_fell(r: Readings, sds: float) -> Flags:
    """Say where the shut tank fell before the draw, by so many standard errors faster than fuel that cools."""
    with np.errstate(invalid="ignore"):
        faster = r["closed_rate"] + sds * r["closed_rate_sd"] < -FALLS_PA_S
    return faster & (r["closed_change"] < -CLOSED_FALLS_PA)
