"""Vehicles on which a part failed again and again: named in a section of the shops page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from reports import words
from reports.pages import cells
from reports.pages.comebacks import LATEST
from reports.pages.page import Grid, table


def most_repeated(rows: pl.DataFrame) -> list[dict[str, Any]]:
    """Order the vehicles by how often the part failed, the latest first among equals."""
    descending = [True, True, False, False]
    order = ("n_failures", "last_on", "vehicle_id", "component")
    return rows.sort(order, descending=descending, nulls_last=True).to_dicts()


def repeat_sentence(rows: list[dict[str, Any]]) -> str:
    """Say how many vehicles had three failures or more of one part, and on which it was most."""
    if not rows:
        return "No vehicle had three failures or more of one part."
    first = rows[0]
    n_vehicles = len({r["vehicle_id"] for r in rows})
    return (
        f"Yes: {words.plural(n_vehicles, 'vehicle')} had three failures or more of one part. Most often:"
        f" {first['vehicle_id']} ({words.of_model(first)}), {words.label(first['component'])},"
        f" {words.plural(first['n_failures'], 'failure')} at {words.plural(first['n_shops'], 'shop')} from"
        f" {words.day(first['first_on'])} to {words.day(first['last_on'])}."
    )


def repeat_grid(rows: list[dict[str, Any]], files: Mapping[str, str]) -> Grid:
    return table(
        "Vehicles with three failures or more of one part",
        (
            ("Vehicle", lambda r: cells.named(r["vehicle_id"], words.of_model(r))),
            ("Part", lambda r: cells.named(words.label(r["component"]))),
            (
                "Last repair, opened",
                lambda r: cells.job(
                    r["last_job_id"],
                    files,
                    f"{words.day(r['last_on'])}, {r['last_shop_id'] or 'shop not recorded'}",
                ),
            ),
            ("Failures", lambda r: cells.count(r["n_failures"])),
            ("Of these, comebacks", lambda r: cells.count(r["n_comebacks"])),
            ("Shops", lambda r: cells.count(r["n_shops"])),
        ),
        rows[:LATEST],
        "mart.repeated_failure",
        n_text_columns=3,
        n_all=len(rows),
    )
