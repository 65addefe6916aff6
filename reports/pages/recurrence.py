"""Whether it comes back on the same vehicle: a section of the shops page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.contract.vocabulary import DAYS_PER_YEAR
from reports import words
from reports.charts.recurrence import draw_recurrence
from reports.pages import cells
from reports.pages.page import Grid, Picture, Section, choice, table
from reports.pages.parts import names_of, options_of
from reports.pages.repeats import most_repeated, repeat_grid, repeat_sentence
from reports.pages.run import Run

#: Curves may be chosen for so many groups, all models together first, then those with the most failures.
MAX_CURVES = 120
#: Columns of a row that no chart needs.
UNDRAWN = (
    "make",
    "model",
    "component",
    "is_pooled",
    "name",
    "part",
    "age_days",
    "read_to_days",
    "read_to_years",
)

HOW = (
    "Mean cumulative number of failures per vehicle by its age, vehicles that entered late or left counted for the"
    " time they were seen; bounds from the robust variance, which allows for vehicles that differ (J. Lawless and C."
    " Nadeau, Technometrics 37, 1995; W. Nelson, Technometrics 37, 1995). There are none from the first failure on at"
    " which one vehicle alone was under observation: it shows no spread.",
    "Where few vehicles are left a failure more or less moves the curve by much. It is read at the greatest age at"
    " which a tenth of the vehicles, and ten at least, were under observation: one age for all parts of a model, so"
    " that they can be compared.",
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
    last = [of[-1] for of in by_group(rows).values()]
    offered = sorted(last, key=lambda r: (not r["is_pooled"], -(r["n_failures"] or 0)))[:MAX_CURVES]
    read = [read_off(of) for of in by_group(rows).values()]
    keys = {r["group_key"] for r in offered}
    first = offered[0]["group_key"]
    alt = "Mean number of failures per vehicle up to an age, for the chosen part, with bounds."
    chart = draw_recurrence(
        [{k: v for k, v in r.items() if k not in UNDRAWN} for r in rows if r["group_key"] in keys],
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
            how_many([r for r in read if r["is_pooled"]]),
            "A curve that bends upward means more and more failures with age, whatever repairs were made.",
        ),
        choices=(choice("group_key", "Part", options_of(offered), first),),
        picture=Picture(
            chart,
            alt,
            f"Steps: mean per vehicle; band: {run.level_text} bounds. The thin line alone: ages at which fewer than a"
            " tenth of the vehicles, or fewer than ten, were under observation.",
        ),
        grids=(repeat_grid(repeats, files), recurrence_grid(read, run)),
        how=HOW,
        left_out=(
            "Failures before a vehicle went into service or after it left.",
            "Who repaired it: a comeback counts as a failure here, whatever its cause.",
        ),
    )


def by_group(rows: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Part the rows by component and model, each part in the order of age."""
    found: dict[str, list[dict[str, Any]]] = {}
    for r in rows:
        found.setdefault(r["group_key"], []).append(r)
    return found


def read_off(curve: list[dict[str, Any]]) -> dict[str, Any]:
    """Read a curve where enough vehicles are left: its last failure up to that age, none where there was none yet."""
    before = [r for r in curve if r["is_read"]]
    if before:
        return before[-1]
    is_known = curve[-1]["read_to_days"] is not None
    nothing = {"n_failures": 0, "failures_per_vehicle": 0.0} if is_known else {"failures_per_vehicle": None}
    return curve[-1] | nothing | {"low": None, "high": None}


def with_words(r: dict[str, Any]) -> dict[str, Any]:
    years = in_years(r["age_days"])
    return (
        r
        | names_of(r)
        | {
            "age_years": years,
            "read_to_years": in_years(r["read_to_days"]),
            "is_read": None not in (r["age_days"], r["read_to_days"]) and r["age_days"] <= r["read_to_days"],
            "age_text": f"{words.number(years)} years",
            "value_text": words.number(r["failures_per_vehicle"]),
            "interval_text": words.interval(r["low"], r["high"]),
            "count_text": (
                f"{words.plural(r['n_failures'], 'failure')} so far, {words.count(r['n_at_risk'])} vehicles of that age"
            ),
        }
    )


def in_years(days: int | None) -> float | None:
    return None if days is None else days / DAYS_PER_YEAR


def how_many(pooled: list[dict[str, Any]]) -> str:
    """Say how often the parts that fail most have failed on a vehicle by one age, all models together."""
    known = [r for r in pooled if r["failures_per_vehicle"] is not None and r["read_to_years"] is not None]
    if not known:
        return "How often by what age is not told: at no age were ten vehicles under observation."
    most = sorted(known, key=lambda r: -r["n_failures"])[:3]
    age = words.number(most[0]["read_to_years"])
    return (
        f"By the age of {age} years, the greatest of which enough vehicles were followed, a vehicle has had this"
        f" many failures of the part: {words.listed(sentence(r) for r in most)}."
    )


def sentence(r: dict[str, Any]) -> str:
    bounds = words.interval(r["low"], r["high"])
    n = words.plural(r["n_failures"], "failure")
    return f"{r['part']} {words.number(r['failures_per_vehicle'])} ({bounds}; {n})"


def recurrence_grid(read: list[dict[str, Any]], run: Run) -> Grid:
    return table(
        f"Failures per vehicle up to the age at which enough vehicles were followed, with {run.level_text} intervals",
        (
            ("Part", lambda r: cells.text(r["part"])),
            ("Model", lambda r: cells.text(r["name"])),
            ("Failures", lambda r: cells.count(r["n_failures"])),
            ("Up to age, years", lambda r: cells.number(r["read_to_years"])),
            ("Failures per vehicle", lambda r: cells.bounded(r["failures_per_vehicle"], r["low"], r["high"])),
        ),
        sorted(read, key=lambda r: (not r["is_pooled"], -(r["failures_per_vehicle"] or 0))),
        "mart.recurrence",
        n_text_columns=2,
    )
