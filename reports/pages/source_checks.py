"""Whether the sources' vent commands and pressures can be what they say: two sections of the page on the data."""

from __future__ import annotations

import polars as pl

from reports import words
from reports.pages.page import Finding, Row, Section, grid, number_cell, text_cell

VENT = "Do the vent commands agree with what the tanks did?"
PRESSURE = "Are the pressures in the unit that they are read in?"

UNTOLD = "Not known: no recording tells it."


def _answer(n_doubted: int, n: int) -> str:
    if not n_doubted:
        return "In every source as far as its recordings tell."
    return f"Not in {n_doubted} of {words.plural(n, 'source')}, whose tests are not judged."


def vent_commands(sources: pl.DataFrame) -> Section:
    if sources.is_empty():
        return Section("vent_commands", VENT, (UNTOLD,))
    rows = sources.sort("source_id").to_dicts()
    doubted = [r for r in rows if r["is_vent_doubted"]]
    findings = tuple(
        Finding(
            f"{r['source_id']}: in {words.count(r['n_vacuum_under_open_vent'])} of"
            f" {words.plural(r['n_told'], 'recording')} vacuum came while the vent was commanded open throughout. The"
            " command is the wrong way round, or not recorded: declare which word means shut, under"
            " [samples.values.is_vent_closed] of its source.toml, or export the command."
        )
        for r in doubted
    )
    lines = (
        Row(
            (
                text_cell(r["source_id"] or words.MISSING),
                number_cell(words.count(r["n_told"]), r["n_told"]),
                number_cell(words.count(r["n_vacuum_under_open_vent"]), r["n_vacuum_under_open_vent"]),
                text_cell("no" if r["is_vent_doubted"] else "yes"),
            )
        )
        for r in rows
    )
    heads = ("Source", "Recordings that tell", "With vacuum under an open vent", "Believed")
    return Section(
        "vent_commands",
        VENT,
        (_answer(len(doubted), len(rows)),),
        findings=findings,
        grids=(grid("Vent commands by source", heads, lines, "mart.source_vent"),),
        how=(
            "A recording tells where a draw followed a vent that was commanded shut, or purge flowed through an open"
            " one. One with vacuum under the open vent shows a restricted vent path; a source in which at least five"
            " do, and half of those that tell, has a command that cannot be what it says.",
        ),
    )


def pressure_units(sources: pl.DataFrame) -> Section:
    if sources.is_empty():
        return Section("pressure_units", PRESSURE, (UNTOLD,))
    rows = sources.sort("source_id").to_dicts()
    doubted = [r for r in rows if r["is_pressure_doubted"]]
    findings = tuple(
        Finding(
            f"{r['source_id']}: {words.plural(r['n_drawn'], 'draw')} of"
            f" {words.plural(r['n_vehicles'], 'vehicle')}, and none moved the pressure by more than"
            f" {words.number(r['greatest_span_pa'], 2)} Pa. Draws move it by kilopascals: declare the unit in which"
            " tank_pressure comes, under [samples.units] of its source.toml."
        )
        for r in doubted
    )
    lines = (
        Row(
            (
                text_cell(r["source_id"] or words.MISSING),
                number_cell(words.count(r["n_drawn"]), r["n_drawn"]),
                number_cell(words.count(r["n_vehicles"]), r["n_vehicles"]),
                number_cell(words.number(r["greatest_span_pa"]), r["greatest_span_pa"]),
                text_cell("no" if r["is_pressure_doubted"] else "yes"),
            )
        )
        for r in rows
    )
    heads = ("Source", "Recordings with a draw", "Vehicles", "Largest span of one, Pa", "Believed")
    return Section(
        "pressure_units",
        PRESSURE,
        (_answer(len(doubted), len(rows)),),
        findings=findings,
        grids=(grid("Pressures by source", heads, lines, "mart.source_pressure"),),
        how=(
            "Of a source with at least eight draws of three vehicles, each of 3 s or more behind a shut vent while the"
            " engine ran, one must find vacuum. Where all of them move the pressure by less than 100 Pa, it is in"
            " another unit: a purge valve that stays shut, or a cap that is off, is one vehicle's.",
        ),
    )
