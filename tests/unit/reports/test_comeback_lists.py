"""The shops page names what it counts: repairs that came back, against the recording, again and again."""

from __future__ import annotations

import polars as pl

from reports.pages import shops
from reports.pages.run import last_run
from tests.unit.reports.page_reading import section, table_of
from tests.unit.reports.report_frames import reader


def test_the_latest_comebacks_are_listed_and_all_are_counted(pages, tables):
    said = section(shops, tables, "comebacks")
    n_other = len([i for i in range(187) if i % 3 == 0])
    assert said.answer == (
        f"187 of 2,431 repairs came back: {187 - n_other} to the shop that had made them, {n_other} to another; in 94"
        " the same part was repaired again.",
    )
    lines = table_of(pages["shops.html"], "The latest repairs that came back")
    assert len(lines) == 1 + 25
    assert lines[1][0] == "J00186 2024-07-05"
    assert lines[1][2] == "shop-05"
    assert lines[1][-2:] == ["–", "–"]
    assert lines[2] == [
        "J00185 2024-07-04",
        "vent valve replaced",
        "shop-04 T106",
        "V185 Halden Orrin",
        "J00685 another part",
        "shop-04",
        "no recording",
        "recording cannot say",
        "3",
        "1.25",
        "84.50 USD",
    ]
    assert "The first 25 of 187 rows." in pages["shops.html"].text


def test_jobs_lead_to_their_page_where_they_have_one(tables):
    files = {
        "J00186": "jobs/a.html",
        "J00684": "jobs/b.html",
        "J00899": "jobs/c.html",
        "J00010": "jobs/d.html",
    }
    page = shops.make_page(reader(tables), last_run(tables["audit.runs"]), files)
    led = {
        s.key: {c.text: c.href for g in s.grids for r in g.rows for c in r.cells if c.href}
        for s in page.sections
    }
    assert led["comebacks"] == {"J00186": "jobs/a.html", "J00684": "jobs/b.html"}
    assert led["recurrence"] == {"J00010": "jobs/d.html"}
    listed = tables["mart.repair_check"].filter(pl.col("evidence_agrees") == "no")["job_id"]
    assert led["against"] == ({"J00899": "jobs/c.html"} if "J00899" in listed else {})


def test_repairs_against_the_recording_are_counted_by_shop_and_listed(pages, tables):
    said = section(shops, tables, "against")
    assert said.answer == (
        "In 300 of 600 repairs of which a recording before tells another part was repaired than it supports: 50.0%"
        " (46.0% to 54.0%).",
    )
    by_shop = table_of(pages["shops.html"], "Repairs against the recording by shop")
    assert by_shop[1] == ["shop-01", "40", "20", "50.0% 35.2% to 64.8%"]
    assert len(by_shop) == 1 + 14
    lines = table_of(pages["shops.html"], "The latest repairs against the recording")
    assert len(lines) == 1 + 25
    assert lines[1][2:4] == ["no vacuum arrives", "purge valve and vapor line"]
    assert "The first 25 of 300 rows." in pages["shops.html"].text


def test_vehicles_with_three_failures_of_one_part_are_named_the_most_first(pages, tables):
    said = section(shops, tables, "recurrence").answer[0]
    assert said == (
        "Yes: 15 vehicles had three failures or more of one part. Most often: V8 (Vantry Mole), vent valve, 10 failures"
        " at 2 shops from 2023-02-03 to 2024-01-18."
    )
    lines = table_of(pages["shops.html"], "Vehicles with three failures or more")
    assert len(lines) == 1 + 25
    assert lines[1] == [
        "V8 Vantry Mole",
        "vent valve",
        "J00017 2024-01-18, shop-04",
        "10",
        "2",
        "2",
    ]
    assert [int(line[3]) for line in lines[1:]] == sorted((int(line[3]) for line in lines[1:]), reverse=True)


def test_a_quiet_fleet_is_told_as_one_and_an_unknown_one_as_unknown(tables):
    quiet = tables | {name: tables[name].clear() for name in ("mart.comeback", "mart.repeated_failure")}
    assert section(shops, quiet, "comebacks").answer[0].startswith("None: of 2,431 repairs closed")
    assert section(shops, quiet, "recurrence").answer[0].startswith("No vehicle had three failures")
    unknown = quiet | {
        name: tables[name].clear() for name in ("mart.first_time_fix", "mart.against_evidence")
    }
    assert section(shops, unknown, "comebacks").answer[0].startswith("Not known: no repair was closed")
    assert section(shops, unknown, "against").answer[0].startswith("Not known: no recording before")
