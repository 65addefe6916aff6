"""Validate a lake and write nothing: what would be accepted, what not, and why."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import DataStopsRun
from pipeline.lake.bucket import fetch, is_address
from pipeline.settings import Settings
from pipeline.steps.folder import building_in
from pipeline.steps.plan import make_plan
from pipeline.steps.run import read_and_judge
from pipeline.warehouse.store import open_warehouse

#: So many files are told one by one; of more only those with something amiss are.
MOST_FILES = 60
_COUNTS = ("n_read", "n_accepted", "n_quarantined", "n_duplicate")


@dataclass(frozen=True)
class CheckReport:
    """Counts by file, reasons by rule with an example each, and what would stop a run, or be left out of it whole
    (None: nothing)."""

    files: pl.DataFrame
    reasons: pl.DataFrame
    notes: list[str]
    stop: DataStopsRun | None

    @property
    def told(self) -> list[pl.DataFrame]:
        """What is to be read of the files: each of them, or sums by source and kind and those with something amiss."""
        each = self.files.drop("source_id")
        if self.files.height <= MOST_FILES:
            return [each]
        of_kind = self.files.group_by("source_id", "kind").agg(pl.col(_COUNTS).sum(), n_files=pl.len())
        amiss = each.filter((pl.col("n_quarantined") > 0) | pl.col("problem").is_not_null())
        return [of_kind.sort("source_id", "kind"), *([amiss] if amiss.height else [])]


def check_lake(lake: Path | str, settings: Settings, tell: Callable[[str], None]) -> CheckReport:
    """Judge every record of a lake, a folder or an address, in a folder that is deleted afterwards."""
    with tempfile.TemporaryDirectory(prefix="evapfleet-check-") as folder, building_in(Path(folder)) as out:
        here = fetch(str(lake), out.lake_copy, tell) if is_address(lake) else Path(lake)
        plan = make_plan(here, out, settings, tell)
        stop = read_and_judge(plan, is_stopping=False)
        with open_warehouse(out.next_warehouse) as warehouse:
            files = warehouse.query(
                "select source_id, file, kind, n_read, n_accepted, n_quarantined, n_duplicate, problem from audit.files"
                " order by file"
            )
            reasons = warehouse.query(
                'select source_id, kind, rule, "column", count(distinct (file, row)) as n_records,'
                " min(reason) as example from quarantine.records group by all"
                " order by n_records desc, source_id, kind, rule"
            )
            unread = warehouse.query(
                "select file, problem from stage.files where status = 'unreadable' order by file"
            )
        return CheckReport(files, reasons, plan.skipped, stop or _unread_stop(unread, files.height))


def _unread_stop(unread: pl.DataFrame, n_files: int) -> DataStopsRun | None:
    """Say which files could not be read: a run goes on without them, and a check that passes would hide that."""
    if unread.is_empty():
        return None
    return DataStopsRun(
        f"{unread.height} of {n_files} files cannot be read; a run would go on without what they hold",
        "; ".join(f"{file}: {problem}" for file, problem in unread.head(3).iter_rows())
        + (f"; and {unread.height - 3} more, named in the notes above" if unread.height > 3 else ""),
        "mend the files or the source.toml, then check again",
    )
