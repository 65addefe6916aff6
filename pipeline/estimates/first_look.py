"""For this model and this code, where is it best to look first?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.contract.tables import FIRST_LOOK
from pipeline.contract.vocabulary import POOLED
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.cause_shares import Shares, cause_shares
from pipeline.statistics.grouping import Floats
from pipeline.statistics.search_order import search_order, time_to_fault

CELL = ["make", "model", "trouble_code"]


def first_looks(found: pl.DataFrame, minutes: Mapping[str, float], level: float) -> pl.DataFrame:
    """Turn counts of where faults were found into the order in which to look.

    Parameters
    ----------
    found : rows of `tally.first_look_count`: make, model, trouble_code (* for all jobs of the model), component,
        n_found.
    minutes : time that a look at each component takes [min].
    level : level of the bounds, 0..1.

    Returns
    -------
    `mart.first_look`: for every model and code with a job, for each model and each code alone, and for all together,
    every place there is to look at, best first.
    """
    if found.is_empty():
        return empty_table(FIRST_LOOK)
    places = sorted(minutes)
    finds = [pl.col("n_found").filter(component=place).sum().alias(place) for place in places]
    wide = found.group_by(CELL).agg(finds).sort(CELL)
    cells = wide.filter(pl.col("trouble_code") != POOLED)
    rows = wide.filter(pl.col("trouble_code") == POOLED)
    of_all = pl.lit(POOLED).alias("make"), pl.lit(POOLED).alias("model")
    columns = cells.group_by("trouble_code").agg(pl.col(places).sum()).sort("trouble_code")
    columns = columns.select(*of_all, "trouble_code", *places)
    whole = rows.select(*of_all, pl.lit(POOLED).alias("trouble_code"), pl.col(places).sum())
    row_at = rows.select("make", "model", row=pl.int_range(pl.len()))
    column_at = columns.select("trouble_code", column=pl.int_range(pl.len()))
    placed = cells.join(row_at, on=["make", "model"], maintain_order="left").join(
        column_at, on="trouble_code", maintain_order="left"
    )
    shares = cause_shares(
        _counts(cells, places),
        placed["row"].to_numpy(),
        placed["column"].to_numpy(),
        _counts(rows, places),
        _counts(columns, places),
        _counts(whole, places)[0],
        level,
    )
    named = zip((cells, rows, columns, whole), shares, strict=True)
    return as_table(_ordered(pl.concat([_long(*pair, places) for pair in named]), minutes), FIRST_LOOK)


def _counts(wide: pl.DataFrame, places: list[str]) -> Floats:
    return wide.select(places).to_numpy().astype(float)


def _long(wide: pl.DataFrame, shares: Shares, places: list[str]) -> pl.DataFrame:
    """One row a group and place, with its chance."""
    counts = wide.select(places).to_numpy()
    n, k = counts.shape
    named = wide.select(pl.col(CELL).repeat_by(k).explode()) if n else wide.select(CELL)
    return named.with_columns(
        component=pl.Series(places * n, dtype=pl.String),
        n_found=pl.Series(counts.ravel(), dtype=pl.Int64),
        n_jobs=pl.Series(np.repeat(counts.sum(axis=1), k), dtype=pl.Int64),
        probability=pl.Series(shares.mean.ravel(), dtype=pl.Float64),
        low=pl.Series(shares.low.ravel(), dtype=pl.Float64),
        high=pl.Series(shares.high.ravel(), dtype=pl.Float64),
    )


def _ordered(looks: pl.DataFrame, minutes: Mapping[str, float]) -> pl.DataFrame:
    looks = looks.with_columns(
        minutes_to_check=pl.col("component").replace_strict(minutes, return_dtype=pl.Float64),
        group=pl.struct(CELL).rank("dense").cast(pl.Int64) - 1,
    )
    columns = ("probability", "minutes_to_check", "group")
    chance, each, group = (looks[name].to_numpy() for name in columns)
    rank = search_order(chance, each, group)
    expected = time_to_fault(chance, each, group, rank)
    ordered = looks.with_columns(rank=pl.Series(rank), expected_minutes=pl.Series(expected[group]))
    return ordered.sort("group", "rank").with_columns(
        order_score=pl.col("probability") / pl.col("minutes_to_check") * 60,
        found_by_then=pl.col("probability").cum_sum().over("group").clip(0, 1),
        minutes_by_then=pl.col("minutes_to_check").cum_sum().over("group"),
    )
