"""Tests by station and year, and results that the rule does not give: two sections of the inspection page."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import words
from reports.pages import cells
from reports.pages.page import Cell, Finding, Grid, Section, table
from reports.pages.readiness import WILSON
from reports.pages.run import Run


def _how(run: Run) -> tuple[str, ...]:
    return (
        "Each inspection is judged by the rule in force on what was recorded of it and the visits before it. The"
        " recorded result counts in every item of the report; where the two differ, the inspection is listed with the"
        " clause. A record may lack what the station saw, so a difference is a reason to look and no more.",
        *run.rule.sentences(),
    )


NOT_JUDGED = ("Inspections without a recorded result, or with too little recorded to judge them.",)


def tested(vehicles: pl.DataFrame) -> Section:
    """Ask how many vehicles were tested; rows of `mart.vehicles_tested`."""
    question = "How many vehicles were tested?"
    how = (
        "Item (a)(1) of 40 CFR 51.366: vehicles tested, by model year and vehicle type. Each vehicle counts once,"
        " however many test cycles it had; it is tested when at least one visit has a verdict. Vehicles seen without"
        " any, such as one return alone, stand beside it.",
    )
    rows = vehicles.sort("model_year", "vehicle_type").to_dicts()
    n, n_seen = (sum(r[c] or 0 for r in rows) for c in ("n_vehicles", "n_vehicles_seen"))
    if not n_seen:
        return Section("tested", question, ("Not known: no accepted inspection.",), how=how)
    answer = (
        f"{words.plural(n, 'vehicle')} tested, of {words.count(n_seen)} seen; {words.plural(len(rows), 'cell')}"
        " of model year and vehicle type.",
    )
    by_cell = table(
        "Vehicles tested by model year and type",
        (
            ("Model year", lambda r: cells.year(r["model_year"])),
            ("Vehicle type", lambda r: cells.text(words.vehicle_type(r))),
            *cells.counts(
                {
                    "n_vehicles": "(a)(1) Vehicles tested",
                    "n_vehicles_seen": "Seen at all",
                    "n_initial": "Initial tests",
                }
            ),
        ),
        rows,
        "mart.vehicles_tested",
        n_text_columns=2,
    )
    return Section("tested", question, answer, grids=(by_cell,), how=how)


def volume(tests: pl.DataFrame, run: Run) -> Section:
    """Ask how many initial tests each station made and failed; rows of `mart.inspection_station`."""
    question = "How many initial tests did each station make, and how many failed?"
    how = (
        "Items (a)(3) and (a)(4) of 40 CFR 51.366: initial tests and initial test failure rate by model"
        " year and station. A retest never counts.",
        WILSON,
    )
    rows = [r for r in tests.sort("station_id", "model_year").to_dicts() if r["n_initial"] is not None]
    if not rows:
        return Section("volume", question, ("Not known: no inspection has a verdict.",), how=how)
    n, fails = (sum(r[c] or 0 for r in rows) for c in ("n_initial", "n_initial_fail"))
    stations = len({r["station_id"] for r in rows})
    answer = f"{words.plural(n, 'initial test')} at {words.plural(stations, 'station')}; {words.count(fails)} failed."
    return Section(
        "volume", question, (answer,), grids=(volumes(rows, run),), how=how, left_out=(), wide=True
    )


def volumes(rows: list[dict[str, Any]], run: Run) -> Grid:
    caption = f"Initial tests by station and model year, with {run.level_text} intervals"
    return table(
        caption,
        (
            (
                "Station",
                lambda r: Cell(
                    r["station_id"] or "not recorded", r["station_id"], flagged=bool(r["reasons_to_look"])
                ),
            ),
            ("Model year", lambda r: cells.year(r["model_year"])),
            ("(a)(3) Initial tests", lambda r: cells.count(r["n_initial"])),
            ("Failed", lambda r: cells.count(r["n_initial_fail"])),
            (
                "(a)(4) Failure rate",
                lambda r: Cell(
                    words.percent(r["initial_failure_percent"]),
                    r["initial_failure_percent"],
                    words.interval(r["low_percent"], r["high_percent"], words.tenths),
                ),
            ),
            ("All stations", lambda r: Cell(words.percent(r["year_percent"]), r["year_percent"])),
            ("q", lambda r: cells.chance(r["station_q_value"])),
        ),
        rows,
        "mart.inspection_station",
        n_text_columns=2,
    )


def disagreements(found: pl.DataFrame, run: Run, *, has_inspections: bool) -> Section:
    """Ask where the recorded result is not the rule's; rows of `mart.inspection_disagreement`."""
    question = "Where does the recorded result differ from what the rule gives?"
    rows = found.sort("inspected_at", "inspection_id").to_dicts()
    if not rows:
        return Section(
            "disagreements",
            question,
            (
                "None differs: every recorded result that can be judged is the one that the rule gives."
                if has_inspections
                else "Not known: no accepted inspection.",
            ),
            how=_how(run),
            left_out=NOT_JUDGED,
        )
    kinds: dict[tuple[str, str], int] = {}
    for r in rows:
        pair = (words.label(r["recorded"]), words.label(r["judged"]))
        kinds[pair] = kinds.get(pair, 0) + 1
    most = sorted(kinds.items(), key=lambda item: (-item[1], item[0]))
    return Section(
        "disagreements",
        question,
        (f"In {words.plural(len(rows), 'inspection')}.",),
        findings=tuple(
            Finding(f"{words.plural(n, 'inspection')}: recorded {a}, by the rule {b}.")
            for (a, b), n in most[:6]
        ),
        grids=(differing(rows),),
        how=_how(run),
        left_out=NOT_JUDGED,
        wide=True,
    )


def differing(rows: list[dict[str, Any]]) -> Grid:
    return table(
        "Inspections whose recorded result differs",
        (
            ("Inspection", lambda r: cells.text(r["inspection_id"])),
            ("Station", lambda r: cells.text(r["station_id"] or "not recorded")),
            ("Vehicle", lambda r: cells.text(r["vehicle_id"] or "not recorded")),
            ("When", lambda r: cells.text(words.moment(r["inspected_at"]))),
            ("Recorded", lambda r: cells.text(words.label(r["recorded"]))),
            ("By the rule", lambda r: cells.text(words.label(r["judged"]))),
            ("Clause", lambda r: cells.text(r["clause"] or words.MISSING)),
        ),
        rows,
        "mart.inspection_disagreement",
        n_text_columns=7,
    )
