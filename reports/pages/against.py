"""Which parts were repaired against the recording before: a section of the shops page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from reports import words
from reports.pages import cells
from reports.pages.comebacks import LATEST
from reports.pages.page import Column, Grid, Section, table
from reports.pages.run import Run

HOW = (
    "By the last recording before the repair that could be judged. Against it: it leaves parts open and the one that"
    " was repaired is not among them, or the system held and the part is one that only a leak condemns. Shares are of"
    " the repairs of which a recording tells; bounds by E. B. Wilson (J. Am. Stat. Assoc. 22, 1927).",
)


def against(shops: pl.DataFrame, checks: pl.DataFrame, run: Run, files: Mapping[str, str]) -> Section:
    """Count the repairs against the recording by shop and list the latest; `files` are the pages of jobs."""
    question = "Which parts were repaired against the recording before?"
    rows = shops.sort("by", "group").to_dicts()
    everyone = next((r for r in rows if r["by"] == "all"), None)
    if everyone is None:
        return Section(
            "against", question, ("Not known: no recording before a repair tells of its part.",), how=HOW
        )
    listed = checks.filter(pl.col("evidence_agrees") == "no")
    latest = listed.sort("opened_on", "job_id", descending=[True, False], nulls_last=True).head(LATEST)
    return Section(
        "against",
        question,
        (
            f"In {words.count(everyone['n_against'])} of {words.plural(everyone['n_told'], 'repair')} of which a"
            " recording before tells another part was repaired than it supports:"
            f" {words.bounded_share(everyone['share_against'], everyone['low'], everyone['high'])}.",
        ),
        grids=(
            shop_grid([r for r in rows if r["by"] == "shop"], run),
            repair_grid(latest.to_dicts(), listed.height, files),
        ),
        how=HOW,
        left_out=(
            "Repairs without a judged recording before them, and those of which it cannot say.",
            "Nothing by date: repairs outside the window count here as well.",
            "What the technician saw beside the recording: a part may have been bad all the same.",
        ),
        wide=True,
    )


def shop_grid(rows: list[dict[str, Any]], run: Run) -> Grid:
    return table(
        f"Repairs against the recording by shop, with {run.level_text} intervals",
        (
            ("Shop", lambda r: cells.text(r["group"])),
            ("Repairs of which one tells", lambda r: cells.count(r["n_told"])),
            ("Against it", lambda r: cells.count(r["n_against"])),
            ("Share", lambda r: cells.bounded(r["share_against"], r["low"], r["high"], write=words.share)),
        ),
        rows,
        "mart.against_evidence",
    )


def repair_grid(rows: list[dict[str, Any]], n_all: int, files: Mapping[str, str]) -> Grid:
    columns: tuple[Column, ...] = (
        ("Repair, opened", lambda r: cells.job(r["job_id"], files, words.day(r["opened_on"]))),
        ("Part repaired", lambda r: cells.named(words.label(r["component"]), words.label(r["action"]))),
        ("Recording before", lambda r: cells.named(words.label(r["before_verdict"]))),
        (
            "Parts it leaves open",
            lambda r: cells.named(words.listed(words.label(s) for s in r["suspects"] or ())),
        ),
        ("Shop, technician", lambda r: cells.named(r["shop_id"], r["technician_id"] or "")),
        ("Vehicle", lambda r: cells.named(r["vehicle_id"], words.of_model(r))),
        ("Proof", lambda r: cells.named(words.label(r["verified"]))),
    )
    return table(
        "The latest repairs against the recording",
        columns,
        rows,
        "mart.repair_check",
        n_text_columns=len(columns),
        n_all=n_all,
    )
