"""What comes out: the tables that account for every file, record and run."""

from __future__ import annotations

from pipeline.contract.table_form import Column, Table, count, text

QUARANTINE_RECORDS = Table(
    "quarantine",
    "records",
    ("file", "row", "rule", "column"),
    "one rule broken by one record",
    (
        text("file", "file, relative to the lake"),
        count("row", "record number in the file; the first record is 1"),
        text("kind", "record kind"),
        text("rule", "rule that was broken"),
        text("column", "field that broke it"),
        text("value", "its value, as it came"),
        text("reason", "a sentence"),
        text("raw", "the record as it came, JSON"),
        text("source_id", "source"),
    ),
)

AUDIT_FILES = Table(
    "audit",
    "files",
    ("file",),
    "one file of the lake, now or earlier",
    (
        text("file", "file, relative to the lake"),
        text("source_id", "source"),
        text("kind", "record kind"),
        text("sha256", "hash of the content that was read"),
        count("n_read", "records read"),
        count("n_accepted", "records accepted"),
        count("n_quarantined", "records that broke a rule"),
        count("n_duplicate", "records that say again what another record says"),
        Column("ingested_at", "TIMESTAMP WITH TIME ZONE", "when this content was read"),
        text(
            "status",
            "read, kept (unchanged), vanished (not there, rows kept) or unreadable (earlier rows kept)",
        ),
        text("problem", "what is wrong with the file as a whole"),
        text("form_sha256", "hash of the source's settings the file was read by"),
    ),
)

AUDIT_RUNS = Table(
    "audit",
    "runs",
    ("run_id",),
    "one run",
    (
        text("run_id", "run"),
        Column("started_at", "TIMESTAMP WITH TIME ZONE", "when it started"),
        Column("finished_at", "TIMESTAMP WITH TIME ZONE", "when it finished"),
        text("lake", "lake that was read"),
        text("settings", "settings, JSON"),
        text("versions", "versions of evapfleet, Python and the libraries, JSON"),
        text("row_counts", "rows of every table, JSON"),
        text("durations_s", "seconds by step, JSON"),
        text("skipped", "what was skipped and why, JSON list"),
        Column("window_from_on", "DATE", "first day of the window"),
        Column("window_to_on", "DATE", "last day of the window"),
        Column("inspection_window_to_on", "DATE", "day of the latest inspection"),
    ),
)
