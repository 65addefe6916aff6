"""For whoever sends and keeps the data: what came in, what was refused, what to fix at the source."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from reports import words
from reports.pages import cells
from reports.pages.page import Cell, Finding, Grid, Page, Row, Section, grid, table
from reports.pages.refusals import cut, refused
from reports.pages.run import Run
from reports.pages.source_checks import CHECKS, checked

#: Columns of `audit.files` that count records, and their heads: those read are the sum of the others.
COUNTED = {
    "n_read": "Read",
    "n_accepted": "Accepted",
    "n_quarantined": "Quarantined",
    "n_duplicate": "Said again",
}


def make_page(read: Callable[[str], pl.DataFrame], run: Run) -> Page:
    """Make the data page from `audit.files`, `audit.runs`, `quarantine.records` and the marts of `CHECKS`."""
    files, quarantine = read("audit.files"), read("quarantine.records")
    sections = (
        refused(quarantine),
        *(checked(check, read) for check in CHECKS),
        list_files(files),
        skipped(files, run),
        steps(run),
        choices(run),
    )
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
    read_, good, bad, again = (int(files[c].sum() or 0) for c in COUNTED)
    sources = words.plural(files["source_id"].n_unique(), "source")
    return (
        f"{words.plural(files.height, 'file')} of {sources}: {words.plural(read_, 'record')} read ="
        f" {words.count(good)} accepted + {words.count(bad)} quarantined + {words.count(again)} said again."
    )


def list_files(files: pl.DataFrame) -> Section:
    question = "Which files are behind these pages?"
    if files.is_empty():
        return Section("files", question, ("None: no file has been read.",))
    rows = files.sort("file").to_dicts()
    status = files.group_by("status").len("n").sort("status").to_dicts()
    said = words.listed(f"{words.count(s['n'])} {s['status'] or 'unknown'}" for s in status)
    by_file = table(
        "Files",
        (
            ("File", lambda r: cells.text(r["file"])),
            ("Kind", lambda r: cells.text(words.label(r["kind"]))),
            ("State", lambda r: Cell(r["status"] or words.MISSING, r["status"], cut(r["problem"]))),
            *cells.counts(COUNTED),
            ("Read at", lambda r: Cell(words.moment(r["ingested_at"]), words.moment(r["ingested_at"]))),
            ("SHA-256, first 12", lambda r: Cell((r["sha256"] or "")[:12], None)),
        ),
        rows,
        "audit.files",
        n_text_columns=3,
    )
    return Section(
        "files",
        question,
        (
            f"{words.plural(len(rows), 'file')}: {said}.",
            "In every file: read = accepted + quarantined + said again.",
        ),
        wide=True,
        grids=(by_source(files), by_file),
        how=(
            "A file is known by the hash of its content: an unchanged one is not read again, a"
            " changed one replaces its own rows, and the rows of one that is gone go with it. Where a whole source is"
            " gone, a folder is empty or cannot be looked into, as when a disk is not mounted, the rows stay"
            " (vanished).",
        ),
    )


def summed(files: pl.DataFrame, *keys: str) -> list[dict[str, Any]]:
    """Count files (`n`) and their records by some columns."""
    return files.group_by(keys).agg(pl.len().alias("n"), pl.col(*COUNTED).sum()).sort(keys).to_dicts()


def by_source(files: pl.DataFrame) -> Grid:
    return table(
        "By source and kind",
        (
            ("Source", lambda g: cells.text(g["source_id"])),
            ("Kind", lambda g: cells.text(words.label(g["kind"]))),
            *cells.counts({"n": "Files", **COUNTED}),
        ),
        summed(files, "source_id", "kind"),
        "audit.files",
        n_text_columns=2,
        opened=True,
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
    lines = (Row((cells.text(words.label(name)), Cell(f"{float(s):.1f}", float(s)))) for name, s in timed)
    stated = (Row((cells.text(name), Cell(str(v), str(v)))) for name, v in sorted(run.versions.items()))
    tables = (Row((cells.text(name), cells.count(int(n)))) for name, n in sorted(run.row_counts.items()))
    return Section(
        "run",
        question,
        (
            f"Started {words.moment(run.started_at)}, finished {words.moment(run.finished_at)}, from"
            f" {run.lake or 'a lake without a name'}.",
        ),
        grids=(
            grid("Seconds by step", ("Step", "Seconds"), lines, "audit.runs"),
            grid("Rows by table", ("Table", "Rows"), tables, "audit.runs"),
            grid("Versions", ("What", "Version"), stated, "audit.runs", n_text_columns=2),
        ),
    )


def _chosen(name: str, value: Any, run: Run) -> str:
    if name == "inspection_rule":
        return " ".join(run.rule.sentences())
    if name == "minutes_to_check":
        return ", ".join(f"{words.label(place)} {words.number(each)}" for place, each in value.items())
    return "from the data" if value is None else str(value)


def choices(run: Run) -> Section:
    lines = (
        Row((cells.text(name.replace("_", " ")), Cell(_chosen(name, v, run), str(v))))
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
