"""What recordings conclude: a section of the leaks page."""

from __future__ import annotations

import polars as pl

from pipeline.contract.vocabulary import STAGES, VERDICTS
from reports import words
from reports.charts.bars import draw_bars
from reports.pages import cells
from reports.pages.page import Cell, Grid, Picture, Row, Section, choice, grid

MEANINGS: dict[str, str] = {
    "holds": "Vacuum, or pressure put in, stays: tight within what the recording can tell.",
    "leak": "Vacuum builds and decays at a rate that gives a size.",
    "gross_leak": "Vacuum cannot build and is gone when the purge shuts: a large opening, or the vent path is open.",
    "no_vacuum": "The purge is commanded open and no vacuum arrives: look at the purge valve, its line and its wiring.",
    "purge_passes_closed": "Vacuum appears with the purge shut: the purge valve passes.",
    "vent_restricted": "Vacuum stays after the vent opens, or appears while it is open: the vent path is restricted.",
    "sensor_flat": "The sensor does not move.",
    "sensor_offset": "The sensor does not read zero at rest.",
    "sensor_disagrees": "The sensor's volts and the reported pressure tell different stories.",
    "not_judged": "The recording lacks what a judgement needs; its evidence says what.",
}


def verdicts(traces: pl.DataFrame) -> Section:
    question = "What do the recordings conclude?"
    if traces.is_empty():
        return Section("verdicts", question, ("Not known: no accepted recording.",))
    counts = verdict_counts(traces)
    rows = [
        {
            "stage": stage,
            "category": words.label(verdict),
            "order": VERDICTS.index(verdict),
            "value": n,
            "bar_text": words.count(n),
            "count_text": words.count(n),
        }
        for (stage, verdict), n in counts.items()
    ]
    alt = "Recordings by what they conclude, for the chosen stage."
    total = {v: counts.get(("all", v), 0) for v in VERDICTS}
    n_not = total["not_judged"]
    judged = traces.height - n_not
    stages = [("all", "all"), *((s, words.label(s)) for s in STAGES if any(k[0] == s for k in counts))]
    return Section(
        "verdicts",
        question,
        (
            f"{words.count(judged)} of {words.plural(traces.height, 'recording')} could be judged;"
            f" {words.count(total['holds'])} hold,"
            f" {words.count(total['leak'])} leak, {words.count(total['gross_leak'])} leak grossly.",
        ),
        choices=(choice("stage", "Stage", stages),),
        picture=Picture(draw_bars(rows, "recordings", alt, {"stage": "all"}), alt),
        grids=(verdict_grid(traces, counts),),
        how=(
            "Each recording is cut into rest, closed, draw, hold and release by what was commanded,"
            " never by the clock, and"
            " judged from how pressure moved in each. A verdict is about the system as recorded; it"
            " does not replace the"
            " service procedure. See one recording as a picture: evapfleet explain DIR TRACE_ID.",
        ),
        left_out=("Recordings that were refused; the page on the data says why.",),
    )


def verdict_counts(traces: pl.DataFrame) -> dict[tuple[str, str], int]:
    """Count recordings by stage and verdict; stage "all" is every one."""
    by_stage = traces.group_by("stage", "verdict").len("n").sort("stage", "verdict").to_dicts()
    counts = {(r["stage"], r["verdict"]): int(r["n"]) for r in by_stage if r["verdict"] in VERDICTS}
    for (_, verdict), n in list(counts.items()):
        counts["all", verdict] = counts.get(("all", verdict), 0) + n
    return counts


def verdict_grid(traces: pl.DataFrame, counts: dict[tuple[str, str], int]) -> Grid:
    first = traces.sort("quality", "trace_id", descending=[True, False], nulls_last=True).unique(
        "verdict", keep="first", maintain_order=True
    )
    example = {r["verdict"]: r for r in first.iter_rows(named=True)}
    lines = []
    for verdict in VERDICTS:
        r = example.get(verdict)
        if r is None:
            continue
        suspects = words.listed(words.label(s) for s in r["suspects"] or ())
        lines.append(
            Row(
                (
                    cells.text(words.label(verdict)),
                    cells.text(MEANINGS[verdict]),
                    Cell(
                        r["evidence"] or "",
                        None,
                        f"{r['trace_id']}" + (f"; look at: {suspects}" if suspects else ""),
                    ),
                    *(cells.count(counts.get((s, verdict), 0)) for s in ("all", *STAGES)),
                )
            )
        )
    heads = (
        "Verdict",
        "What it means",
        "The clearest recording, in its own words",
        "All",
        *(words.label(s).capitalize() for s in STAGES),
    )
    return grid("Verdicts, with an example of each", heads, lines, "mart.trace_result", n_text_columns=3)
