"""Whether one model year, or one fleet, of a model fails more than the rest of it: a section of the fleet page."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.tables import FAILURE_SPLIT
from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Finding, Grid, Picture, Section, choice, table
from reports.pages.parts import key_of, names_of, surest_first
from reports.pages.run import Run

#: Groups may be looked at for so many parts of models, those with the smallest q first.
MAX_CHOICES = 60
MAX_FINDINGS = 6

COMPARED = (
    "Each group is compared with the other groups of the same model, year of age by year of age, since vehicles of an"
    " older model year are older: expected are the failures that the others' rates at the same ages would give. Only"
    " ages at which both were in service tell. Failures that are comebacks on the same part are left out. A fleet is"
    " also compared over all models together, each within itself."
)

TESTED = (
    "Ratio by conditional maximum likelihood, the same at all ages (N. Breslow and N. Day, Statistical Methods in"
    " Cancer Research II, 1987); test and interval are the exact ones of the binomial with as many failures and the"
    " same mean, which scatters no less (W. Hoeffding, Annals of Mathematical Statistics 27, 1956). Then"
    " Benjamini-Hochberg over all model years, over all fleets of a model, and over all fleets across models: q below"
    " 0.05 and more than expected stands out."
)

#: What a group that stands apart may be, which the records cannot tell.
MAY_BE = {
    "model_year": "Where a model year fails more, it may be a batch of parts, or a change in how the model was built.",
    "fleet": "Where a fleet fails more, it may be its region (salt, heat), its use, or how its vehicles are repaired.",
}


def split(rows: pl.DataFrame, run: Run) -> Section:
    question = "Does one model year, or one fleet, fail more than the rest of its model?"
    every = [with_words(r) for r in rows.sort("by", "make", "model", "component", "group").to_dicts()]
    tested = [r for r in every if r["p_value"] is not None]
    if not tested:
        return Section(
            "split",
            question,
            ("Not known: no failure of a model with two model years, or fleets, of the same age.",),
            how=(COMPARED,),
        )
    found = standing_out(every)
    offered = smallest_q(tested)
    keys = {r["choice_key"] for r in offered}
    alt = "Failure rate of each model year, or fleet, for the chosen part and model, with intervals."
    return Section(
        "split",
        question,
        (answer(found, tested), *(MAY_BE[by] for by in MAY_BE if any(r["by"] == by for r in found))),
        notable=True,
        findings=tuple(Finding(sentence(r, run)) for r in found[:MAX_FINDINGS]),
        choices=(
            choice("choice_key", "Part and model", [(r["choice_key"], r["choice_text"]) for r in offered]),
        ),
        picture=Picture(
            draw_intervals(
                [dot(r, order) for order, r in enumerate(every) if r["choice_key"] in keys],
                x_title=words.axis_title(FAILURE_SPLIT, "rate_per_1000_vehicle_years"),
                description=alt,
                scale="sqrt",
                chosen={"choice_key": offered[0]["choice_key"]},
                count_title="failures",
            ),
            alt,
            f"Dot: rate as counted; line: {run.level_text} interval. Here age is not taken out; the verdict (marked) is"
            " age for age. Smallest q first.",
        ),
        grids=(split_grid(every, run),),
        how=(COMPARED, TESTED),
        left_out=(
            *without_group(every),
            "The year of the calendar: a model year meets the others at the same age, so in other years.",
            "A model year, or fleet, that is alone at its ages: nothing to compare it with.",
        ),
    )


def with_words(r: dict[str, Any]) -> dict[str, Any]:
    named = names_of(r)
    kind = "model years" if r["by"] == "model_year" else "fleets"
    return (
        r
        | named
        | {
            "group_text": f"{words.label(r['by'])} {r['group']}",
            "kind": kind,
            "choice_key": f"{r['by']} {key_of(r)}",
            "choice_text": f"{named['part']}: {named['name']}, by {words.label(r['by'])}",
        }
    )


def standing_out(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick the groups that fail more than the rest, the surest first."""
    return sorted(
        (r for r in rows if r["stands_out"]), key=lambda r: (r["q_value"], r["p_value"], r["choice_key"])
    )


def smallest_q(tested: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Offer each part of a model once, the one with the group of smallest q first."""
    ordered = sorted(tested, key=lambda r: (r["q_value"], r["p_value"], r["choice_key"]))
    first: dict[str, dict[str, Any]] = {}
    for r in ordered:
        first.setdefault(r["choice_key"], r)
    return list(first.values())[:MAX_CHOICES]


def answer(found: list[dict[str, Any]], tested: list[dict[str, Any]]) -> str:
    n_tested = words.plural(len(tested), "comparison")
    if not found:
        return f"Nothing stands out: none of {n_tested} of a part on one model year, or in one fleet, with the others."
    counted = [
        words.plural(n, noun)
        for by, noun in (("model_year", "model year"), ("fleet", "fleet"))
        if (n := sum(r["by"] == by for r in found))
    ]
    verb = "stands" if len(found) == 1 else "stand"
    return f"{len(found)} of {n_tested} {verb} out, each for one part: {words.listed(counted)}."


def sentence(r: dict[str, Any], run: Run) -> str:
    """Tell one group that stands out: counted, expected, how many times, and how sure."""
    of = "the other fleets, model by model" if r["is_pooled"] else f"its model's other {r['kind']}"
    bounds = words.interval(r["rate_ratio_low"], r["rate_ratio_high"])
    times = (
        f"{words.number(r['rate_ratio'], 2)} times as often ({run.level_text} interval {bounds})"
        if r["rate_ratio"] is not None
        else f"none came there ({run.level_text} interval of the ratio: {bounds})"
    )
    return (
        f"{r['name'][0].upper() + r['name'][1:]}, {r['group_text']}, {r['part']}:"
        f" {words.plural(r['n_failures_compared'], 'failure')} where {words.number(r['failures_expected'], 2)} would be"
        f" expected at the rate of {of}, age for age: {times}, q {words.chance(r['q_value'])};"
        f" {words.plural(r['n_vehicles'], 'vehicle')}."
    )


def without_group(rows: list[dict[str, Any]]) -> tuple[str, ...]:
    """Count the vehicles that name no fleet, which are on neither side."""
    fleets = [r for r in rows if r["by"] == "fleet"]
    if not fleets:
        return ("Fleets: no vehicle of a model that failed names its fleet.",)
    missing = {r["name"]: r["n_vehicles_left_out"] or 0 for r in fleets if not r["is_pooled"]}
    n = sum(missing.values())
    return (f"{words.plural(n, 'vehicle')} of these models without a fleet: on neither side.",) if n else ()


def dot(r: dict[str, Any], order: int) -> dict[str, Any]:
    return interval_dot(
        r["group_text"] + (" ◆ stands out" if r["stands_out"] else ""),
        order,
        (r[name] for name in ("rate_per_1000_vehicle_years", "low", "high")),
        f"{words.plural(r['n_failures'], 'failure')} in {words.number(r['vehicle_years'])} vehicle-years",
        mark="stands out" if r["stands_out"] else "",
        choice_key=r["choice_key"],
    )


def split_grid(rows: list[dict[str, Any]], run: Run) -> Grid:
    return table(
        f"Model years and fleets against the rest of their model, with {run.level_text} intervals",
        (
            ("Group", lambda r: cells.text(r["group_text"], bool(r["stands_out"]))),
            ("Part", lambda r: cells.text(r["part"])),
            ("Model", lambda r: cells.text(r["name"])),
            ("Failures compared", lambda r: cells.count(r["n_failures_compared"])),
            ("Expected", lambda r: cells.number(r["failures_expected"], 2)),
            ("Times the others", cells.rate_ratio),
            ("q", lambda r: cells.chance(r["q_value"])),
            ("p", lambda r: cells.chance(r["p_value"])),
            ("All failures", lambda r: cells.count(r["n_failures"])),
            (
                "Per 1000 vehicle-years",
                lambda r: cells.bounded(r["rate_per_1000_vehicle_years"], r["low"], r["high"]),
            ),
            ("Vehicles", lambda r: cells.count(r["n_vehicles"])),
            ("Vehicle-years", lambda r: cells.number(r["vehicle_years"])),
        ),
        surest_first(rows),
        "mart.failure_split",
        n_text_columns=3,
    )
