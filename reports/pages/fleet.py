"""For the fleet maintenance manager: which parts of which models fail, how often, against whom."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from reports import words
from reports.charts.rates import draw_recurrence_map
from reports.pages.alarms import something_new
from reports.pages.due import due
from reports.pages.exposure import EXPOSURE, GARWOOD, distance, exposure, nothing
from reports.pages.fleet_rows import (
    MAX_CHOICES,
    chosen_rate_grid,
    dots,
    rate_caption,
    rate_chart,
    rate_grid,
    shown_note,
    top_models,
    with_words,
)
from reports.pages.life import lives_with_words, wear
from reports.pages.page import Finding, Page, Picture, Section, choice
from reports.pages.replacement import replacements
from reports.pages.run import Run
from reports.pages.split import split
from reports.pages.stock import stock

FAILURE = (
    "A failure is a repair (an action other than none on a named component) opened inside the window, counted"
    " once per job and component. A comeback on the same component counts as a failure and is flagged."
)

SHRUNK = (
    "Shrunk rate: gamma-Poisson empirical Bayes over the models of one component (D. P. Gaver and I. G."
    " O'Muircheartaigh, Technometrics 29, 1987): few failures pull a model toward the others."
)

TESTED = (
    "Recurring: exact conditional binomial test of the model against all other models for that component, then"
    " Benjamini-Hochberg (J. R. Stat. Soc. B 57, 1995) over every model and component; q below 0.05 and a rate"
    " above the rest. Comebacks come in the wake of a failure, so that counts with them scatter more than the test"
    " supposes: it is made again without them, and a pair is called recurring here only if it stands out both times."
)


def make_page(read: Callable[[str], pl.DataFrame], run: Run) -> Page:
    """Make the fleet page from the marts on failures and lives, and `mart.vehicle_due`."""
    rates = with_words(read("mart.failure_rate"))
    lives = lives_with_words(read("mart.component_life"))
    sections = (
        recurring(rates, run),
        split(read("mart.failure_split"), run),
        something_new(read("mart.alarms")),
        by_model(rates, run),
        by_component(rates, run),
        wear(lives, read("mart.component_life_curve"), run),
        replacements(read("mart.replacement_unit"), run),
        stock(lives, run),
        exposure(rates),
        distance(rates, run),
        due(read("mart.vehicle_due"), run),
    )
    lead = (
        f"Failures by model and component, repairs opened {run.window_text}. Bounds are {run.level_text} intervals.",
    )
    return Page(
        "fleet.html",
        "Fleet",
        "What fails, and on which models",
        "For the fleet maintenance manager",
        lead,
        sections,
    )


def recurring(rates: list[dict[str, Any]], run: Run) -> Section:
    question = "Which parts fail more often on one model than on the others?"
    if not rates:
        return Section("recurring", question, (nothing(),), how=(FAILURE,))
    tested = [r for r in rates if r["q_value"] is not None]
    found = standing_out(rates)
    return Section(
        "recurring",
        question,
        (recurring_answer(found, len(tested)), *coming_back([r for r in tested if r["only_with_comebacks"]])),
        notable=True,
        findings=tuple(Finding(recurring_sentence(r, run)) for r in found[:6]),
        picture=recurrence_picture(rates),
        grids=(rate_grid(rates, run),),
        how=(FAILURE, EXPOSURE, TESTED, GARWOOD),
        left_out=(
            "A part that never failed on any model in the window has no row.",
            "A recurring pair says that the model differs from the rest, not why: use, age and climate may differ too.",
        ),
    )


def standing_out(rates: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick the recurring pairs, the surest first."""
    return sorted((r for r in rates if r["flag"]), key=lambda r: (r["q_value"], -r["n_failures"]))


def recurring_answer(found: list[dict[str, Any]], n_tested: int) -> str:
    if not found:
        return (
            f"Nothing stands out: none of {words.plural(n_tested, 'pair')} of model and component"
            " that could be tested."
        )
    verb = "fails" if len(found) == 1 else "fail"
    pairs = words.plural(len(found), "pair")
    return (
        f"{pairs} of model and component {verb} more often than the rest of the fleet, of"
        f" {words.count(n_tested)} tested."
    )


def recurring_sentence(row: dict[str, Any], run: Run) -> str:
    bounds = words.interval(row["low"], row["high"])
    return (
        f"{row['name']}, {row['part']}: {row['count_text']}, that is {words.number(row['rate_per_1000_vehicle_years'])}"
        f" per 1000 vehicle-years ({run.level_text} interval {bounds}),"
        f" {words.number(row['rate_ratio'], 2)} times the rest"
        f" (q {words.chance(row['q_value'])}).{comebacks_among(row)}"
    )


def comebacks_among(row: dict[str, Any]) -> str:
    """Say how many of the failures of a recurring pair are comebacks."""
    if not row["n_comebacks"]:
        return ""
    return (
        f" Comebacks among them: {words.count(row['n_comebacks'])}; without these it still stands out"
        f" (q {words.chance(row['q_value_without_comebacks'])})."
    )


def coming_back(pairs: list[dict[str, Any]]) -> tuple[str, ...]:
    """Name the pairs that stand out by their comebacks alone: there the repair is to be looked at, not the part."""
    if not pairs:
        return ()
    named = "; ".join(
        f"{r['name']}, {r['part']}: {words.count(r['n_comebacks'])} of {words.plural(r['n_failures'], 'failure')}"
        f" are comebacks (q {words.chance(r['q_value_without_comebacks'])} without them)"
        for r in sorted(pairs, key=lambda r: (r["q_value"], r["name"], r["part"]))[:6]
    )
    more = " The table holds the others." if len(pairs) > 6 else ""
    return (
        f"{words.plural(len(pairs), 'pair')} {'stands' if len(pairs) == 1 else 'stand'} out only with comebacks"
        f" counted; look at how the repair is done before the part: {named}.{more}",
    )


def recurrence_picture(rates: list[dict[str, Any]]) -> Picture:
    shown = set(top_models(rates))
    rows = [
        {
            "model": r["name"],
            "component": r["part"],
            "n_failures": r["n_failures"],
            "mark": "recurring" if r["flag"] else "not recurring",
            "count_text": r["count_text"],
            "value_text": words.number(r["rate_per_1000_vehicle_years"]),
            "interval_text": words.interval(r["low"], r["high"]),
            "ratio_text": f"{words.number(r['rate_ratio'], 2)} times"
            if r["rate_ratio"] is not None
            else "not known",
        }
        for r in rates
        if r["name"] in shown and r["n_failures"]
    ]
    alt = "Models against components; larger marks are more failures, diamonds are recurring pairs."
    caption = "Area is the number of failures; a diamond is a recurring pair. An empty place saw no failure."
    return Picture(draw_recurrence_map(rows, alt), alt, caption + shown_note(rates))


def by_model(rates: list[dict[str, Any]], run: Run) -> Section:
    question = "Choose a model: which of its parts fail, and how often?"
    if not rates:
        return Section("model", question, (nothing(),))
    models = top_models(rates, MAX_CHOICES)
    offered = [r for r in rates if r["name"] in set(models)]
    first = next(
        (r["name"] for r in sorted(rates, key=lambda r: (r["q_value"] is None, r["q_value"])) if r["flag"]),
        models[0],
    )
    rows = dots(rates, "model", models)
    alt = "Failure rate of each component of the chosen model, as counted and shrunk, with intervals."
    chart = rate_chart(rows, alt, {"model": first})
    return Section(
        "model",
        question,
        (
            "Two estimates for each part: the rate as counted, and the rate shrunk toward the other models."
            " Where they part, the count is small; trust the shrunk one when ranking.",
        ),
        choices=(choice("model", "Model", [(m, m) for m in sorted(models)], first),),
        picture=Picture(chart, alt, rate_caption(run) + shown_note(rates, MAX_CHOICES)),
        grids=(chosen_rate_grid(offered, run, "model"),),
        how=(FAILURE, EXPOSURE, GARWOOD, SHRUNK),
    )


def by_component(rates: list[dict[str, Any]], run: Run) -> Section:
    question = "Choose a part: on which models does it fail?"
    if not rates:
        return Section("component", question, (nothing(),))
    parts = sorted({r["part"] for r in rates})
    first = next((r["part"] for r in rates if r["flag"]), parts[0])
    rows = dots(rates, "part", top_models(rates))
    alt = "Failure rate of the chosen component on each model, as counted and shrunk, with intervals."
    chart = rate_chart(rows, alt, {"part": first})
    return Section(
        "component",
        question,
        (
            f"{words.plural(len(parts), 'part')} failed at least once inside the window, on"
            f" {words.plural(len({r['name'] for r in rates}), 'model')}.",
        ),
        choices=(choice("part", "Part", [(p, p) for p in parts], first),),
        picture=Picture(chart, alt, rate_caption(run) + shown_note(rates)),
        grids=(chosen_rate_grid(rates, run, "part"),),
        how=(FAILURE, EXPOSURE, GARWOOD, SHRUNK),
    )
