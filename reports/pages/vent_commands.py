"""Whether the sources' vent commands can be what they say: a section of the page on the data."""

from __future__ import annotations

import polars as pl

from reports import words
from reports.pages.page import Finding, Row, Section, grid, number_cell, text_cell

QUESTION = "Do the vent commands agree with what the tanks did?"


def vent_commands(sources: pl.DataFrame) -> Section:
    if sources.is_empty():
        return Section("vent_commands", QUESTION, ("Not known: no recording tells it.",))
    rows = sources.sort("source_id").to_dicts()
    doubted = [r for r in rows if r["is_vent_doubted"]]
    answer = (
        "In every source as far as its recordings tell."
        if not doubted
        else f"Not in {len(doubted)} of {words.plural(len(rows), 'source')}, whose tests are not judged."
    )
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
        QUESTION,
        (answer,),
        findings=findings,
        grids=(grid("Vent commands by source", heads, lines, "mart.source_vent"),),
        how=(
            "A recording tells where a draw followed a vent that was commanded shut, or purge flowed through an open"
            " one. One with vacuum under the open vent shows a restricted vent path; a source in which at least five"
            " do, and half of those that tell, has a command that cannot be what it says.",
        ),
    )
