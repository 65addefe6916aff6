"""Stations whose records give a reason to look: a section of the inspection page."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import words
from reports.charts.inspections import draw_stations
from reports.pages import cells
from reports.pages.page import Cell, Finding, Grid, Picture, Section, choice, table
from reports.pages.readiness import WILSON
from reports.pages.run import Run

#: Measures that count repetitions, and the columns that are alike in each.
REPEATED = {
    "repeated_record": "status_bytes, warmups_since_clear and distance_since_clear_km",
    "repeated_distance": "warmups_since_clear and distance_since_clear_km",
}


def stations(look: pl.DataFrame, run: Run) -> Section:
    question = "Is there a station whose records give a reason to look?"
    how = (
        "Failures and monitors not complete: expected is the station's own model years at the rates of all stations,"
        " and over-dispersion between ordinary stations is allowed for. Repeated readings: expected is what chance"
        " would repeat if they were drawn from the other stations' readings. Soon after a clear, close tests and"
        " quick retests: expected is what the other stations do at the same model years, on days as busy, or at all;"
        " they are less than 80 km after a clear, 3 minutes after another vehicle and 60 minutes after a visit with"
        " more monitors not complete (our choices).",
        "q is Benjamini-Hochberg over all stations and measures, and below 0.01 a station stands out.",
        WILSON,
    )
    if look.is_empty():
        return Section("stations", question, ("Not known: no inspection names a station.",), how=how)
    rows = look.sort("measure", "station_id").to_dicts()
    found = standing_out(rows)
    measures = list(dict.fromkeys(r["measure"] for r in rows))
    first = found[0]["measure"] if found else measures[0]
    alt = (
        "Count at each station against the count expected of an ordinary station in its place;"
        " the dashed line is equality."
    )
    chart = draw_stations([station_dot(r) for r in rows], alt, first)
    n = len({r["station_id"] for r in rows})
    named = len({r["station_id"] for r in found})
    answer = (
        f"{words.plural(named, 'station gives', 'stations give')} a reason to look, of {words.count(n)}."
        " An unusual count has innocent causes too: the vehicles that come, the equipment, the way records are sent."
        if found
        else f"Nothing stands out: none of {words.plural(n, 'station')}, in {words.plural(len(measures), 'measure')}."
    )
    return Section(
        "stations",
        question,
        (answer,),
        notable=True,
        findings=tuple(Finding(station_sentence(r, run)) for r in found[:6]),
        choices=(choice("measure", "Measure", [(m, words.label(m)) for m in measures], first),),
        picture=Picture(
            chart,
            alt,
            "On the dashed line a station counted what was expected. Diamonds give a reason to look.",
        ),
        grids=(station_grid(rows),),
        how=how,
        left_out=("What was done at the station: only a visit or an audit can tell.",),
    )


def standing_out(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick what gives a reason to look, the surest first."""
    return sorted(
        (r for r in rows if r["stands_out"]), key=lambda r: (r["q_value"], r["station_id"], r["measure"])
    )


def station_sentence(r: dict[str, Any], run: Run) -> str:
    return (
        f"{r['station_id']}, {words.label(r['measure'])}: {words.count(r['n'])} of"
        f" {words.plural(r['of'], 'inspection')},"
        f" {words.share(r['share'])} ({run.level_text} interval"
        f" {words.interval(r['low'], r['high'], words.share)}), where"
        f" {words.number(r['expected'])} were expected (q {words.chance(r['q_value'])}).{records_behind(r)}"
    )


def records_behind(r: dict[str, Any], most: int = 5) -> str:
    """Name the first records behind a finding, say of how many they are the first, and where the others are found."""
    ids = r["inspection_ids"] or []
    if not ids:
        return ""
    named = f"{', '.join(ids[:most])}{', ...' if len(ids) > most else ''}"
    if r["measure"] in REPEATED:
        return (
            f" The first record of each repetition: {named}. The others have the same {REPEATED[r['measure']]} at this"
            " station, in table core.inspections."
        )
    if len(ids) <= most and len(ids) == r["n"]:
        return f" Records: {named}."
    return (
        f" The first {min(most, len(ids))} of {words.plural(r['n'], 'record')}: {named}; {len(ids)} of them stand in"
        " column inspection_ids of table mart.station_look."
    )


def station_dot(r: dict[str, Any]) -> dict[str, Any]:
    return {
        "measure": r["measure"],
        "station_id": r["station_id"],
        "n": r["n"],
        "expected": r["expected"],
        "mark": "a reason to look" if r["stands_out"] else "as expected",
        "note": r["station_id"] if r["stands_out"] else "",
        "count_text": f"{words.count(r['n'])} of {words.count(r['of'])}",
        "expected_text": words.number(r["expected"]),
        "value_text": words.share(r["share"]),
        "interval_text": words.interval(r["low"], r["high"], words.share),
        "chance_text": words.chance(r["q_value"]),
    }


def station_grid(rows: list[dict[str, Any]]) -> Grid:
    return table(
        "The chosen measure, by station",
        (
            ("Station", lambda r: cells.text(r["station_id"] or "not recorded", bool(r["stands_out"]))),
            (
                "Measure",
                lambda r: Cell(words.label(r["measure"]), r["measure"], ", ".join(r["inspection_ids"] or ())),
            ),
            ("Counted", lambda r: cells.count(r["n"])),
            ("Of", lambda r: cells.count(r["of"])),
            ("Share", lambda r: cells.bounded(r["share"], r["low"], r["high"], write=words.share)),
            ("Expected", lambda r: cells.number(r["expected"])),
            ("Times expected", lambda r: cells.number(r["ratio"], 2)),
            ("q", lambda r: cells.chance(r["q_value"])),
        ),
        rows,
        "mart.station_look",
        choice="measure",
        n_text_columns=2,
        limit=3000,
        of=lambda r: r["measure"],
    )
