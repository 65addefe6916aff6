"""Read numbers, whole numbers and booleans."""

from __future__ import annotations

import polars as pl

from pipeline.contract.vocabulary import FALSE_WORDS, TRUE_WORDS
from pipeline.lake.converted import Converted, as_text, converted, refused

_FLOAT = pl.Float64()


def to_number(raw: pl.Series, decimal: str = ".") -> Converted:
    """Read numbers; nothing is guessed about marks between thousands.

    Parameters
    ----------
    raw : text without blanks around it, or numbers as they are stored; a stored duration becomes seconds
    decimal : "." or ","; the other mark makes a text unreadable

    Returns
    -------
    Float64. What is not finite cannot be read (a stored nan is missing: `converted.stripped`).
    """
    if raw.dtype == pl.String:
        return _number_from_text(raw, decimal)
    if isinstance(raw.dtype, pl.Duration):
        return Converted(raw.dt.total_microseconds() / 1e6)
    if raw.dtype.is_float():
        values = raw.cast(pl.Float64)
        finite = values if values.is_finite().all() else values.set(~values.is_finite(), None)
        return converted(raw, finite, "The number is not finite.")
    if raw.dtype.is_numeric() or raw.dtype == pl.Null:
        return Converted(raw.cast(pl.Float64))
    return refused(raw, _FLOAT, "This is not a number.")


def _number_from_text(raw: pl.Series, decimal: str) -> Converted:
    text = raw
    if decimal == ",":
        has_point = raw.str.contains(".", literal=True)
        text = raw.str.replace(",", ".", literal=True).set(has_point.fill_null(False), "")
    values = text.cast(pl.Float64, strict=False)
    if not values.is_finite().all():
        values = values.set(~values.is_finite(), None)
    mark = "point" if decimal == "." else "comma"
    return converted(
        raw, values, f"This is not a number with a decimal {mark} and nothing between thousands."
    )


def to_integer(raw: pl.Series, decimal: str = ".") -> Converted:
    """Read whole numbers; 2015.0 is one, 3.5 is not."""
    if raw.dtype.is_integer():
        return converted(raw, raw.cast(pl.Int64, strict=False), "The number is too large.")
    numbers = to_number(raw, decimal)
    values = numbers.values
    whole = values.set((values != values.floor()) | (values.abs() >= 2**53), None).cast(pl.Int64)
    return converted(raw, whole, "This is not a whole number.")


def to_boolean(raw: pl.Series) -> Converted:
    """Read yes and no by the contract's words, whatever their case, or by 1 and 0."""
    if raw.dtype == pl.Boolean:
        return Converted(raw)
    words = dict.fromkeys(TRUE_WORDS, True) | dict.fromkeys(FALSE_WORDS, False)
    text = as_text(raw).str.to_lowercase()
    values = text.replace_strict(words, default=None, return_dtype=pl.Boolean)
    reason = f"This is neither yes ({', '.join(TRUE_WORDS)}) nor no ({', '.join(FALSE_WORDS)})."
    return converted(raw, values, reason)
