"""Which vehicles are due for inspection, riskiest first: a section of the fleet page."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.tables import VEHICLE_DUE
from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import MAX_ROWS, Cell, Finding, Grid, Picture, Row, Section, grid
from reports.pages.run import Run

#: So many vehicles are drawn; the table holds more, and tables/vehicle_due.csv all of them.
MAX_DRAWN = 25
BASES = {
    "cleared": "model's curve, since the repair",
    "driven_on": "model's curve, seen not complete",
    "arrivals": "arrivals of the model",
}
HOW = (
    "In order of risk: an open EVAP fault or the lamp on at the last inspection, then overdue, then the"
    " chance that the EVAP monitor is complete on the day.",
    "The chance rests on the model's curve of distance after a clear where a repair was closed since the last"
    " inspection (taken as a clear, as is common practice) or the monitor was not complete when last seen: distance"
    " since that clear plus usual distance per day. Otherwise it is the share of the model that arrives with the"
    " monitor complete. An overdue vehicle is judged as of the last day that the records know.",
    "An open fault: an EVAP code with the lamp on at the last inspection and no job closed since, a last repair that"
    " its own recording disproves, or an EVAP job not closed; a source that closes no job at all tells nothing of the"
    " last.",
    "Usual distance per day: the vehicle's own odometer readings at least 30 days apart, else the median of its"
    " model. Fuel level and cold starts in the advice: regulators let the monitor wait for both (13 CCR"
    " 1968.2(e)(4.3)).",
)
LEFT_OUT = (
    "Other monitors, and clears that no record shows, except as the model's arrivals hold them.",
    "Vehicles out of service.",
)


def due(vehicles: pl.DataFrame, run: Run) -> Section:
    """Ask who is due; rows of `mart.vehicle_due`, in any order.

    A register may hold millions of vehicles: only those that are shown become rows of the page.
    """
    question = "Which vehicles may not pass when they are due, and what helps?"
    if vehicles.is_empty():
        return Section("due", question, ("Not known: no vehicle is in service.",), how=HOW)
    told = vehicles.with_columns(
        fault=pl.col("open_faults").list.len().fill_null(0)
        + pl.col("is_lamp_on").fill_null(False).cast(pl.Int64)
    )
    shown = told.bottom_k(MAX_ROWS, by="rank").sort("rank").to_dicts()
    by_curve = told.filter(pl.col("chance_ready").is_not_null(), pl.col("basis") != "arrivals")
    drawn = by_curve.sort("chance_ready", "vehicle_id").head(MAX_DRAWN).to_dicts()
    alt = "Chance that the EVAP monitor is complete on the day, for the vehicles with the smallest chance."
    chart = draw_intervals(
        [due_dot(r, order) for order, r in enumerate(drawn)],
        x_title=words.axis_title(VEHICLE_DUE, "chance_ready"),
        description=alt,
        as_share=True,
        count_title="rests on",
    )
    picture = Picture(
        chart,
        alt,
        f"{words.plural(len(drawn), 'vehicle')} with the smallest chance, of those cleared by a repair or seen not"
        f" complete; line: {run.level_text} interval.{diamonds(drawn)} Faults stand in the table.",
    )
    return Section(
        "due",
        question,
        answer(told),
        findings=tuple(
            Finding(f"{r['vehicle_id']}, {when(r)}: {r['advice']}") for r in shown[:5] if r["advice"]
        ),
        picture=picture if drawn else None,
        grids=(numbers(shown, told.height),),
        how=HOW,
        left_out=LEFT_OUT,
        wide=True,
    )


def diamonds(drawn: list[dict[str, Any]]) -> str:
    """Say what a diamond is, where one is drawn."""
    return (
        " Diamond: an open fault, or the lamp on at the last inspection."
        if any(r["fault"] for r in drawn)
        else ""
    )


def answer(vehicles: pl.DataFrame) -> tuple[str, ...]:
    with_fault, overdue, known, unlikely, undated = vehicles.select(
        (pl.col("fault") > 0).sum().alias("with_fault"),
        (pl.col("days_to_due") < 0).sum().alias("overdue"),
        pl.col("chance_ready").count().alias("known"),
        (pl.col("chance_ready") < 0.9).sum().alias("unlikely"),
        pl.col("due_on").is_null().sum().alias("undated"),
    ).row(0)
    chance = (
        f"Of the {words.count(known)} whose chance of a complete EVAP monitor is known, {words.count(unlikely)}"
        f" {'has' if unlikely == 1 else 'have'} less than 90%."
        if known
        else "Not known of any: its chance of a complete EVAP monitor."
    )
    return (
        f"Of {words.plural(vehicles.height, 'vehicle')} in service, {words.count(with_fault)}"
        f" {'has' if with_fault == 1 else 'have'} an open fault or had the lamp on when last inspected, and"
        f" {words.count(overdue)} {'is' if overdue == 1 else 'are'} overdue. {chance}"
        + (f" {words.count(undated)} {'has' if undated == 1 else 'have'} no due date." if undated else ""),
    )


def when(r: dict[str, Any]) -> str:
    return f"due {words.day(r['due_on'])}" if r["due_on"] else "no due date"


def due_dot(r: dict[str, Any], order: int) -> dict[str, Any]:
    return interval_dot(
        f"{r['vehicle_id']}, {when(r)}",
        order,
        (r["chance_ready"], r["chance_low"], r["chance_high"]),
        f"{words.count(r['n_behind'])} {behind(r)}",
        write=words.share,
        mark="stands out" if r["fault"] else "",
    )


def behind(r: dict[str, Any]) -> str:
    return "inspections of the model" if r["basis"] == "arrivals" else "vehicles of the model"


def numbers(shown: list[dict[str, Any]], n_all: int) -> Grid:
    heads = (
        "Vehicle",
        "What helps most",
        "Due",
        "Last seen",
        "Chance rests on",
        "Chance ready",
        "Expected km since clear",
        "km per day",
    )
    return grid(
        "Vehicles in service, riskiest first",
        heads,
        (line(r) for r in shown),
        "mart.vehicle_due",
        n_text_columns=5,
        printed=True,
        n_all=n_all,
    )


def line(r: dict[str, Any]) -> Row:
    last = f"{words.day(r['last_inspected_on'])} {words.label(r['last_verdict']) if r['last_verdict'] else ''}".strip()
    rests = f"{BASES.get(r['basis'], words.MISSING)}; {words.count(r['n_behind'])} {behind(r)}"
    return Row(
        (
            Cell(r["vehicle_id"], r["vehicle_id"], words.of_model(r), bool(r["fault"])),
            cells.text(r["advice"] or words.MISSING),
            cells.text(words.day(r["due_on"])),
            cells.text(last),
            cells.text(r["reason"] or rests),
            cells.bounded(r["chance_ready"], r["chance_low"], r["chance_high"], write=words.share),
            cells.number(r["km_at_due"]),
            Cell(
                words.number(r["km_per_day"]), r["km_per_day"], "" if r["is_own_distance"] else "of its model"
            ),
        )
    )
