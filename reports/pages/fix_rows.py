"""Rows of the shops page: how repairs last, as text, dots and table lines."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import words
from reports.charts.intervals import interval_dot
from reports.pages import cells
from reports.pages.page import Cell, Grid, table
from reports.pages.run import Run

SERIES = ("all repairs, censored ones included", "followed to the end only")
#: Pictures show so many groups, those with the lowest shares; the tables show all.
MAX_GROUPS = 60


def with_words(fixes: pl.DataFrame) -> list[dict[str, Any]]:
    """Give each row of `mart.first_time_fix` its name and its numbers as text."""
    return [
        row
        | {
            "name": words.label(row["group"])
            if row["by"] in ("component", "verified", "evidence")
            else row["group"],
            "flag": (row["funnel"] or "").startswith("beyond"),
            "count_text": f"{words.plural(row['n_repairs'], 'repair')}, {words.plural(row['n_comebacks'], 'comeback')}",
            "value_text": words.share(row["first_time_fix"]),
            "interval_text": words.interval(row["low"], row["high"], words.share),
        }
        for row in fixes.sort("by", "group").to_dicts()
    ]


def fix_dots(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Lay one grouping out for `draw_intervals`, the lowest share first."""
    ordered = sorted(rows, key=lambda f: (f["first_time_fix"] is None, f["first_time_fix"], f["name"]))[
        :MAX_GROUPS
    ]
    dots = []
    for order, f in enumerate(ordered):
        shared: dict[str, Any] = {"write": words.share, "by": f["by"], "mark": ""}
        naive = (f[f"first_time_fix_naive{end}"] for end in ("", "_low", "_high"))
        followed = f"{words.plural(f['n_followed'], 'repair')} followed to the end"
        every = (f["first_time_fix"], f["low"], f["high"])
        dots += [
            interval_dot(f["name"], order, every, f["count_text"], series=SERIES[0], **shared),
            interval_dot(f["name"], order, naive, followed, series=SERIES[1], **shared),
        ]
    return dots


def fix_grid(rows: list[dict[str, Any]], head: str, run: Run, of: str = "") -> Grid:
    return table(
        f"First-time fix by {head.lower()} with {run.level_text} intervals",
        (
            (head, lambda f: cells.text(f["name"], f["flag"])),
            (
                "Without a comeback",
                lambda f: cells.bounded(f["first_time_fix"], f["low"], f["high"], write=words.share),
            ),
            (
                "Expected share",
                lambda f: Cell(words.share(f["expected"]), f["expected"], words.label(f["funnel"] or "")),
            ),
            ("Repairs", lambda f: cells.count(f["n_repairs"])),
            ("Comebacks", lambda f: cells.count(f["n_comebacks"])),
            ("Expected comebacks", lambda f: cells.number(f["n_comebacks_expected"])),
            ("Followed to the end", lambda f: cells.count(f["n_followed"])),
            (
                "Followed only",
                lambda f: cells.bounded(
                    *(f[f"first_time_fix_naive{end}"] for end in ("", "_low", "_high")), write=words.share
                ),
            ),
        ),
        rows,
        "mart.first_time_fix",
        choice=of,
        limit=2000,
        of=lambda f: f[of] if of else "",
    )
