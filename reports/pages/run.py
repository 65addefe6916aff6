"""What the last run says of itself: window, settings, versions, durations; from `audit.runs`."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.contract.inspection_program import InspectionRule
from pipeline.settings import Settings
from reports import words


@dataclass(frozen=True)
class Run:
    """The facts of one run that pages speak of; every field has a value even before the first run."""

    settings: dict[str, Any]
    started_at: datetime | None = None
    finished_at: datetime | None = None
    lake: str = ""
    from_on: date | None = None
    to_on: date | None = None
    inspection_to_on: date | None = None
    versions: dict[str, Any] = field(default_factory=dict)
    row_counts: dict[str, int] = field(default_factory=dict)
    durations_s: dict[str, float] = field(default_factory=dict)
    skipped: tuple[str, ...] = ()

    @property
    def level_text(self) -> str:
        return f"{100 * float(self.settings['level']):g}%"

    @property
    def follow_up_days(self) -> int:
        return int(self.settings["follow_up_days"])

    @property
    def rule(self) -> InspectionRule:
        return Settings.from_dict(self.settings).rule

    @property
    def window_text(self) -> str:
        if self.from_on is None:
            return "no window yet: no accepted job"
        return f"{words.day(self.from_on)} to {words.day(self.to_on)}"


def last_run(runs: pl.DataFrame) -> Run:
    """Read the latest row of `audit.runs`; default settings where there is none."""
    defaults = Settings().as_dict()
    if runs.is_empty():
        return Run(defaults)
    row = runs.sort("started_at", "run_id", nulls_last=False).row(-1, named=True)
    return Run(
        settings={**defaults, **_parsed(row["settings"], {})},
        started_at=row["started_at"],
        finished_at=row["finished_at"],
        lake=row["lake"] or "",
        from_on=row["window_from_on"],
        to_on=row["window_to_on"],
        inspection_to_on=row["inspection_window_to_on"],
        versions=_parsed(row["versions"], {}),
        row_counts=_parsed(row["row_counts"], {}),
        durations_s=_parsed(row["durations_s"], {}),
        skipped=tuple(_sentence(s) for s in _parsed(row["skipped"], [])),
    )


def _parsed(text: str | None, empty: Any) -> Any:
    return json.loads(text) if text else empty


def _sentence(item: Any) -> str:
    """Write one skipped thing, whether it came as a sentence or as named parts."""
    if isinstance(item, dict):
        return "; ".join(f"{k}: {v}" for k, v in item.items() if v)
    return str(item)
