"""Read Parquet in slices, its columns typed as they are stored."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl

from pipeline.errors import FileUnreadable
from pipeline.lake.blocks import Block
from pipeline.lake.formats import unreadable


def parquet_blocks(path: Path, where: str, rows_at_once: int) -> Iterator[Block]:
    """Yield a Parquet file's records in blocks of `rows_at_once`; an empty file yields one empty block.

    Raises
    ------
    FileUnreadable : cut short or damaged. Damage inside a page shows only when its block is read.
    """
    row = 1
    try:
        with unreadable(where):
            scan = pl.scan_parquet(path, glob=False, hive_partitioning=False)
            header = tuple(scan.collect_schema().names())
            while (frame := scan.slice(row - 1, rows_at_once).collect()).height or row == 1:
                yield Block(header, row, frame.height, _plain(frame))
                row += frame.height
                if frame.height < rows_at_once:
                    break
    except pl.exceptions.PolarsError as error:
        what = f"The Parquet file is cut short or damaged ({str(error).splitlines()[0]})."
        raise FileUnreadable(what, where, "Copy or export the file again.") from error


def _plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Turn records inside a record into lists of name=value, categories into words and bytes into hexadecimal."""
    return frame.with_columns(_plain_column(column) for column in frame if _is_special(column.dtype))


def _is_special(dtype: pl.DataType) -> bool:
    return dtype.is_nested() or dtype in (pl.Categorical, pl.Enum, pl.Binary, pl.Decimal)


def _plain_column(column: pl.Series) -> pl.Series:
    if isinstance(column.dtype, pl.Struct):
        return _name_values(column)
    if isinstance(column.dtype, pl.List | pl.Array):
        return _word_list(column)
    if column.dtype == pl.Binary:
        return column.bin.encode("hex")
    return column.cast(pl.Float64 if column.dtype == pl.Decimal else pl.String)


def _name_values(column: pl.Series) -> pl.Series:
    """Write {"vent_click": "pass"} as ["vent_click=pass"]; names without a value are left out."""
    names = [field.name for field in column.dtype.fields]  # type: ignore[attr-defined]
    words = [pl.format("{}={}", pl.lit(n), pl.col(n).cast(pl.String)).alias(n) for n in names]
    lists = column.struct.unnest().select(pl.concat_list(words).list.drop_nulls()).to_series()
    return lists.zip_with(column.is_not_null(), pl.Series([None], dtype=lists.dtype)).alias(column.name)


def _word_list(column: pl.Series) -> pl.Series:
    """Keep a list of words; a list of pairs (a Parquet map, or name and result) becomes name=value."""
    inner = column.dtype.inner  # type: ignore[attr-defined]
    if isinstance(inner, pl.Struct) and len(inner.fields) == 2:
        name, value = (field.name for field in inner.fields)
        pair = pl.format(
            "{}={}", pl.element().struct.field(name), pl.element().struct.field(value).cast(pl.String)
        )
        return column.list.eval(pair)
    if isinstance(inner, pl.Struct) or inner.is_nested():
        rows = column.to_list()
        return pl.Series(
            column.name, [None if r is None else [str(v) for v in r] for r in rows], pl.List(pl.String)
        )
    return column.cast(pl.List(pl.String))
