"""For whoever sends and keeps the data: what came in, what was refused, what to fix at the source."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.contract.rules import RULE_MEANINGS
from reports import words
from reports.charts.counts import draw_counts
from reports.charts.frame import to_spec
from reports.pages.page import Cell, Finding, Grid, Page, Picture, Row, Section, grid, number_cell, text_cell
from reports.pages.run import Run

MAX_BARS = 30
MAX_EXAMPLES = 3
MAX_TEXT = 200

ADVICE: dict[str, str] = {
    "shape": "Export with one delimiter, and quote text that holds it; check `delimiter` in source.toml.",
    "required": "Fill the field before export, or map the column that holds it in source.toml.",
    "type": "Export numbers as numbers and times with a zone; or declare the decimal mark, format and time zone in source.toml.",
    "range": "Check the unit first, then the instrument; declare the unit in source.toml.",
    "vocabulary": "Map the source's word to ours under `values` in source.toml.",
    "vin_check_digit": "Scan the number instead of typing it; correct it in the register.",
    "trouble_code_form": "Export codes as letter and four digits, one by one, without their text.",
    "obd_bytes": "Export the whole response, two hexadecimal digits a byte.",
    "time_order": "Correct the date that was entered late or in the wrong order; check the time zone.",
    "unique": "Give every record its own key, or stop sending the same key with other content.",
    "reference": "Send the record that is referred to, or repair the one that was refused.",
    "vehicle_agrees": "Correct the vehicle on the recording or on its job.",
}


def make_page(read: Callable[[str], pl.DataFrame], run: Run) -> Page:
    """Make the data page from `audit.files`, `audit.runs` and `quarantine.records`."""
    files, quarantine = read("audit.files"), read("quarantine.records")
    sections = (refused(quarantine, files), list_files(files), skipped(files, run), steps(run), choices(run))
    lead = (files_sentence(files),)
    return Page(
        "data.html",
        "Data",
        "What came in, and what to fix",
        "For whoever sends and keeps the data",
        lead,
        sections,
    )


def files_sentence(files: pl.DataFrame) -> str:
    if files.is_empty():
        return "No file has been read."
    read_, good, bad, again = (
        int(files[c].sum() or 0) for c in ("n_read", "n_accepted", "n_quarantined", "n_duplicate")
    )
    sources = words.plural(files["source_id"].n_unique(), "source")
    return (
        f"{words.plural(files.height, 'file')} of {sources}: {words.plural(read_, 'record')} read ="
        f" {words.count(good)} accepted + {words.count(bad)} quarantined + {words.count(again)} said again."
    )


def refused(quarantine: pl.DataFrame, files: pl.DataFrame) -> Section:
    question = "Which records were refused, and what would fix them at the source?"
    how = (
        "Every record is checked at the door against the contract. One that breaks a rule is set aside with the rule, the"
        " value and a sentence, and the rest goes on. A record that breaks several rules counts once under each.",
    )
    if quarantine.is_empty():
        return Section(
            "refused",
            question,
            ("Nothing was refused: every record that was read keeps every rule.",),
            how=how,
        )
    groups = refusal_groups(quarantine)
    n_records = quarantine.unique(["file", "row"]).height
    rows = [
        {
            "category": f"{g['source_id']} · {g['kind']} · {g['rule']} · {g['column']}",
            "order": i,
            "n": g["n"],
            "count_text": words.count(g["n"]),
        }
        for i, g in enumerate(groups[:MAX_BARS])
    ]
    alt = "Refused records by source, kind, rule and field."
    return Section(
        "refused",
        question,
        (
            f"{words.plural(n_records, 'record')} broke {words.plural(quarantine.height, 'rule')} in {words.plural(len(groups), 'way')}. Most often:",
        ),
        findings=tuple(Finding(refusal_sentence(g)) for g in groups[:3]),
        picture=Picture(
            to_spec(draw_counts(rows, "refused records", alt)), alt, "Source, kind of record, rule, field."
        ),
        grids=(refusal_grid(groups),),
        how=how,
        left_out=("Values longer than 200 characters are cut here; quarantine.records holds them whole.",),
        open_numbers=True,
    )


def refusal_groups(quarantine: pl.DataFrame) -> list[dict[str, Any]]:
    """Count refused records by source, kind, rule and field, most first, each with examples in file order."""
    keys = ["source_id", "kind", "rule", "column"]
    return (
        quarantine.sort("file", "row", "rule", "column")
        .group_by(keys, maintain_order=True)
        .agg(
            pl.len().alias("n"),
            pl.col("value").drop_nulls().unique(maintain_order=True).head(MAX_EXAMPLES).alias("examples"),
            pl.col("reason").first(),
            pl.col("file").first(),
            pl.col("row").first(),
        )
        .with_columns(pl.col(k).fill_null("") for k in keys)
        .sort("n", *keys, descending=[True, False, False, False, False])
        .to_dicts()
    )


def refusal_sentence(g: dict[str, Any]) -> str:
    return f"{g['source_id']}, {g['kind']}: {words.plural(g['n'], 'record')}. {cut(g['reason'])} {ADVICE.get(g['rule'], '')}"


def refusal_grid(groups: list[dict[str, Any]]) -> Grid:
    lines = (
        Row(
            (
                text_cell(g["source_id"]),
                Cell(
                    f"{g['kind']}: {g['column']}" if g["column"] else g["kind"], f"{g['kind']} {g['column']}"
                ),
                Cell(g["rule"], g["rule"], RULE_MEANINGS.get(g["rule"], "")),
                Cell(
                    "; ".join(cut(v) for v in g["examples"]) or words.MISSING,
                    None,
                    f"first: {g['file']}, record {g['row']}",
                ),
                Cell(cut(g["reason"]), None),
                Cell(ADVICE.get(g["rule"], words.MISSING), None),
                number_cell(words.count(g["n"]), g["n"]),
            )
        )
        for g in groups
    )
    heads = (
        "Source",
        "Field",
        "Rule",
        "Values as they came",
        "The first, in a sentence",
        "What to fix",
        "Records",
    )
    return grid(
        "What was refused, by source, field and rule", heads, lines, "quarantine.records", n_text_columns=6
    )


def cut(text: str | None) -> str:
    if text is None:
        return ""
    return text if len(text) <= MAX_TEXT else text[:MAX_TEXT] + "…"


def list_files(files: pl.DataFrame) -> Section:
    question = "Which files are behind these pages?"
    if files.is_empty():
        return Section("files", question, ("None: no file has been read.",))
    rows = files.sort("file").to_dicts()
    status = files.group_by("status").len("n").sort("status").to_dicts()
    said = words.listed(f"{words.count(s['n'])} {s['status'] or 'unknown'}" for s in status)
    lines = (
        Row(
            (
                text_cell(r["file"]),
                text_cell(words.label(r["kind"])),
                Cell(r["status"] or words.MISSING, r["status"], cut(r["problem"])),
                *(
                    number_cell(words.count(r[c]), r[c])
                    for c in ("n_read", "n_accepted", "n_quarantined", "n_duplicate")
                ),
                Cell(words.moment(r["ingested_at"]), words.moment(r["ingested_at"])),
                Cell((r["sha256"] or "")[:12], None),
            )
        )
        for r in rows
    )
    heads = (
        "File",
        "Kind",
        "State",
        "Read",
        "Accepted",
        "Quarantined",
        "Said again",
        "Read at",
        "SHA-256, first 12",
    )
    return Section(
        "files",
        question,
        (
            f"{words.plural(len(rows), 'file')}: {said}.",
            "In every file: read = accepted + quarantined + said again.",
        ),
        grids=(by_source(files), grid("Files", heads, lines, "audit.files", n_text_columns=3)),
        how=(
            "A file is known by the hash of its content: an unchanged one is not read again, a changed one replaces its own rows, and one that vanished keeps its rows.",
        ),
    )


def by_source(files: pl.DataFrame) -> Grid:
    counted = ("n_read", "n_accepted", "n_quarantined", "n_duplicate")
    groups = files.group_by("source_id", "kind").agg(pl.len().alias("n"), *(pl.col(c).sum() for c in counted))
    lines = (
        Row(
            (
                text_cell(g["source_id"]),
                text_cell(words.label(g["kind"])),
                number_cell(words.count(g["n"]), g["n"]),
                *(number_cell(words.count(g[c]), g[c]) for c in counted),
            )
        )
        for g in groups.sort("source_id", "kind").to_dicts()
    )
    return grid(
        "By source and kind",
        ("Source", "Kind", "Files", "Read", "Accepted", "Quarantined", "Said again"),
        lines,
        "audit.files",
        n_text_columns=2,
    )


def skipped(files: pl.DataFrame, run: Run) -> Section:
    question = "What could not be read at all?"
    bad = files.filter(pl.col("status").is_in(["unreadable", "vanished"])).sort("file").to_dicts()
    said = tuple(Finding(s) for s in run.skipped)
    more = tuple(Finding(f"{r['file']}: {r['status']}. {cut(r['problem'])}".strip()) for r in bad)
    if not said and not more:
        return Section("skipped", question, ("Nothing: every file that was found could be read.",))
    n = len(said) or len(more)
    return Section(
        "skipped",
        question,
        (f"{words.plural(n, 'thing was', 'things were')} left out of the last run; the rest went on.",),
        findings=said or more,
    )


def steps(run: Run) -> Section:
    question = "When did the last run take place, and what took the time?"
    if run.started_at is None:
        return Section("run", question, ("No run is recorded.",))
    timed = sorted(run.durations_s.items(), key=lambda kv: -float(kv[1]))
    lines = (
        Row((text_cell(words.label(name)), number_cell(f"{float(s):.1f}", float(s)))) for name, s in timed
    )
    stated = (Row((text_cell(name), Cell(str(v), str(v)))) for name, v in sorted(run.versions.items()))
    tables = (
        Row((text_cell(name), number_cell(words.count(int(n)), int(n))))
        for name, n in sorted(run.row_counts.items())
    )
    return Section(
        "run",
        question,
        (
            f"Started {words.moment(run.started_at)}, finished {words.moment(run.finished_at)}, from {run.lake or 'a lake without a name'}.",
        ),
        grids=(
            grid("Seconds by step", ("Step", "Seconds"), lines, "audit.runs"),
            grid("Rows by table", ("Table", "Rows"), tables, "audit.runs"),
            grid("Versions", ("What", "Version"), stated, "audit.runs", n_text_columns=2),
        ),
    )


def choices(run: Run) -> Section:
    lines = (
        Row((text_cell(name.replace("_", " ")), Cell("from the data" if v is None else str(v), str(v))))
        for name, v in sorted(run.settings.items())
    )
    return Section(
        "settings",
        "Which settings do the numbers rest on?",
        (f"Window {run.window_text}, intervals at {run.level_text}, follow-up {run.follow_up_days} days.",),
        grids=(
            grid("Settings of the last run", ("Setting", "Value"), lines, "audit.runs", n_text_columns=2),
        ),
    )
