"""What has to be read: files that are new, that changed, or whose source's settings changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from pipeline.lake.find import LakeFile, Stock, take_stock
from pipeline.lake.unit_known import stop_without_units
from pipeline.settings import Settings
from pipeline.steps.departed import part_departed
from pipeline.steps.folder import OutFolder
from pipeline.steps.previous import look_at_previous


@dataclass
class Plan:
    """The work of one run, and what it has to say about it.

    `lake` is the lake's folder or its address.
    `to_read` and `kept` part the files that are there. `gone` and `vanished` are files of earlier runs that are not
    (their lines of `stage.files`): rows of the former go, rows of the latter stay (`departed.py`); `lost` are those of
    the latter whose samples are gone from the output folder too.
    `skipped` collects what was left out and why. `tell` shows a line of progress.
    """

    lake: str
    out: OutFolder
    settings: Settings
    stock: Stock
    to_read: list[LakeFile]
    kept: list[LakeFile]
    known: pl.DataFrame
    gone: pl.DataFrame
    vanished: pl.DataFrame
    previous: Path | None
    is_same_program: bool
    tell: Callable[[str], None]
    lost: list[str] = field(default_factory=list)
    started_at: datetime = field(default_factory=lambda: datetime.now(UTC))
    skipped: list[str] = field(default_factory=list)
    durations_s: dict[str, float] = field(default_factory=dict)

    @property
    def kept_names(self) -> list[str]:
        """Return the files that are there and as they were."""
        return [file.file for file in self.kept]

    @property
    def has_news(self) -> bool:
        """Say whether anything asks for a new computation."""
        left = self.gone.height + self.vanished.filter(pl.col("status") != "vanished").height
        back = set(self.kept_names) & set(self.known.filter(pl.col("status") == "vanished")["file"])
        return bool(self.to_read or left or back or self.lost or not self.is_same_program)


def make_plan(
    lake: Path,
    out: OutFolder,
    settings: Settings,
    tell: Callable[[str], None] = lambda line: None,
    address: str | None = None,
) -> Plan:
    """Compare the lake with what the previous run staged. Reads only.

    Parameters
    ----------
    address : where the lake was fetched from, if it was.

    Raises
    ------
    WrongUsage, DataStopsRun : as `pipeline.lake.find.take_stock` and `pipeline.lake.unit_known.stop_without_units`.
    """
    stock = take_stock(lake)
    stop_without_units(stock)
    name = address or str(lake.resolve())
    previous = look_at_previous(out, settings, name)
    known = previous.files
    before = {row["file"]: row for row in known.iter_rows(named=True)}
    to_read: list[LakeFile] = []
    kept: list[LakeFile] = []
    for file in stock.files:
        line = before.get(file.file)
        same = line is not None and (line["sha256"], line["form_sha256"], line["kind"]) == (
            file.sha256,
            file.form_sha256,
            file.kind,
        )
        (kept if same and file.file not in previous.without_samples else to_read).append(file)
    departed = part_departed(lake, stock, known)
    plan = Plan(
        lake=name,
        out=out,
        settings=settings,
        stock=stock,
        to_read=to_read,
        kept=kept,
        known=known,
        gone=departed.gone,
        vanished=departed.held,
        previous=out.warehouse if known.height else None,
        is_same_program=previous.is_same_program,
        tell=tell,
        lost=sorted(previous.without_samples & set(departed.held["file"])),
    )
    plan.skipped += [previous.note] if previous.note else []
    plan.skipped += stock.unclaimed
    plan.skipped += departed.notes
    plan.skipped += [
        f"{file}: it is gone from the lake, and its samples from the output folder: nothing of it is left"
        for file in plan.lost
    ]
    return plan
