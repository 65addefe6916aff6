"""Whether it comes back on the same vehicle: a section of the shops page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.contract.vocabulary import DAYS_PER_YEAR
from reports import words
from reports.charts.recurrence import draw_recurrence
from reports.pages import cells
from reports.pages.page import Grid, Picture, Row, Section, choice, grid
from reports.pages.parts import names_of, options_of
from reports.pages.repeats import most_repeated, repeat_grid, repeat_sentence
from reports.pages.run import Run

#: Curves may be chosen for so many groups, all models together first, then those with the most failures.
MAX_CURVES = 120

HOW = (
    "Mean cumulative number of failures per vehicle by its age, vehicles that entered late or left counted for the"
    " time they were seen; bounds from the robust variance, which allows for vehicles that differ (J. Lawless and C."
    " Nadeau, Technometrics 37, 1995; W. Nelson, Technometrics 37, 1995). There are none from the first failure on at"
    " which one vehicle alone was under observation: it shows no spread.",
)


def recurrence(curve: pl.DataFrame, repeated: pl.DataFrame, run: Run, files: Mapping[str, str]) -> Section:
    """Name the vehicles on which a part failed three times or more, and show how often it does by age.

    files : the page of each job that has one, by its job_id.
    """
    question = "Does it come back on the same vehicle?"
    rows = [with_words(r) for r in curve.sort("make", "model", "component", "age_days").to_dicts()]
    if not rows:
        return Section("recurrence", question, ("Not known: no vehicle in service had a failure.",), how=HOW)
    repeats = most_repeated(repeated)
    last = list({r["group_key"]: r for r in rows}.values())
    offered = sorted(last, key=lambda r: (not r["is_pooled"], -(r["n_failures"] or 0)))[:MAX_CURVES]
    keys = {r["group_key"] for r in offered}
    first = offered[0]["group_key"]
    alt = "Mean number of failures per vehicle up to an age, for the chosen part, with bounds."
    chart = draw_recurrence(
        [
            {
                k: v
                for k, v in r.items()
                if k not in ("make", "model", "component", "is_pooled", "name", "part", "age_days")
            }
            for r in rows
            if r["group_key"] in keys
        ],
        "age of the vehicle [years]",
        "failures per vehicle up to that age",
        alt,
        first,
    )
    return Section(
        "recurrence",
        question,
        (
            repeat_sentence(repeats),
            "A vehicle that lived through all ages of the curve would have this many failures of the part:"
            f" {words.listed(sentence(r) for r in offered[:3])}.",
            "A curve that bends upward means more and more failures with age, whatever repairs were made.",
        ),
        choices=(choice("group_key", "Part", options_of(offered), first),),
        picture=Picture(chart, alt, f"Steps: mean per vehicle; band: {run.level_text} bounds."),
        grids=(repeat_grid(repeats, files), recurrence_grid(last, run)),
        how=HOW,
        left_out=(
            "Failures before a vehicle went into service or after it left.",
            "Who repaired it: a comeback counts as a failure here, whatever its cause.",
        ),
    )


def with_words(r: dict[str, Any]) -> dict[str, Any]:
    years = None if r["age_days"] is None else r["age_days"] / DAYS_PER_YEAR
    return (
        r
        | names_of(r)
        | {
            "age_years": years,
            "age_text": f"{words.number(years)} years",
            "value_text": words.number(r["failures_per_vehicle"]),
            "interval_text": words.interval(r["low"], r["high"]),
            "count_text": (
                f"{words.plural(r['n_failures'], 'failure')} so far, {words.count(r['n_at_risk'])} vehicles of that age"
            ),
        }
    )


def sentence(r: dict[str, Any]) -> str:
    return (
        f"{r['part']} {r['value_text']} ({r['interval_text']}; {words.plural(r['n_failures'], 'failure')},"
        f" up to {r['age_text']})"
    )


def recurrence_grid(last: list[dict[str, Any]], run: Run) -> Grid:
    lines = (
        Row(
            (
                cells.text(r["part"]),
                cells.text(r["name"]),
                cells.count(r["n_failures"]),
                cells.number(r["age_years"]),
                cells.bounded(r["failures_per_vehicle"], r["low"], r["high"]),
            )
        )
        for r in sorted(last, key=lambda r: (not r["is_pooled"], -(r["failures_per_vehicle"] or 0)))
    )
    return grid(
        f"Failures per vehicle up to the greatest age seen, with {run.level_text} intervals",
        ("Part", "Model", "Failures", "Up to age, years", "Failures per vehicle"),
        lines,
        "mart.recurrence",
        n_text_columns=2,
    )
