"""Write what people open: every mart as CSV and Parquet, and the site."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.contract.tables import MARTS
from pipeline.steps.explain import settings_of_last_run
from pipeline.steps.folder import building_in
from pipeline.steps.form import stop_at_another_form
from pipeline.steps.job_stories import job_stories
from pipeline.steps.samples import make_samples_view
from pipeline.warehouse.store import Warehouse, open_warehouse


def write_tables(warehouse: Warehouse, folder: Path) -> None:
    """Write every mart as CSV (lists joined by `;`) and as Parquet."""
    folder.mkdir(parents=True, exist_ok=True)
    for table in MARTS:
        frame = warehouse.table(table.full_name)
        frame.write_parquet(folder / f"{table.name}.parquet")
        flat = frame.with_columns(pl.col(pl.List(pl.String)).list.join(";"))
        flat.write_csv(folder / f"{table.name}.csv")


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
    with building_in(root) as out:
        with open_warehouse(out.warehouse, read_only=False) as warehouse:
            stop_at_another_form(warehouse, out.warehouse)
            make_samples_view(warehouse, out.samples)
            publish(warehouse, out.building)
        out.put_in_place()
