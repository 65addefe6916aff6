"""A column read as its field's type, and the sentences for what could not be."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Converted:
    """`values` in the field's type; `reasons` (text, null where the value was read) or None where all were read."""

    values: pl.Series
    reasons: pl.Series | None = None


def converted(raw: pl.Series, values: pl.Series, reason: str) -> Converted:
    """Give `reason` for every value that was there and could not be read."""
    bad = values.is_null() & raw.is_not_null()
    return Converted(values, sentences(bad, reason) if bad.any() else None)


def refused(raw: pl.Series, dtype: pl.DataType, reason: str) -> Converted:
    """Read none of the values."""
    return converted(raw, missing(len(raw), dtype), reason)


def missing(n: int, dtype: pl.DataType) -> pl.Series:
    """Return n values of which none is there."""
    return pl.repeat(None, n, dtype=dtype, eager=True)


def sentences(where: pl.Series, reason: str) -> pl.Series:
    """Write `reason` in the places where it holds, null elsewhere."""
    return pl.select(pl.when(where).then(pl.lit(reason))).to_series()


def as_text(raw: pl.Series) -> pl.Series:
    """Write any column as text: whole floats without a point, lists with ";" between their words."""
    dtype = raw.dtype
    if dtype == pl.String:
        return raw
    if isinstance(dtype, pl.List):
        return raw.cast(pl.List(pl.String)).list.join(";")
    if dtype.is_float():
        whole = (raw == raw.floor()) & (raw.abs() < 2**53)
        digits = raw.set(~whole.fill_null(False), None).cast(pl.Int64).cast(pl.String)
        return digits.zip_with(whole.fill_null(False), raw.cast(pl.String))
    if isinstance(dtype, pl.Datetime):
        return raw.dt.strftime("%Y-%m-%dT%H:%M:%S%.f" + ("%:z" if dtype.time_zone else ""))
    return raw.cast(pl.String)


def stripped(raw: pl.Series) -> pl.Series:
    """Take blanks off both ends of words; what is empty then is missing, and so is a stored nan."""
    if raw.dtype != pl.String:
        return raw.fill_nan(None) if raw.dtype.is_float() else raw
    text = raw.str.strip_chars()
    return text.set(text.str.len_bytes() == 0, None) if (text == "").any() else text
