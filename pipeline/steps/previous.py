"""What the previous run left in the output folder, and whether it can be built upon."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.errors import WrongUsage
from pipeline.settings import Settings
from pipeline.steps.folder import OutFolder
from pipeline.steps.form import lacking
from pipeline.steps.stage import STAGE_COLUMNS, STAGE_FORM
from pipeline.steps.versions import versions
from pipeline.warehouse.store import Warehouse, open_warehouse

_FILE_SCHEMA = {name: pl.String for name, _ in STAGE_COLUMNS["stage.files"]} | {
    "ingested_at": pl.Datetime("us", "UTC")
}


@dataclass(frozen=True)
class Previous:
    """`files` : lines of `stage.files`; none where everything is read anew, and `note` then says why.

    `is_same_program` : the same versions and settings made it. `without_samples` : files of the lake whose accepted
    samples are gone from the output folder or damaged there.
    """

    files: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=_FILE_SCHEMA))
    is_same_program: bool = False
    without_samples: frozenset[str] = frozenset()
    note: str = ""


def look_at_previous(out: OutFolder, settings: Settings, lake: str) -> Previous:
    """Look at what the output folder holds of an earlier run. Reads only.

    Raises
    ------
    Transient : another process holds the warehouse.
    """
    if not out.warehouse.exists():
        return Previous()
    try:
        with open_warehouse(out.warehouse) as warehouse:
            return _of_warehouse(warehouse, out, settings, lake)
    except WrongUsage:
        return Previous(note=_anew("is damaged"))


def _of_warehouse(warehouse: Warehouse, out: OutFolder, settings: Settings, lake: str) -> Previous:
    if lacking(warehouse):
        return Previous(note=_anew("has the form of another version of evapfleet"))
    runs = warehouse.query("select * from audit.runs order by started_at desc limit 1").to_dicts()
    if not runs:
        return Previous(note=_anew("records no run"))
    last = runs[0]
    if json.loads(last["versions"]).get("stage_form") != STAGE_FORM:
        return Previous(note=_anew("has the form of another version of evapfleet"))
    warehouse.read_through()
    if last["lake"] != lake:
        return Previous(note=_anew(f"was made from another lake ({last['lake']})"))
    return Previous(
        warehouse.table("stage.files"),
        last["versions"] == versions() and last["settings"] == settings.as_json(),
        _without_samples(warehouse, out.samples),
    )


def _anew(why: str) -> str:
    return f"warehouse.duckdb of the output folder {why}: every file is read anew, and nothing of it is carried over"


def _without_samples(warehouse: Warehouse, folder: Path) -> frozenset[str]:
    held = warehouse.query("select distinct file, parquet from stage.sample_parquet")
    gone = [name for name in held["parquet"].unique().to_list() if not is_whole_parquet(folder / name)]
    return frozenset(held.filter(pl.col("parquet").is_in(gone))["file"].to_list())


def is_whole_parquet(path: Path) -> bool:
    """Say whether a Parquet file is there and ends as one does."""
    try:
        with path.open("rb") as stream:
            stream.seek(-4, 2)
            return stream.read() == b"PAR1"
    except OSError:
        return False
