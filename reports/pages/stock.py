"""What will fail next and what to have on the shelf: a section of the fleet page."""

from __future__ import annotations

from typing import Any

from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.life import LIFE, RETURNS, WEIBULL
from reports.pages.page import Cell, Grid, Picture, Section, choice, table
from reports.pages.run import Run

HORIZONS = (365, 90)

FORECAST = (
    "Expected: the fitted life, summed over the ages of all units now in service, times the share of time outside the"
    " follow-up windows of repairs and times failures per failure that is no return. The bounds hold the number"
    " itself: they carry what is not known of the life and the chance of the count. Parts: the smallest number not"
    " exceeded with the stated chance, for the share of failures that took a new part."
)


def stock(lives: list[dict[str, Any]], run: Run) -> Section:
    question = "What will fail next, and what to stock?"
    known = [r for r in lives if r["failures_next_90_days"] is not None]
    if not known:
        return Section("stock", question, ("Not known: no part has failures enough for a forecast.",))
    pooled = [r for r in known if r["is_pooled"]] or known
    ranked = sorted(pooled, key=lambda r: -(r["failures_next_365_days"] or 0))
    alt = "Failures expected of each part, all models together, with prediction bounds, in the chosen time."
    return Section(
        "stock",
        question,
        (
            f"In the 365 days after {words.day(run.to_on)} most failures are expected of"
            f" {words.listed(failing(r) for r in ranked[:3])}.",
            f"Enough with a chance of {words.share(ranked[0]['service_level'])}:"
            f" {words.listed(needed(r) for r in ranked[:3])}; the other parts stand in the table.",
            "Not every failure takes a part: of those seen"
            f" {words.listed(replaced(r) for r in ranked[:3])} were repaired with a new one.",
        ),
        choices=(choice("days", "Time", [(str(days), f"next {days} days") for days in HORIZONS]),),
        picture=Picture(
            draw_intervals(
                [stock_dot(r, days, order) for days in HORIZONS for order, r in enumerate(ranked)],
                x_title="failures expected of the units now in service",
                description=alt,
                scale="sqrt",
                chosen={"days": str(HORIZONS[0])},
                count_title="units and parts",
                interval_title="prediction bounds",
            ),
            alt,
            f"Dot: failures expected, all models together; line: {run.level_text} prediction bounds of their number.",
        ),
        grids=(stock_grid(lives, run),),
        how=(FORECAST, LIFE, RETURNS, WEIBULL),
        left_out=(
            "Vehicles that join or leave the fleet after the window.",
            "Parts with fewer than two failures of one model: see all models together.",
            "A change of use, climate or supplier: the forecast says what the same life would bring.",
        ),
    )


def bounds(r: dict[str, Any], days: int) -> str:
    low, high = (r[f"failures_next_{days}_days_{end}"] for end in ("low", "high"))
    return words.interval(low, high, words.count)


def failing(r: dict[str, Any]) -> str:
    """Name a part with the failures expected of it; the part's own name goes without a count of its models."""
    name = r["part"] if r["is_pooled"] else f"{r['part']} of {r['name']}"
    return f"{name} ({words.number(r['failures_next_365_days'])}, {bounds(r, 365)})"


def needed(r: dict[str, Any]) -> str:
    name = r["part"] if r["is_pooled"] else f"{r['part']} of {r['name']}"
    return f"{words.count(r['parts_for_365_days'])} for {name}"


def replaced(r: dict[str, Any]) -> str:
    """Tell how many of the failures seen took a new part: parts are forecast by that share."""
    name = r["part"] if r["is_pooled"] else f"{r['part']} of {r['name']}"
    of = (r["n_failures"] or 0) + (r["n_left_out"] or 0)
    return f"{words.count(r['n_replaced'])} of {words.count(of)} ({name})"


def stock_dot(r: dict[str, Any], days: int, order: int) -> dict[str, Any]:
    made = interval_dot(
        r["part"] if r["is_pooled"] else f"{r['part']}: {r['name']}",
        order,
        (r[f"failures_next_{days}_days{end}"] for end in ("", "_low", "_high")),
        f"{words.count(r['n_in_service'])} units in service; {words.count(r[f'parts_for_{days}_days'])} parts would do",
        days=str(days),
        mark="",
    )
    return made | {"interval_text": bounds(r, days)}


def stock_grid(lives: list[dict[str, Any]], run: Run) -> Grid:

    def expected(r: dict[str, Any], days: int) -> Any:
        value = r[f"failures_next_{days}_days"]
        return Cell(words.number(value), value, bounds(r, days))

    caption = f"Failures to come with {run.level_text} prediction bounds, and parts to stock"
    return table(
        caption,
        (
            ("Part", lambda r: cells.text(r["part"])),
            ("Model", lambda r: cells.text(r["name"])),
            ("Units in service", lambda r: cells.count(r["n_in_service"])),
            ("Failures expected in 90 days", lambda r: expected(r, 90)),
            ("in 365 days", lambda r: expected(r, 365)),
            ("Parts for 90 days", lambda r: cells.count(r["parts_for_90_days"])),
            ("Parts for 365 days", lambda r: cells.count(r["parts_for_365_days"])),
            ("Failures seen", lambda r: cells.count(r["n_failures"])),
        ),
        lives,
        "mart.component_life",
        n_text_columns=2,
    )
