"""Whether what a source writes can be what it says, its vent commands and its pressures: sections of the data page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.contract.source_limits import (
    DRAWS_S,
    FAR_PA,
    FAR_SHARE,
    LEAST_TOLD,
    LEAST_VEHICLES,
    MOST_TIMES,
    SMALL_PA,
    UNDER_OPEN_VENT_N,
    UNDER_OPEN_VENT_SHARE,
    USUAL_PA,
)
from reports import words
from reports.pages import cells
from reports.pages.page import Cell, Finding, Row, Section, grid

#: Limits as words; another limit needs its own.
_SPELLED = {0.5: "half", 0.75: "three quarters", 3: "three", 5: "five", 8: "eight"}


@dataclass(frozen=True)
class Check:
    """One thing that is asked of every source: the section's id and question, the mart and its flag of doubt, why
    nothing of a doubted source is judged, its columns as (head, name, how its number is written), what is said of a
    doubted source, and how it is found out."""

    id: str
    question: str
    mart: str
    flag: str
    reason: str
    caption: str
    columns: tuple[tuple[str, str, Callable[[Any], str]], ...]
    said: Callable[[dict[str, Any]], str]
    how: str


VENT = Check(
    "vent_commands",
    "Do the vent commands agree with what the tanks did?",
    "mart.source_vent",
    "is_vent_doubted",
    "its vent commands cannot be what they say",
    "Vent commands by source",
    (
        ("Recordings that tell", "n_told", words.count),
        ("With vacuum under an open vent", "n_vacuum_under_open_vent", words.count),
    ),
    lambda r: (
        f"in {words.count(r['n_vacuum_under_open_vent'])} of {words.plural(r['n_told'], 'recording')} vacuum came while"
        " the vent was commanded open throughout. The command is the wrong way round, or not recorded: declare which"
        " word means shut, under [samples.values.is_vent_closed] of its source.toml, or export the command."
    ),
    "A recording tells where a draw followed a vent that was commanded shut, or purge flowed through an open one. One"
    " with vacuum under the open vent shows a restricted vent path; a source in which at least"
    f" {_SPELLED[UNDER_OPEN_VENT_N]} do, and {_SPELLED[UNDER_OPEN_VENT_SHARE]} of those that tell,"
    " has a command that cannot be what it says.",
)
PRESSURE = Check(
    "pressure_units",
    "Are the pressures in the unit that they are read in?",
    "mart.source_pressure",
    "is_pressure_doubted",
    "its pressures are in another unit",
    "Pressures by source",
    (
        ("Recordings with a draw", "n_drawn", words.count),
        ("Vehicles", "n_vehicles", words.count),
        ("Largest span of one, Pa", "greatest_span_pa", words.number),
        ("Of models drawn elsewhere too", "n_compared", words.count),
        ("Their span, times that elsewhere", "span_ratio", words.number),
        ("Their speed, times that elsewhere", "rate_ratio", words.number),
    ),
    lambda r: (
        f"{words.plural(r['n_drawn'], 'draw')} of {words.plural(r['n_vehicles'], 'vehicle')}, and the largest moved the"
        f" pressure by {words.number(r['greatest_span_pa'], 2)} Pa"
        + (
            f"; {words.count(r['n_compared'])} of them, of models that other sources draw down too, moved it"
            f" {words.number(r['span_ratio'], 2)} times as far and {words.number(r['rate_ratio'], 2)} times as fast as"
            " there"
            if r["n_compared"]
            else ""
        )
        + ". Draws move it by kilopascals: declare the unit in which tank_pressure comes, under [samples.units] of its"
        " source.toml."
    ),
    f"Of a source with at least {_SPELLED[LEAST_TOLD]} draws of {_SPELLED[LEAST_VEHICLES]} vehicles, each of"
    f" {DRAWS_S:.0f} s or more behind a shut vent while the engine ran, one must find vacuum. Where all of them move"
    f" the pressure by less than {SMALL_PA:.0f} Pa, it is in another unit: a"
    " purge valve that stays shut, or a cap that is off, is one vehicle's. So it is where"
    f" {_SPELLED[LEAST_TOLD]} such draws of {_SPELLED[LEAST_VEHICLES]} vehicles move it more than {MOST_TIMES:g} times"
    f" as far and as fast as the draws of the same models in other sources do, or less than 1/{MOST_TIMES:g} (upper"
    " quartile of the spans, median of the speeds); of two sources that disagree so, the one whose spans are farther"
    f" from {USUAL_PA:.0f} Pa is not believed.",
)
ZERO = Check(
    "vented_zero",
    "Do open tanks read the pressure of the air?",
    "mart.source_zero",
    "is_zero_doubted",
    "its open tanks do not read the pressure of the air",
    "Readings with the vent open, by source",
    (
        ("Recordings that tell", "n_told", words.count),
        ("Vehicles", "n_vehicles", words.count),
        ("Median reading, Pa", "median_zero_pa", words.number),
        ("Far off on one side", "n_far_off", words.count),
    ),
    lambda r: (
        f"{words.count(r['n_far_off'])} of {words.plural(r['n_told'], 'recording')} of"
        f" {words.plural(r['n_vehicles'], 'vehicle')} read more than {FAR_PA:.0f} Pa off zero with the vent open, on"
        f" the same side (median {words.number(r['median_zero_pa'])} Pa). A barometer that is reduced to sea level is"
        " off by 12 Pa for each meter of height: export the pressure of the air at the shop, or declare the unit of"
        " tank_pressure under [samples.units] of its source.toml."
    ),
    "With the vent open a tank has the pressure of the air, and sensors that read off do so by some hundreds of"
    f" pascals, one vehicle here and there. Where {_SPELLED[FAR_SHARE]} of at least {_SPELLED[LEAST_TOLD]} recordings"
    f" of {_SPELLED[LEAST_VEHICLES]} vehicles read more than {FAR_PA:.0f} Pa off on the same side, the source's"
    " barometer or unit is wrong, and with it the air that its leaks drew.",
)
CHECKS = (VENT, PRESSURE, ZERO)


def checked(check: Check, read: Callable[[str], pl.DataFrame]) -> Section:
    """Make the section of one check."""
    sources = read(check.mart)
    if sources.is_empty():
        return Section(check.id, check.question, ("Not known: no recording tells it.",))
    rows = sources.sort("source_id").to_dicts()
    doubted = [r for r in rows if r[check.flag]]
    answer = (
        f"Not in {len(doubted)} of {words.plural(len(rows), 'source')}, whose tests are not judged."
        if doubted
        else "In every source as far as its recordings tell."
    )
    lines = (
        Row(
            (
                cells.text(r["source_id"] or words.MISSING),
                *(Cell(write(r[name]), r[name]) for _, name, write in check.columns),
                cells.text("no" if r[check.flag] else "yes"),
            )
        )
        for r in rows
    )
    heads = ("Source", *(head for head, _, _ in check.columns), "Believed")
    return Section(
        check.id,
        check.question,
        (answer,),
        findings=tuple(Finding(f"{r['source_id']}: {check.said(r)}") for r in doubted),
        grids=(grid(check.caption, heads, lines, check.mart),),
        how=(check.how,),
    )


def unjudged(read: Callable[[str], pl.DataFrame]) -> tuple[Finding, ...]:
    """Name the sources of which no test is judged, since what they write cannot be so."""
    return tuple(
        Finding(
            f"No test of {source_id} is judged: {check.reason}.",
            f"data.html#{check.id}",
            "See what to declare",
        )
        for check in CHECKS
        for source_id in read(check.mart).filter(check.flag)["source_id"].sort()
    )
