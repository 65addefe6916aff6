"""Which repairs came back: a section of the shops page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from reports import words
from reports.pages import cells
from reports.pages.page import Cell, Grid, Section, table

#: A page lists so many; the table has all.
LATEST = 25

LISTED = (
    "Each row is one repair that came back: the shop and technician are those of the repair before it, against which it"
    " counts. Labor and parts are those of the whole visit as which it came back, where every line of it tells them."
)


def comebacks(rows: pl.DataFrame, n_repairs: int, files: Mapping[str, str]) -> Section:
    """List the latest comebacks; `n_repairs` were closed inside the window, `files` are the pages of jobs."""
    question = "Which repairs came back, and to whom?"
    if not n_repairs:
        return Section("comebacks", question, ("Not known: no repair was closed inside the window.",))
    if rows.is_empty():
        none = f"None: of {words.plural(n_repairs, 'repair')} closed inside the window none came back."
        return Section("comebacks", question, (none,))
    latest = rows.sort("closed_on", "job_id", descending=[True, False], nulls_last=True).head(LATEST)
    return Section(
        "comebacks",
        question,
        (answer(rows, n_repairs),),
        grids=(comeback_grid(latest.to_dicts(), rows.height, files),),
        how=(LISTED,),
        left_out=(
            "Whose fault a comeback was: a new fault on the same vehicle counts as well.",
            "Job pages: only the latest jobs with a recording have one (setting job_pages).",
        ),
        wide=True,
    )


def answer(rows: pl.DataFrame, n_repairs: int) -> str:
    n_back = rows.height
    n_same_shop = rows.filter(pl.col("shop_id") == pl.col("comeback_shop_id")).height
    n_same_part = rows.filter("is_same_component").height
    return (
        f"{words.count(n_back)} of {words.plural(n_repairs, 'repair')} came back: {words.count(n_same_shop)} to the"
        f" shop that had made them, {words.count(n_back - n_same_shop)} to another; in {words.count(n_same_part)} the"
        " same part was repaired again."
    )


def comeback_grid(rows: list[dict[str, Any]], n_all: int, files: Mapping[str, str]) -> Grid:
    return table(
        "The latest repairs that came back",
        (
            ("Repair, closed", lambda r: cells.job(r["job_id"], files, words.day(r["closed_on"]))),
            ("Part", lambda r: cells.named(words.label(r["component"]), words.label(r["action"]))),
            ("Shop, technician", lambda r: cells.named(r["shop_id"], r["technician_id"] or "")),
            ("Vehicle", lambda r: cells.named(r["vehicle_id"], words.of_model(r))),
            (
                "Came back as",
                lambda r: cells.job(
                    r["comeback_job_id"],
                    files,
                    "same part again" if r["is_same_component"] else "another part",
                ),
            ),
            ("To shop", lambda r: cells.named(r["comeback_shop_id"])),
            ("Proof", lambda r: cells.named(words.label(r["verified"]))),
            ("Evidence before", lambda r: cells.named(words.label(r["evidence_agrees"]))),
            ("After days", lambda r: cells.count(r["days"])),
            ("Labor, h", lambda r: cells.number(r["labor_h"])),
            (
                "Parts cost",
                lambda r: Cell(words.number(r["parts_cost"], 4), r["parts_cost"], r["currency"] or ""),
            ),
        ),
        rows,
        "mart.comeback",
        n_text_columns=8,
        n_all=n_all,
    )
