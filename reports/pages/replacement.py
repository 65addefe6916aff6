"""Whether replaced parts fail sooner than first ones: a section of the fleet page."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Cell, Finding, Grid, Picture, Section, table
from reports.pages.parts import names_of, surest_first
from reports.pages.run import Run

MAX_SHOWN = 25
#: The interval of fewer failures is so wide that it would leave the others no room.
LEAST_DRAWN = 5
MAX_FINDINGS = 6

COMPARED = (
    "A first unit came with its vehicle; a replacement is one that a recorded repair put in. Both are compared year of"
    " age by year of age of the unit, under observation as in the lives above: failures within the follow-up window"
    " after a repair of the same part count on neither side. Expected: failures of replacements at the rate of first"
    " units of the same age. Ratio, interval and test as for model years and fleets; Benjamini-Hochberg over all rows."
)

MAY_BE = (
    "It may be the spare part or how it is fitted; it may also be the vehicle: one that lost a part once may be hard on"
    " parts, or have a fault that was not the part."
)


def replacements(rows: pl.DataFrame, run: Run) -> Section:
    question = "Do replaced parts fail sooner than first ones?"
    every = [r | names_of(r) for r in rows.sort("make", "model", "component").to_dicts()]
    tested = by_smallest_q(rows)
    if not tested:
        return Section(
            "replacements",
            question,
            ("Not known: no failure at an age at which both were seen.",),
            how=(COMPARED,),
        )
    found = [r for r in tested if r["stands_out"]]
    shown = [
        r for r in tested if r["rate_ratio"] is not None and (r["n_failures_compared"] or 0) >= LEAST_DRAWN
    ]
    shown = shown[:MAX_SHOWN]
    alt = "Times as often as first units of the same age that replacements fail, with intervals."
    return Section(
        "replacements",
        question,
        (answer(found, tested), *([MAY_BE] if found else [])),
        notable=True,
        findings=tuple(Finding(sentence(r, run)) for r in found[:MAX_FINDINGS]),
        picture=Picture(
            draw_intervals(
                [dot(r, order) for order, r in enumerate(shown)],
                x_title="times as often as first units",
                description=alt,
                scale="sqrt",
                count_title="failures",
            ),
            alt,
            f"Dot: times as often as first units of the same age; line: {run.level_text} interval, dashed where it has"
            f" no upper end. Drawn: parts with {LEAST_DRAWN} failures compared or more,"
            " smallest q first.",
        )
        if shown
        else None,
        grids=(replacement_grid(every, run),),
        how=(COMPARED,),
        left_out=(
            "Replacements before the records began: such a unit passes for the first one.",
            "Who made the new part: records do not tell.",
        ),
    )


def by_smallest_q(rows: pl.DataFrame) -> list[dict[str, Any]]:
    """Return the parts of models that could be compared, the smallest q first."""
    tested = (r | names_of(r) for r in rows.filter(pl.col("p_value").is_not_null()).to_dicts())
    return sorted(tested, key=lambda r: (r["q_value"], r["group_key"]))


def answer(found: list[dict[str, Any]], tested: list[dict[str, Any]]) -> str:
    parts = f"{words.plural(len(tested), 'part')} of models that could be compared"
    if not found:
        return (
            f"Not that it shows: of {parts} no replacement fails more often than first units of the same age."
        )
    verb = "does" if len(found) == 1 else "do"
    return f"{len(found)} of {parts} {verb}."


def sentence(r: dict[str, Any], run: Run) -> str:
    bounds = words.interval(r["rate_ratio_low"], r["rate_ratio_high"], words.two_digits)
    times = (
        f"{words.two_digits(r['rate_ratio'])} times as often ({run.level_text} interval {bounds})"
        if r["rate_ratio"] is not None
        else f"no first unit did ({run.level_text} interval of the ratio: {bounds})"
    )
    return (
        f"{r['name']}, {r['part']}: units that replaced one failed {words.count(r['n_failures_compared'])} times where"
        f" {words.two_digits(r['failures_expected'])} would be expected of first units of the same age: {times},"
        f" q {words.chance(r['q_value'])}."
    )


def dot(r: dict[str, Any], order: int) -> dict[str, Any]:
    return interval_dot(
        f"{r['part']}: {r['name']}" + (" ◆" if r["stands_out"] else ""),
        order,
        (r[name] for name in ("rate_ratio", "rate_ratio_low", "rate_ratio_high")),
        f"{words.plural(r['n_failures_compared'], 'failure')}, {words.two_digits(r['failures_expected'])} expected",
        mark="stands out" if r["stands_out"] else "",
    )


def replacement_grid(rows: list[dict[str, Any]], run: Run) -> Grid:
    def rate(r: dict[str, Any], of: str) -> Cell:
        return cells.bounded(*(r[f"rate_{of}{end}"] for end in ("", "_low", "_high")))

    return table(
        f"Replacements against first units, with {run.level_text} intervals",
        (
            ("Part", lambda r: cells.text(r["part"], bool(r["stands_out"]))),
            ("Model", lambda r: cells.text(r["name"])),
            ("Compared", lambda r: cells.count(r["n_failures_compared"])),
            ("Expected", lambda r: cells.number(r["failures_expected"], 2)),
            ("Times", cells.rate_ratio),
            ("q", lambda r: cells.chance(r["q_value"])),
            ("Replacements: failures", lambda r: cells.count(r["n_failures_replacement"])),
            ("Per 1000 unit-years", lambda r: rate(r, "replacement")),
            ("First units: failures", lambda r: cells.count(r["n_failures_first"])),
            ("Per 1000 unit-years", lambda r: rate(r, "first")),
        ),
        surest_first(rows),
        "mart.replacement_unit",
        n_text_columns=2,
    )
