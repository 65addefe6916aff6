"""Which monitors are not complete when vehicles arrive: a section of the inspection page."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.tables import READINESS
from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Picture, Section, choice, table
from reports.pages.run import Run

MAX_MODELS = 60

WILSON = "Interval of a share: Wilson score (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927)."


def ready(readiness: pl.DataFrame, run: Run) -> Section:
    question = "Which monitors are not complete when vehicles arrive, and on which models?"
    how = (
        "Inspections in which the monitor applies to the vehicle and its state is known, from the monitor status bytes"
        " (SAE J1979 service 01, parameter 01) or the station's list of monitors not complete.",
        WILSON,
    )
    rows = [
        r for r in readiness.sort("monitor", "make", "model").to_dicts() if r["not_ready_rate"] is not None
    ]
    if not rows:
        return Section(
            "readiness", question, ("Not known: no inspection tells the state of a monitor.",), how=how
        )
    monitors = list(dict.fromkeys(r["monitor"] for r in rows))
    first = "evap" if "evap" in monitors else monitors[0]
    dots = [d for m in monitors for d in ready_dots([r for r in rows if r["monitor"] == m])]
    alt = "Share of inspections with the chosen monitor not complete, by model, with intervals."
    chart = draw_intervals(
        dots,
        x_title=words.axis_title(READINESS, "not_ready_rate"),
        description=alt,
        x_format="%",
        scale="sqrt",
        chosen={"monitor": first},
        count_title="inspections",
    )
    return Section(
        "readiness",
        question,
        (worst_sentence(worst([r for r in rows if r["monitor"] == first]), run),),
        choices=(choice("monitor", "Monitor", [(m, words.label(m)) for m in monitors], first),),
        picture=Picture(
            chart,
            alt,
            f"Dot: share; line: {run.level_text} interval. Sorted by the lower bound; the axis is a square root.",
        ),
        grids=(
            table(
                "The chosen monitor, by model",
                (
                    ("Model", lambda r: cells.text(words.of_model(r))),
                    ("Monitor", lambda r: cells.text(words.label(r["monitor"]))),
                    ("Inspections", lambda r: cells.count(r["n_inspections"])),
                    ("Not complete", lambda r: cells.count(r["n_not_ready"])),
                    (
                        "Share",
                        lambda r: cells.bounded(r["not_ready_rate"], r["low"], r["high"], write=words.share),
                    ),
                ),
                rows,
                "mart.readiness",
                of=lambda r: r["monitor"],
                choice="monitor",
                n_text_columns=2,
                limit=len(rows),
            ),
        ),
        how=how,
        left_out=("Inspections without monitor information, and monitors that a vehicle does not have.",),
    )


def worst(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Pick the row whose lower bound is highest: high, and counted often enough to say so."""
    return max(
        rows,
        key=lambda r: (r["low"] if r["low"] is not None else -1, r["n_inspections"], r["make"], r["model"]),
    )


def worst_sentence(r: dict[str, Any], run: Run) -> str:
    return (
        f"Highest for the {words.label(r['monitor'])} monitor: {words.of_model(r)}, not complete in"
        f" {words.count(r['n_not_ready'])} of {words.plural(r['n_inspections'], 'inspection')},"
        f" {words.share(r['not_ready_rate'])}"
        f" ({run.level_text} interval {words.interval(r['low'], r['high'], words.share)})."
    )


def ready_dots(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    ordered = sorted(rows, key=lambda r: (-(r["low"] or 0), words.of_model(r)))[:MAX_MODELS]
    return [
        interval_dot(
            words.of_model(r),
            order,
            (r["not_ready_rate"], r["low"], r["high"]),
            f"{words.count(r['n_not_ready'])} of {words.count(r['n_inspections'])}",
            write=words.share,
            monitor=r["monitor"],
            mark="",
        )
        for order, r in enumerate(ordered)
    ]
