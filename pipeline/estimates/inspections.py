"""How did inspections end, by model year and vehicle type, and which monitors were not ready?"""

from __future__ import annotations

import polars as pl

from pipeline.contract.tables import INSPECTION_REPORT, READINESS
from pipeline.estimates.inspection_items import ITEMS, Item
from pipeline.estimates.table_shape import as_table
from pipeline.statistics.intervals import wilson_interval


def inspection_report(counts: pl.DataFrame, level: float) -> pl.DataFrame:
    """Turn the counts of every cell into the items of 40 CFR 51.366(a)(2) with percentages and bounds.

    Parameters
    ----------
    counts : rows of `tally.inspection_count`: model_year, vehicle_type and the columns that `ITEMS` name.
    level : level of the Wilson intervals, 0..1.

    Returns
    -------
    `mart.inspection_report`: every item for every cell; `percent` is null where `of` is 0.
    """
    frame = pl.concat([_item_rows(counts, position, item) for position, item in enumerate(ITEMS)])
    low, high = wilson_interval(frame["n"].to_numpy(), frame["of"].to_numpy(), level)
    frame = frame.with_columns(
        percent=100 * pl.col("n") / pl.col("of"), low_percent=100 * low, high_percent=100 * high
    )
    return as_table(frame, INSPECTION_REPORT, order_by=("model_year", "vehicle_type", "position"))


def readiness(counts: pl.DataFrame, level: float) -> pl.DataFrame:
    """Turn counts of `tally.readiness_count` into not-ready shares with Wilson bounds: `mart.readiness`."""
    low, high = wilson_interval(counts["n_not_ready"].to_numpy(), counts["n_inspections"].to_numpy(), level)
    frame = counts.with_columns(
        not_ready_rate=pl.col("n_not_ready") / pl.col("n_inspections"), low=low, high=high
    )
    return as_table(frame, READINESS)


def _item_rows(counts: pl.DataFrame, position: int, item: Item) -> pl.DataFrame:
    return counts.select(
        "model_year",
        "vehicle_type",
        pl.lit(position).alias("position"),
        pl.lit(item.item).alias("item"),
        pl.lit(item.meaning).alias("meaning"),
        pl.col(item.n).cast(pl.Int64).alias("n"),
        pl.col(item.of).cast(pl.Int64).alias("of"),
        pl.lit(item.of_what).alias("of_what"),
    )
