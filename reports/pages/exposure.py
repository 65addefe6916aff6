"""How many vehicles, years and kilometers the failure rates rest on: two sections of the fleet page."""

from __future__ import annotations

from typing import Any

from pipeline.contract.tables import FAILURE_RATE
from pipeline.contract.vocabulary import DAYS_PER_YEAR
from reports import words
from reports.charts.bars import draw_bars
from reports.charts.intervals import draw_intervals
from reports.pages import cells
from reports.pages.fleet_rows import MAX_CHOICES, MAX_MODELS, dots, rate_caption, shown_note, top_models
from reports.pages.page import Grid, Picture, Section, choice, table
from reports.pages.run import Run

EXPOSURE = (
    "Exposure is the time each registered vehicle spent in service inside the window, in vehicle-years of"
    f" {DAYS_PER_YEAR} days; a vehicle without any job counts."
)

GARWOOD = (
    "Interval of a rate: exact Poisson (F. Garwood, Fiducial limits for the Poisson distribution, Biometrika"
    " 28, 1936)."
)

#: Series, its columns (value, low, high), and the text of its count.
PER_KM = (("", ("rate_per_million_km", "low_per_million_km", "high_per_million_km"), "km_text"),)


def exposure(rates: list[dict[str, Any]]) -> Section:
    question = "How many vehicles and years do these rates rest on?"
    if not rates:
        return Section("exposure", question, (nothing(),))
    models = list({r["name"]: r for r in rates}.values())
    models.sort(key=lambda r: (-(r["vehicle_years"] or 0), r["name"]))
    rows = [
        {
            "category": r["name"],
            "order": i,
            "value": r["vehicle_years"],
            "bar_text": words.number(r["vehicle_years"]),
            "count_text": words.plural(r["n_vehicles"], "vehicle"),
        }
        for i, r in enumerate(models[:MAX_MODELS])
    ]
    title = words.axis_title(FAILURE_RATE, "vehicle_years")
    alt = "Exposure of each model in vehicle-years, with its number of vehicles."
    by_model = table(
        "Exposure by model",
        (
            ("Model", lambda r: cells.text(r["name"])),
            ("Vehicles", lambda r: cells.count(r["n_vehicles"])),
            ("Vehicle-years", lambda r: cells.number(r["vehicle_years"])),
            ("Distance known, km", lambda r: cells.number(r["vehicle_km"])),
            ("Vehicles with known distance", lambda r: cells.count(r["n_vehicles_km"])),
        ),
        models,
        "mart.failure_rate",
    )
    return Section(
        "exposure",
        question,
        (
            f"{words.plural(sum(r['n_vehicles'] or 0 for r in models), 'vehicle')} of"
            f" {words.plural(len(models), 'model')} in the register.",
        ),
        picture=Picture(draw_bars(rows, title, alt, count_title="vehicles"), alt),
        grids=(by_model,),
        how=(EXPOSURE,),
    )


def distance(rates: list[dict[str, Any]], run: Run) -> Section:
    question = "How often do parts fail for the distance driven?"
    known = [r for r in rates if r["rate_per_million_km"] is not None]
    if not known:
        return Section(
            "distance", question, ("Not known: no vehicle has two odometer readings inside the window.",)
        )
    offered = top_models(known, MAX_CHOICES)
    rows = dots(known, "model", offered, PER_KM)
    models = sorted({r["model"] for r in rows})
    alt = "Failures per million km of each component of the chosen model, with intervals."
    chart = draw_intervals(
        rows,
        x_title=words.axis_title(FAILURE_RATE, "rate_per_million_km"),
        description=alt,
        scale="sqrt",
        chosen={"model": models[0]},
        count_title="failures",
    )
    with_distance = list({r["name"]: r for r in known}.values())
    n = sum(r["n_vehicles_km"] or 0 for r in with_distance)
    return Section(
        "distance",
        question,
        (
            f"Most often {words.listed(per_distance(r) for r in most_per_distance(known))}.",
            f"Distance is known for {words.plural(n, 'vehicle')}; the rate by distance rests on these alone.",
        ),
        choices=(choice("model", "Model", [(m, m) for m in models]),),
        picture=Picture(chart, alt, rate_caption(run) + shown_note(known, MAX_CHOICES)),
        grids=(distance_grid([r for r in known if r["name"] in set(offered)], run),),
        how=(
            "Distance runs from a vehicle's first to its last odometer reading inside the window;"
            " failures between these two readings count.",
            GARWOOD,
        ),
        left_out=("Vehicles with fewer than two odometer readings.",),
    )


def most_per_distance(known: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick the three rates whose lower bound is highest: a high rate of few failures may be chance."""
    return sorted(known, key=lambda r: (-(r["low_per_million_km"] or 0), r["name"], r["part"]))[:3]


def per_distance(r: dict[str, Any]) -> str:
    bounds = words.interval(r["low_per_million_km"], r["high_per_million_km"], words.two_digits)
    return (
        f"{r['part']} of {r['name']} ({words.two_digits(r['rate_per_million_km'])} per million km, {bounds};"
        f" {words.plural(r['n_failures_km'], 'failure')})"
    )


def distance_grid(known: list[dict[str, Any]], run: Run) -> Grid:
    return table(
        f"Failures by distance with {run.level_text} intervals",
        (
            ("Part", lambda r: cells.text(r["part"])),
            ("Failures", lambda r: cells.count(r["n_failures_km"])),
            ("Vehicles", lambda r: cells.count(r["n_vehicles_km"])),
            ("Distance, km", lambda r: cells.number(r["vehicle_km"])),
            (
                "Per million km",
                lambda r: cells.bounded(
                    r["rate_per_million_km"], r["low_per_million_km"], r["high_per_million_km"]
                ),
            ),
        ),
        known,
        "mart.failure_rate",
        choice="model",
        limit=len(known),
        of=lambda r: r["name"],
    )


def nothing() -> str:
    return "Not known: no repair was opened inside the window, or no vehicle was in service then."
