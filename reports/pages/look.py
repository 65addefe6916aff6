"""For the technician: under this code on this model, where is it best to look first?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.contract.vocabulary import POOLED
from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Cell, Grid, Page, Picture, Row, Section, choice, grid, table
from reports.pages.run import Run

#: So many models and codes are on the page, those with the most repairs: a thousand make it some 5 MB large.
MAX_GROUPS = 1000
#: Places less likely than that are left to the table in the warehouse.
LEAST_SHOWN = 0.005
QUESTION = "Where is it best to look first?"
HOW = (
    "The chance that the fault is in a place rests on the repairs that found it. A model with few of them leans on what"
    " its other codes and what that code on other models let expect, as far as models and codes are alike (Dirichlet-"
    "multinomial shrinkage; J. E. Mosimann, Biometrika 49, 1962); its own repairs count in full beside that.",
    "Order: most chance per minute of looking first, which finds one fault soonest on average (W. E. Smith, Naval"
    " Research Logistics Quarterly 3, 1956). The minutes are settings, and common practice until you measure your own.",
)
LEFT_OUT = (
    "Repairs that did not find the fault: the vehicle came back within the follow-up window and another part was"
    " repaired, or the recording after the repair disproved it. Repairs of parts recorded as other.",
    "What a recording or a look at the vehicle already tells: a verdict that names a part comes before any of this.",
    "Looks that miss a fault, and places that one look checks together, as smoke does.",
)


def make_page(read: Callable[[str], pl.DataFrame], run: Run) -> Page:
    """Make the page from `mart.first_look`."""
    groups = groups_of(read("mart.first_look"))
    lead = (
        "One fault, one place after the other: the order that finds it in the shortest time on average, from what"
        " earlier repairs found.",
        f"Bounds are {run.level_text} intervals.",
    )
    sections = (first(groups, run), in_one_line(groups, run)) if groups else (first(groups, run),)
    return Page("look.html", "Where to look", "Where to look first", "For the technician", lead, sections)


def first(groups: list[dict[str, Any]], run: Run) -> Section:
    if not groups:
        return Section("first", QUESTION, ("Not known: no repair found a fault.",), how=HOW)
    offered = on_the_page(groups)
    keys = [g["key"] for g in offered]
    shown = [r for g in offered for r in g["places"] if r["probability"] >= LEAST_SHOWN]
    alt = "Chance that the fault is in each place, with bounds, in the order of looking, for the chosen model and code."
    chart = draw_intervals(
        [_dot(r) for r in shown],
        x_title="chance that the fault is there",
        description=alt,
        as_share=True,
        chosen={"key": keys[0]},
        count_title="found there",
    )
    return Section(
        "first",
        QUESTION,
        overall(groups, run) + passed_over(groups, offered),
        choices=(choice("key", "Model and code", [(g["key"], g["label"]) for g in offered]),),
        picture=Picture(
            chart,
            alt,
            f"From the top in the order of looking. Line: {run.level_text} interval. A number that is passed over is a"
            f" place with a chance under {words.share(LEAST_SHOWN)}; tables/first_look.csv has them all.",
        ),
        grids=(_places(shown, run),),
        how=HOW,
        left_out=LEFT_OUT,
    )


def overall(groups: list[dict[str, Any]], run: Run) -> tuple[str, ...]:
    """Say where to look first when neither model nor code is known; nothing without a find."""
    return tuple(_sentence(g, run) for g in groups if g["is_pooled"] and g["code"] == POOLED)


def on_the_page(groups: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The models and codes that can be chosen, in the order of the list: all, or those with the most repairs."""
    kept = sorted(groups, key=lambda g: (not g["is_pooled"], -g["n_jobs"], g["key"]))[:MAX_GROUPS]
    return sorted(
        kept, key=lambda g: (not g["is_pooled"], g["model_text"], g["code"] != POOLED, g["code_text"])
    )


def passed_over(groups: list[dict[str, Any]], offered: list[dict[str, Any]]) -> tuple[str, ...]:
    """Say where the models and codes are that the page does not hold; nothing where it holds all."""
    if len(groups) == len(offered):
        return ()
    return (
        f"To choose: the {words.count(len(offered))} of {words.count(len(groups))} models and codes with the most"
        " repairs; tables/first_look.csv has them all.",
    )


def in_one_line(groups: list[dict[str, Any]], run: Run) -> Section:
    """Every model and code with its first three places."""
    ordered = on_the_page(groups)
    heads = ("Model", "Code", "Look first", "Then", "Then", "Minutes on average", "Repairs")
    lines = (
        Row(
            (
                cells.text(g["model_text"]),
                cells.text(g["code_text"]),
                *g["first_three"],
                Cell(f"{g['expected_minutes']:.0f}", g["expected_minutes"]),
                cells.count(g["n_jobs"]),
            )
        )
        for g in ordered
    )
    n_pairs = sum(not g["is_pooled"] and g["code"] != POOLED for g in groups)
    n_models = sum(not g["is_pooled"] and g["code"] == POOLED for g in groups)
    counted = (
        f"{words.plural(n_pairs, 'pair')} of a model and a code with a repair that found the fault;"
        f" {words.plural(n_models, 'model')} over any code or none."
    )
    return Section(
        "lines",
        "And for every model and code?",
        (counted,),
        grids=(
            grid(
                f"First three places, with {run.level_text} intervals",
                heads,
                lines,
                "mart.first_look",
                n_text_columns=5,
                limit=MAX_GROUPS,
                opened=True,
                n_all=len(groups),
            ),
        ),
        wide=True,
    )


def groups_of(looks: pl.DataFrame) -> list[dict[str, Any]]:
    """One entry for each model and code: what it is called, its repairs, its places in order; none without a chance."""
    by_key: dict[str, list[dict[str, Any]]] = {}
    for r in _with_words(looks.drop_nulls(["probability", "minutes_to_check"])):
        by_key.setdefault(r["key"], []).append(r)
    return [_group(places) for places in by_key.values()]


def _group(places: list[dict[str, Any]]) -> dict[str, Any]:
    head = places[0]
    told = [
        Cell(
            f"{r['place']} {words.share(r['probability'])}",
            r["place"].casefold(),
            words.interval(r["low"], r["high"], words.share),
        )
        for r in places[:3]
    ]
    return {
        **{
            name: head[name]
            for name in ("key", "label", "model_text", "code_text", "n_jobs", "expected_minutes")
        },
        "code": head["trouble_code"],
        "is_pooled": head["model"] == POOLED,
        "first_three": told + [cells.text(words.MISSING)] * (3 - len(told)),
        "places": places,
        "likeliest": max(places, key=lambda r: r["probability"]),
    }


def _with_words(looks: pl.DataFrame) -> list[dict[str, Any]]:
    rows = []
    for r in looks.sort("make", "model", "trouble_code", "rank").to_dicts():
        model = "All models" if r["model"] == POOLED else words.of_model(r)
        code = "any code or none" if r["trouble_code"] == POOLED else r["trouble_code"]
        rows.append(
            r
            | {
                "key": f"{r['make']} {r['model']} {r['trouble_code']}",
                "model_text": model,
                "code_text": code,
                "label": f"{model}, {code}",
                "place": words.label(r["component"]),
            }
        )
    return rows


def _sentence(g: dict[str, Any], run: Run) -> str:
    first_place, likeliest = g["places"][0], g["likeliest"]
    bounds = words.interval(first_place["low"], first_place["high"], words.share)
    text = (
        f"Over all models and codes: the {first_place['place']} first, where {words.share(first_place['probability'])}"
        f" ({run.level_text} interval {bounds}) of the faults of {words.plural(g['n_jobs'], 'repair')} were and a look"
        f" takes {minutes(first_place['minutes_to_check'])}"
    )
    if likeliest is not first_place:
        text += (
            f"; the likeliest place, the {likeliest['place']} ({words.share(likeliest['probability'])},"
            f" {words.interval(likeliest['low'], likeliest['high'], words.share)}), takes"
            f" {minutes(likeliest['minutes_to_check'])}"
        )
    return f"{text}. In that order the fault is found after {minutes(g['expected_minutes'])} on average."


def minutes(value: float) -> str:
    """Write minutes as a technician counts them: "5 minutes", "1 minute"."""
    return f"{value:.0f} minute{'' if round(value) == 1 else 's'}"


def _dot(r: dict[str, Any]) -> dict[str, Any]:
    return interval_dot(
        f"{r['rank']}. {r['place']}",
        r["rank"],
        (r["probability"], r["low"], r["high"]),
        f"{words.count(r['n_found'])} of {words.plural(r['n_jobs'], 'repair')}",
        write=words.share,
        key=r["key"],
        mark="",
    )


def _places(rows: list[dict[str, Any]], run: Run) -> Grid:
    return table(
        f"The places in order, with {run.level_text} intervals",
        (
            ("Place", lambda r: cells.text(r["place"])),
            ("Order", lambda r: cells.count(r["rank"])),
            ("Chance", lambda r: cells.bounded(r["probability"], r["low"], r["high"], write=words.share)),
            ("Found there", lambda r: cells.count(r["n_found"])),
            ("Of repairs", lambda r: cells.count(r["n_jobs"])),
            ("A look takes, min", lambda r: Cell(f"{r['minutes_to_check']:g}", r["minutes_to_check"])),
            ("Found by then", lambda r: cells.share(r["found_by_then"])),
            ("After, min", lambda r: Cell(f"{r['minutes_by_then']:g}", r["minutes_by_then"])),
        ),
        rows,
        "mart.first_look",
        choice="key",
        limit=len(rows),
        opened=True,
        of=lambda r: r["key"],
    )
