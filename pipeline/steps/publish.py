"""Write what people open: every mart as CSV and Parquet, and the site."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.contract.tables import MARTS
from pipeline.steps.explain import settings_of_last_run
from pipeline.steps.folder import OutFolder, building_in
from pipeline.steps.form import stop_at_another_form
from pipeline.steps.job_stories import job_stories
from pipeline.steps.kept_samples import make_samples_view
from pipeline.warehouse.store import Warehouse, open_warehouse


def write_tables(warehouse: Warehouse, folder: Path) -> None:
    """Write every mart as CSV (lists joined by `;`, no text that a spreadsheet would run) and as Parquet."""
    folder.mkdir(parents=True, exist_ok=True)
    for table in MARTS:
        frame = warehouse.table(table.full_name)
        frame.write_parquet(folder / f"{table.name}.parquet")
        flat = frame.with_columns(pl.col(pl.List(pl.String)).list.join(";"))
        for_spreadsheet(flat).write_csv(folder / f"{table.name}.csv")


#: A spreadsheet takes such text for a formula and runs it; text that is a number by itself is none.
_FORMULA = r"^[\s\x00-\x1f]*[=+\-@]|^[\t\r\n]"
_NUMBER = r"^\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*$"


def for_spreadsheet(frame: pl.DataFrame) -> pl.DataFrame:
    """Put an apostrophe before text that a spreadsheet would run as a formula; numbers and dates stay.

    Text comes from records and may hold anything. Parquet and the warehouse keep it exactly as it came.
    """
    text = pl.col(pl.String)
    is_formula = text.str.contains(_FORMULA) & ~text.str.contains(_NUMBER)
    return frame.with_columns(pl.when(is_formula).then(pl.lit("'") + text).otherwise(text).name.keep())


def publish(warehouse: Warehouse, folder: Path) -> None:
    """Write `tables/` and `site/` below `folder`. Reads the warehouse only."""
    from reports.build import build_site

    write_tables(warehouse, folder / "tables")
    build_site(warehouse.table, folder / "site", job_stories(warehouse, settings_of_last_run(warehouse)))


def publish_again(root: Path) -> None:
    """Write `tables/` and `site/` anew, and point core.samples to where the folder is now.

    Raises
    ------
    WrongUsage : the warehouse is damaged or has another form.
    """
    # Asked before the folder is: of a damaged warehouse a folder cannot tell whether it is ours.
    path = OutFolder(root).warehouse
    with open_warehouse(path) as warehouse:
        stop_at_another_form(warehouse, path)
    with building_in(root) as out:
        with open_warehouse(out.warehouse, read_only=False) as warehouse:
            make_samples_view(warehouse, out.samples)
            publish(warehouse, out.building)
        out.put_in_place()
