"""Text of many recordings at once: numbers as Python's own format writes them, and sentences that hold them.

A text is a word that all recordings share, or an expression with one element per recording: what is built here is put
into words by polars in one go, outside Python's lock.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.traces.compiled import Flags, Floats

Text = str | pl.Expr
#: Beyond this a number has no digits behind its point to round.
_WHOLE = 2.0**53
_NONE = np.empty(0, np.int64)


def written(text: Text, n: int) -> pl.Series:
    """Return the text of n recordings."""
    return pl.DataFrame({"at": np.arange(n)}).select("at", text=_text(text))["text"]


def say(sentence: str, *parts: Text) -> pl.Expr:
    """Return a sentence with a part in place of each `{}`; null where a part is."""
    return pl.format(sentence, *map(_text, parts))


def choose(*cases: tuple[Flags, Text], otherwise: Text = "") -> pl.Expr:
    """Return the text of the first case that is so of a recording."""
    chain: Any = pl
    for is_so, text in cases:
        if is_so.all():
            otherwise = text
            break
        if is_so.any():
            chain = chain.when(pl.lit(pl.Series(is_so))).then(_text(text))
    return _text(otherwise) if chain is pl else chain.otherwise(_text(otherwise))


def fixed(numbers: Floats, digits: int) -> pl.Expr:
    """Write numbers with so many digits behind the point; null where there is none."""
    with np.errstate(invalid="ignore"):
        scaled = numbers * 10.0**digits
        whole = np.rint(scaled)
        edge = np.flatnonzero(np.abs(scaled - whole) == 0.5) if digits else _NONE
    if (np.abs(whole) >= _WHOLE).any():
        return each(numbers, f".{digits}f")
    if len(edge):
        # Such a product was rounded itself: which way the number lies its own digits tell.
        numbers = numbers.copy()
        numbers[edge] = whole[edge] = [round(number, digits) for number in numbers[edge].tolist()]
    text = pl.lit(pl.Series(numbers)).cast(pl.Decimal(38, digits), strict=False).cast(pl.String)
    return choose(((whole == 0) & np.signbit(whole), f"-{0:.{digits}f}"), otherwise=text)


def signed(numbers: Floats, digits: int) -> pl.Expr:
    """Write numbers as `fixed` does, with a sign before each."""
    return say("{}{}", choose((~np.signbit(numbers), "+")), fixed(numbers, digits))


def percent(shares: Floats) -> pl.Expr:
    """Write shares as whole percents."""
    return say("{}%", fixed(shares * 100, 0))


def counted(numbers: np.ndarray) -> pl.Expr:
    """Write whole numbers."""
    return pl.lit(pl.Series(numbers)).cast(pl.String)


def each(numbers: Floats, spec: str) -> pl.Expr:
    """Write numbers one by one, by any of Python's formats; null where there is none."""
    texts = [format(number, spec) if known else None for number, known in _with_known(numbers)]
    return pl.lit(pl.Series(texts, dtype=pl.String))


def _with_known(numbers: Floats) -> Any:
    return zip(numbers.tolist(), np.isfinite(numbers).tolist(), strict=True)


def _text(text: Text) -> pl.Expr:
    return pl.lit(text) if isinstance(text, str) else text
