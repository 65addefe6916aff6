"""A made-up run: its files and what was refused."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta

import polars as pl

from tests.unit.reports.frame_of_table import HOSTILE, TABLES, framed


def quarantine(hostile: bool) -> pl.DataFrame:
    broken = (
        (
            "northbay",
            "jobs",
            "vocabulary",
            "component",
            "PRG VALVE 2",
            "component 'PRG VALVE 2' is not a word of the contract.",
            31,
        ),
        (
            "northbay",
            "jobs",
            "time_order",
            "closed_at",
            "2023-02-01T10:00:00Z",
            "closed_at lies before opened_at.",
            4,
        ),
        (
            "inspectnet",
            "inspections",
            "obd_bytes",
            "monitor_status_hex",
            "82 07 65",
            "monitor_status_hex has 3 bytes where 4 belong.",
            12,
        ),
        (
            "inspectnet",
            "vehicles",
            "vin_check_digit",
            "vin",
            "1ZZAB12C3DE000001",
            "the check digit should be 7.",
            5,
        ),
        (
            "workshop",
            "samples",
            "range",
            "tank_pressure_pa",
            "98211.0",
            "tank_pressure_pa lies outside -50000 to 50000 Pa.",
            18,
        ),
        (
            "workshop",
            "jobs",
            "reference",
            "vehicle_id",
            "V99999",
            "no accepted vehicle has vehicle_id V99999.",
            2,
        ),
    )
    rows = [
        {
            "file": f"{source}/{kind}.csv",
            "row": i * 3 + 1,
            "kind": kind,
            "rule": rule,
            "column": column,
            "reason": reason,
            "source_id": source,
            "value": HOSTILE if hostile else value,
            "raw": json.dumps({column: HOSTILE if hostile else value}),
        }
        for source, kind, rule, column, value, reason, n in broken
        for i in range(n)
    ]
    return framed(TABLES["quarantine.records"], rows)


def audit_files() -> pl.DataFrame:
    at = datetime(2026, 2, 3, 4, 5, tzinfo=UTC)
    rows = []
    for source, kinds in (
        ("northbay", ("vehicles", "jobs", "traces", "samples")),
        ("workshop", ("jobs", "samples")),
        ("inspectnet", ("vehicles", "inspections")),
    ):
        for kind in kinds:
            bad, again, good = len(kind) * 3, len(source), 1200 * len(kind)
            rows.append(
                {
                    "file": f"{source}/{kind}.csv",
                    "source_id": source,
                    "kind": kind,
                    "sha256": "ab" * 32,
                    "n_read": bad + again + good,
                    "n_accepted": good,
                    "n_quarantined": bad,
                    "n_duplicate": again,
                    "ingested_at": at,
                    "status": "read",
                    "form_sha256": "cd" * 32,
                }
            )
    rows.append(
        {
            "file": "workshop/samples_cut.parquet",
            "source_id": "workshop",
            "kind": "samples",
            "n_read": 0,
            "n_accepted": 0,
            "n_quarantined": 0,
            "n_duplicate": 0,
            "ingested_at": at,
            "status": "unreadable",
            "problem": "The file ends before its footer.",
        }
    )
    return framed(TABLES["audit.files"], rows)


def audit_runs() -> pl.DataFrame:
    start = datetime(2026, 2, 3, 4, 5, tzinfo=UTC)
    row = {
        "run_id": "r1",
        "started_at": start,
        "finished_at": start + timedelta(seconds=41),
        "lake": "sample_lake",
        "settings": json.dumps(
            {"level": 0.95, "follow_up_days": 90, "cycle_gap_days": 180, "discharge_coefficient": 0.61}
        ),
        "versions": json.dumps({"evapfleet": "0.1.0", "python": "3.11.9", "duckdb": "2.0.1"}),
        "row_counts": json.dumps({"core.jobs": 4800, "mart.failure_rate": 64}),
        "durations_s": json.dumps({"read": 12.4, "measure": 6.1, "model": 3.2}),
        "skipped": json.dumps(["workshop/samples_cut.parquet: The file ends before its footer."]),
        "window_from_on": date(2023, 1, 2),
        "window_to_on": date(2025, 12, 30),
        "inspection_window_to_on": date(2025, 12, 29),
    }
    return framed(TABLES["audit.runs"], [row])
