"""For the analyst of an inspection program: the annual items, readiness, and where to look."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.contract.tables import INSPECTION_REPORT
from reports import words
from reports.charts.inspections import draw_item_by_year
from reports.pages import cells
from reports.pages.after_clear import how_far
from reports.pages.outcomes import outcomes
from reports.pages.page import Cell, Grid, Page, Picture, Row, Section, choice, grid
from reports.pages.readiness import WILSON, ready
from reports.pages.run import Run
from reports.pages.stations import stations
from reports.pages.volumes import disagreements, tested, volume

#: The items in groups that share what they count, by the rule's own numbers.
GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Initial test and retests", ("(i)", "(ii)", "(iii)", "(iv)", "(v)", "(vi)")),
    ("OBD check", ("(xi)", "(xii)")),
    ("OBD check and gas cap", ("(xv)", "(xvi)", "(xvii)", "(xviii)")),
    ("Lamp and stored codes", ("(xix)", "(xx)", "(xxi)", "(xxii)")),
    ("Readiness", ("(xxiii)",)),
)

UNANSWERED: tuple[str, ...] = (
    "(a)(2)(xiii) and (xiv), OBD failed with the tailpipe test passed or failed: they need tailpipe tests, which the"
    " records do not hold.",
    "(a)(5), mean change in HC, CO and NOx after repair: it needs mass-emission tests.",
    "(b) quality assurance, (c) quality control, (d) enforcement: audits, equipment, licenses, fines and registrations"
    " are not in these records.",
    "(e) and (f), the biennial report and the plan statement: prose for the program to write.",
    "(a)(2)(vii) to (x) are reserved in the rule.",
    "Counts (a)(2)(i) to (iv) by test type: the records hold the OBD test, and of the fuel cap test its result alone;"
    " pressure, purge and tailpipe tests are not in them.",
    "The rule asks for January to December of one year: the numbers hold every accepted inspection, so a report for one"
    " year wants a lake with that year's inspections.",
)


def make_page(read: Callable[[str], pl.DataFrame], run: Run) -> Page:
    """Make the inspection page from the marts on inspections."""
    report = read("mart.inspection_report")
    vehicles = read("mart.vehicles_tested")
    sections = (
        tested(vehicles),
        items(report, vehicles, run),
        outcomes(read("mart.cycle_outcome"), run),
        ready(read("mart.readiness"), run),
        how_far(read("mart.monitor_after_clear"), run),
        volume(read("mart.inspection_station"), run),
        disagreements(read("mart.inspection_disagreement"), run, has_inspections=not report.is_empty()),
        stations(read("mart.station_look"), run),
        unanswered(report),
    )
    lead = (
        f"{reach(run)} Bounds are {run.level_text} intervals. This page prints as a report.",
        "It supports the annual test data report; it does not replace the program's own, and no result here is an"
        " inspection result.",
    )
    return Page(
        "inspection.html",
        "Inspection",
        "What the inspections show",
        "For the program analyst",
        lead,
        sections,
        True,
    )


def reach(run: Run) -> str:
    if run.inspection_to_on is None:
        return "No inspection was accepted."
    return f"Inspections up to {words.day(run.inspection_to_on)}."


def short_item(item: str) -> str:
    return item.removeprefix("(a)(2)")


def without_verdict(vehicles: pl.DataFrame) -> tuple[str, ...]:
    """Warn where vehicles have no verdict: those that could be judged are then the failing ones first."""
    n_seen, n_tested = (int(vehicles[c].sum() or 0) for c in ("n_vehicles_seen", "n_vehicles"))
    if n_seen <= n_tested:
        return ()
    return (
        f"{words.count(n_seen - n_tested)} of {words.plural(n_seen, 'vehicle')} seen had no visit with a verdict and"
        " count in none of (i) to (xviii). Where neither a result nor the monitors were recorded, only failing records"
        " can be judged, and the share that fails comes out too high.",
    )


def items(report: pl.DataFrame, vehicles: pl.DataFrame, run: Run) -> Section:
    question = "What do the records answer of 40 CFR 51.366(a)(2)?"
    how = (
        "A test cycle is the inspections of one vehicle in time order; it ends with a pass or a waiver, or when"
        f" {run.settings['cycle_gap_days']} days go by without another inspection. (i), (xi) and"
        " (xii) count the first visit"
        " with a verdict, (ii) and (iii) the next verdict, (xix) to (xxiii) the first visit. The"
        " recorded result counts;"
        " where there is none, the one judged by the rule in force. What (iv) to (vi) count, and why they do not add up"
        " to (i), is told in the next section.",
        *run.rule.sentences(),
        "Where a CSV record without status bytes tells the lamp and its cell of monitors not ready is empty, every"
        " monitor is taken as ready: a CSV says so in no other way.",
        "Item (xxiii) counts any supported monitor, also where the rule lets the vehicle pass.",
        WILSON,
    )
    if report.is_empty():
        return Section(
            "items", question, ("Not known: no accepted inspection.",), how=how, left_out=UNANSWERED[:2]
        )
    rows = report.sort("model_year", "vehicle_type", "item").to_dicts()
    shown = [r for r in rows if r["percent"] is not None]
    if not shown:
        return Section(
            "items",
            question,
            ("Not known: no test cycle has a verdict.",),
            grids=item_grids(rows, run),
            how=how,
        )
    first_item = next((r["item"] for r in shown if short_item(r["item"]) == "(i)"), shown[0]["item"])
    types = sorted({words.vehicle_type(r) for r in shown})
    most = max(types, key=lambda t: sum(r["of"] or 0 for r in shown if words.vehicle_type(r) == t))
    alt = "The chosen item by model year with intervals, for the chosen vehicle type."
    chart = draw_item_by_year(
        [item_dot(r) for r in shown], words.axis_title(INSPECTION_REPORT, "percent"), alt, first_item, most
    )
    meanings = {r["item"]: r["meaning"] for r in rows}
    numbered = sorted(meanings, key=item_order)
    return Section(
        "items",
        question,
        (*item_answer(rows), *without_verdict(vehicles)),
        choices=(
            choice(
                "item",
                "Item",
                [(i, f"{i} {meanings[i]}") for i in numbered if any(r["item"] == i for r in shown)],
                first_item,
            ),
            choice("vehicle_type", "Vehicle type", [(t, t) for t in types], most),
        ),
        picture=Picture(
            chart,
            alt,
            f"Dot: share of the test cycles it could have counted; line: {run.level_text} interval.",
        ),
        grids=item_grids(rows, run),
        how=how,
        left_out=UNANSWERED[:1],
    )


def item_order(item: str) -> tuple[int, str]:
    every = [i for _, group in GROUPS for i in group]
    short = short_item(item)
    return (every.index(short) if short in every else len(every), item)


def item_dot(r: dict[str, Any]) -> dict[str, Any]:
    return {
        "item": r["item"],
        "vehicle_type": words.vehicle_type(r),
        "model_year": r["model_year"],
        "percent": r["percent"],
        "low_percent": r["low_percent"],
        "high_percent": r["high_percent"],
        "value_text": words.percent(r["percent"]),
        "interval_text": words.interval(r["low_percent"], r["high_percent"], words.percent),
        "count_text": words.count(r["n"]),
        "of_text": f"{words.count(r['of'])} {r['of_what'] or 'test cycles'}",
    }


def item_answer(rows: list[dict[str, Any]]) -> tuple[str, ...]:
    """Sum counts, never shares, over model years and types."""
    sentences = []
    for short, said in (("(i)", "failed"), ("(xxiii)", "came with a monitor not complete")):
        of_item = [r for r in rows if short_item(r["item"]) == short]
        n, of = sum(r["n"] or 0 for r in of_item), sum(r["of"] or 0 for r in of_item)
        if of:
            counted = of_item[0]["of_what"] or "test cycles"
            sentences.append(f"{words.count(n)} of {words.count(of)} {counted} {said} (item {short}).")
    years = sorted({r["model_year"] for r in rows if r["model_year"] is not None})
    if years:
        sentences.append(
            f"Model years {years[0]} to {years[-1]}; shares and intervals stand by model year and vehicle type."
        )
    return tuple(sentences)


def item_grids(rows: list[dict[str, Any]], run: Run) -> tuple[Grid, ...]:
    return tuple(item_grid(name, group, rows, run) for name, group in GROUPS)


def item_grid(name: str, group: tuple[str, ...], rows: list[dict[str, Any]], run: Run) -> Grid:
    """Lay one group of items out by model year and vehicle type: n of of, share, interval."""
    by_cell: dict[tuple[int | None, str], dict[str, dict[str, Any]]] = {}
    for r in rows:
        if short_item(r["item"]) in group:
            by_cell.setdefault((r["model_year"], words.vehicle_type(r)), {})[short_item(r["item"])] = r
    meanings = {short_item(r["item"]): r["meaning"] for r in rows}
    heads = ("Model year", "Vehicle type", *(f"{i} {meanings.get(i, '')}".strip() for i in group))
    lines = (
        Row(
            (
                cells.year(year),
                cells.text(kind),
                *(item_cell(of.get(i)) for i in group),
            )
        )
        for (year, kind), of in by_cell.items()
    )
    caption = f"{name}: counted / could have been counted, share, {run.level_text} interval"
    return grid(caption, heads, lines, "mart.inspection_report", n_text_columns=2)


def item_cell(r: dict[str, Any] | None) -> Cell:
    if r is None or r["percent"] is None:
        return Cell(words.MISSING, None, "0 / 0" if r is not None and not r["of"] else "")
    bounds = words.interval(r["low_percent"], r["high_percent"], words.tenths)
    return Cell(
        words.percent(r["percent"]), r["percent"], f"{words.count(r['n'])} / {words.count(r['of'])}; {bounds}"
    )


def unanswered(report: pl.DataFrame) -> Section:
    asked = [i for _, group in GROUPS for i in group]
    known = {short_item(r["item"]) for r in report.filter(pl.col("of") > 0).iter_rows(named=True)}
    lacking = [i for i in asked if i not in known]
    first = (
        f"Of the {len(asked)} items of (a)(2) that such records can answer,"
        f" {len(asked) - len(lacking)} have at least one test cycle"
        + (f"; without any: {words.listed(lacking)}." if lacking else ".")
        + " (a)(1), (a)(3) and (a)(4) stand above."
    )
    return Section("unanswered", "What can these records not answer?", (first,), left_out=UNANSWERED)
