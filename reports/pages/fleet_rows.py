"""Rows of the fleet page: failure rates as sentences, dots and table lines."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.tables import FAILURE_RATE
from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Cell, Grid, Row, grid
from reports.pages.run import Run

#: Pictures show so many models, those with the most failures first; the tables show all.
MAX_MODELS = 60
#: So many models may be chosen from; a page that offered thousands would be slow to open.
MAX_CHOICES = 200

SERIES = ("as counted", "shrunk toward the rest")


def with_words(rates: pl.DataFrame) -> list[dict[str, Any]]:
    """Give each row of `mart.failure_rate` its names and its numbers as text, in reading order.

    Pages name a pair only where it stands out with comebacks counted and without: counts with comebacks scatter
    more than the test supposes.
    """
    return [
        row
        | {
            "name": words.of_model(row),
            "part": words.label(row["component"]),
            "flag": bool(row["is_recurring"] and row["is_recurring_without_comebacks"]),
            "only_with_comebacks": bool(row["is_recurring"] and not row["is_recurring_without_comebacks"]),
            "count_text": (
                f"{words.plural(row['n_failures'], 'failure')} in"
                f" {words.number(row['vehicle_years'])} vehicle-years"
            ),
            "km_text": (
                f"{words.plural(row['n_failures_km'], 'failure')} on"
                f" {words.plural(row['n_vehicles_km'], 'vehicle')}"
            ),
        }
        for row in rates.sort("make", "model", "component").to_dicts()
    ]


#: Series, its columns (value, low, high), and the text of its count.
PER_YEAR = (
    (SERIES[0], ("rate_per_1000_vehicle_years", "low", "high"), "count_text"),
    (SERIES[1], ("shrunk_rate", "shrunk_low", "shrunk_high"), "count_text"),
)


def dots(
    rates: list[dict[str, Any]],
    of: str,
    models: list[str],
    estimates: tuple[tuple[str, tuple[str, ...], str], ...] = PER_YEAR,
) -> list[dict[str, Any]]:
    """Lay rate rows out for `draw_intervals`, one row per estimate, the highest rate first.

    of : "model" to choose a model and see its parts, "part" to choose a part and see its models.
    """
    chosen, category = ("name", "part") if of == "model" else ("part", "name")
    shown = set(models)
    kept = sorted(
        (r for r in rates if r["name"] in shown), key=lambda r: (-(r[estimates[0][1][0]] or 0), r[category])
    )
    return [
        interval_dot(
            r[category] + (" ◆ recurring" if r["flag"] else ""),
            order,
            (r[name] for name in estimate),
            r[count_text],
            series=series,
            mark="stands out" if r["flag"] else "",
        )
        | {of: r[chosen]}
        for order, r in enumerate(kept)
        for series, estimate, count_text in estimates
    ]


def rate_chart(rows: list[dict[str, Any]], alt: str, chosen: dict[str, str]) -> Any:
    return draw_intervals(
        rows,
        x_title=words.axis_title(FAILURE_RATE, "rate_per_1000_vehicle_years"),
        description=alt,
        series=SERIES,
        scale="sqrt",
        chosen=chosen,
        count_title="failures",
    )


#: What decides comes first: on a narrow screen the last ones are seen only by scrolling.
RATE_HEADS = (
    "Failures (comebacks)",
    "Per 1000 vehicle-years",
    "Times the rest",
    "q",
    "q without comebacks",
    "p",
    "Shrunk",
    "Vehicles",
    "Vehicle-years",
)


def rate_grid(rates: list[dict[str, Any]], run: Run) -> Grid:
    """Lay every rate out, recurring pairs first, then by q."""
    rows = (Row((model_cell(r), part_cell(r), *rate_cells(r))) for r in in_order(rates))
    caption = f"Failure rates with {run.level_text} intervals"
    return grid(caption, ("Model", "Part", *RATE_HEADS), rows, "mart.failure_rate", n_text_columns=2)


def chosen_rate_grid(rates: list[dict[str, Any]], run: Run, of: str) -> Grid:
    """Lay rates out for the chosen model (`of` = "model") or the chosen part (`of` = "part")."""
    ordered = in_order(rates)
    if of == "model":
        rows = [Row((part_cell(r), *rate_cells(r)), r["name"]) for r in ordered]
    else:
        rows = [Row((model_cell(r), *rate_cells(r)), r["part"]) for r in ordered]
    heads = ("Part" if of == "model" else "Model", *RATE_HEADS)
    caption = f"Rates of the chosen {of} with {run.level_text} intervals"
    return grid(caption, heads, rows, "mart.failure_rate", of, limit=len(rows))


def in_order(rates: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(
        rates, key=lambda r: (not r["flag"], r["q_value"] is None, r["q_value"] or 0, r["name"], r["part"])
    )


def model_cell(r: dict[str, Any]) -> Cell:
    return cells.text(r["name"])


def part_cell(r: dict[str, Any]) -> Cell:
    note = " (recurring)" if r["flag"] else " (with comebacks only)" if r["only_with_comebacks"] else ""
    return cells.text(r["part"] + note, r["flag"])


def rate_cells(r: dict[str, Any]) -> tuple[Cell, ...]:
    return (
        Cell(f"{words.count(r['n_failures'])} ({words.count(r['n_comebacks'])})", r["n_failures"]),
        cells.bounded(r["rate_per_1000_vehicle_years"], r["low"], r["high"]),
        cells.number(r["rate_ratio"], 2),
        cells.chance(r["q_value"]),
        cells.chance(r["q_value_without_comebacks"]),
        cells.chance(r["p_value"]),
        cells.bounded(r["shrunk_rate"], r["shrunk_low"], r["shrunk_high"]),
        cells.count(r["n_vehicles"]),
        cells.number(r["vehicle_years"]),
    )


def top_models(rates: list[dict[str, Any]], n: int = MAX_MODELS) -> list[str]:
    """Pick `n` models to show: any with a recurring part, then those with the most failures."""
    failures: dict[str, int] = {}
    for r in rates:
        failures[r["name"]] = failures.get(r["name"], 0) + (r["n_failures"] or 0)
    flagged = {r["name"] for r in rates if r["flag"]}
    return sorted(failures, key=lambda m: (m not in flagged, -failures[m], m))[:n]


def shown_note(rates: list[dict[str, Any]], most: int = MAX_MODELS) -> str:
    n = len({r["name"] for r in rates})
    return (
        f" Shown: {most} of {n} models, those with a recurring part and the most failures."
        if n > most
        else ""
    )


def rate_caption(run: Run) -> str:
    return (
        f"Dot: rate; line: {run.level_text} interval. The axis is a square root, so that 0 and"
        " large rates fit one picture."
    )
