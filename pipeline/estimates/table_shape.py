"""Give a frame the shape that the contract promises: its columns, their order and types, rows by key."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.contract.tables import Table
from pipeline.statistics.grouping import Floats

POLARS_TYPES: dict[str, pl.DataType] = {
    "VARCHAR": pl.String(),
    "BIGINT": pl.Int64(),
    "INTEGER": pl.Int32(),
    "DOUBLE": pl.Float64(),
    "BOOLEAN": pl.Boolean(),
    "DATE": pl.Date(),
    "VARCHAR[]": pl.List(pl.String()),
}


def as_table(frame: pl.DataFrame, table: Table, order_by: Sequence[str] | None = None) -> pl.DataFrame:
    """Return the columns of `table` in its order and types; a number that is not one becomes null.

    Parameters
    ----------
    frame : has every column of `table`; others are dropped.
    order_by : columns of `frame` to order rows by, nulls last; the table's key unless given; none of them: as
        they are.
    """
    order = table.key if order_by is None else order_by
    ordered = frame.sort(order, nulls_last=True) if order else frame
    columns = [pl.col(c.name).cast(POLARS_TYPES[c.type]) for c in table.columns]
    return ordered.select(columns).with_columns(pl.col(pl.Float64).fill_nan(None))


def empty_table(table: Table) -> pl.DataFrame:
    """Return `table` without rows."""
    return pl.DataFrame(schema={c.name: POLARS_TYPES[c.type] for c in table.columns})


def floats(column: pl.Series) -> Floats:
    """Return a column's numbers as the statistics floor takes them: NaN where one is missing."""
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy()


def why_missing(*reasons: tuple[pl.Expr, str]) -> pl.Expr:
    """Join the reasons that hold of a row, each beside the condition of it; null where none does."""
    told = [pl.when(holds).then(pl.lit(reason)) for holds, reason in reasons]
    return pl.concat_str(told, separator="; ", ignore_nulls=True).replace("", None)
