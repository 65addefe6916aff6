"""Text of many recordings at once: numbers as Python's own format writes them, and sentences that hold them.

What is built here is put into words by polars in one go, outside Python's lock.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache, reduce
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.traces.compiled import Flags, Floats, Ints

#: Numbers below so many steps of their last digit are looked up, others are written one by one.
_TABLED = 10_000
_MOST_DIGITS = 3
_TENS = 10.0 ** np.arange(_MOST_DIGITS + 1)
#: Place of what is missing.
_MISSING = 2 * _TABLED * (_MOST_DIGITS + 1)


#: What sentences are made of, by name: arrays with one element per recording, and what is the same for all.
Readings = Mapping[str, Any]


class Text(NamedTuple):
    """A sentence with `{}` in place of each part that is not the same for all recordings.

    `known` says of which of them all its numbers are known; None of all.
    """

    sentence: str
    parts: tuple[pl.Expr, ...] = ()
    known: Flags | None = None


def written(text: Text, n: int) -> pl.Series:
    """Return the text of n recordings; null where a number of it is missing."""
    return pl.DataFrame({"at": np.arange(n)}).select("at", text=_expression(text))["text"]


def say(sentence: str, *parts: Text | str) -> Text:
    """Return a sentence with a text in place of each `{}`."""
    texts = [Text(part) if isinstance(part, str) else part for part in parts]
    inside = chain.from_iterable(text.parts for text in texts)
    known = [text.known for text in texts if text.known is not None]
    whole = sentence.format(*(text.sentence for text in texts))
    return Text(whole, tuple(inside), reduce(np.logical_and, known) if known else None)


def choose(*cases: tuple[Flags, Text | str], otherwise: Text | str = "") -> Text:
    """Return the text of the first case that is so of a recording."""
    found: Any = pl
    for is_so, text in cases:
        if is_so.all():
            otherwise = text
            break
        if is_so.any():
            found = found.when(pl.lit(pl.Series(is_so))).then(_expression(text))
    return say("{}", otherwise) if found is pl else Text("{}", (found.otherwise(_expression(otherwise)),))


def where_known(text: Text, otherwise: Text | str = "") -> Text:
    """Return the text where all its numbers are known, and another where not."""
    return text if text.known is None else choose((text.known, text), otherwise=otherwise)


def fixed(numbers: Floats, digits: int | Ints) -> Text:
    """Write numbers with so many digits (0 to 3) behind the point, zero without a sign; null where there is none."""
    digits = np.full(len(numbers), digits)
    whole = _steps(numbers, digits)
    size = np.abs(whole)
    # What is rounded to nothing has no sign.
    is_below = whole < 0
    is_tabled = size < _TABLED
    at = np.where(is_tabled, size + _TABLED * (2 * digits + is_below), _MISSING)
    known = np.isfinite(numbers)
    text = Text("{}", (pl.lit(_table()).gather(pl.lit(pl.Series(at.astype(np.uint32)))),), known)
    is_large = known & ~is_tabled
    if not is_large.any():
        return text
    rows = zip(numbers.tolist(), digits.tolist(), is_large.tolist(), strict=True)
    larger = words([f"{x:.{n}f}" if large else None for x, n, large in rows])
    return choose((is_large, larger), otherwise=text)._replace(known=known)


@cache
def _table() -> pl.Series:
    """Return numbers as text, by digits behind the point, sign and value in steps of the last digit; null at last.

    To look a number up costs a tenth of what it costs to write it.
    """
    steps = pl.Series(np.arange(float(_TABLED)))
    texts = [(steps / 10**n).cast(pl.Decimal(38, n)).cast(pl.String) for n in range(_MOST_DIGITS + 1)]
    signs = [text for each in texts for text in (each, "-" + each)]
    return pl.concat([*signs, pl.Series([None], dtype=pl.String)])


def signed(numbers: Floats, digits: int) -> Text:
    """Write numbers as `fixed` does, with a sign before each."""
    is_below = _steps(numbers, np.full(len(numbers), digits)) < 0
    return say("{}{}", choose((~is_below, "+")), fixed(numbers, digits))


def _steps(numbers: Floats, digits: Ints) -> Floats:
    """Return numbers in whole steps of their last digit behind the point, rounded as Python's format rounds."""
    tens = _TENS[digits]
    with np.errstate(invalid="ignore"):
        scaled = numbers * tens
        whole = np.rint(scaled)
        edge = np.flatnonzero(np.abs(scaled - whole) == 0.5)
    if len(edge):
        # Such a product was rounded itself: which way the number lies its own digits tell.
        rounded = map(round, numbers[edge].tolist(), digits[edge].tolist())
        whole[edge] = np.rint(np.array(list(rounded)) * tens[edge])
    return whole


def percent(shares: Floats) -> Text:
    """Write shares as whole percents."""
    return say("{}%", fixed(shares * 100, 0))


def counted(numbers: np.ndarray) -> Text:
    """Write whole numbers."""
    return Text("{}", (pl.lit(pl.Series(numbers)).cast(pl.String),))


def each(numbers: Floats, spec: str) -> Text:
    """Write numbers one by one, by any of Python's formats; null where there is none."""
    known = np.isfinite(numbers)
    rows = zip(numbers.tolist(), known.tolist(), strict=True)
    return words([format(number, spec) if is_known else None for number, is_known in rows])._replace(
        known=known
    )


def words(texts: list[str | None]) -> Text:
    """Return texts that are written already, one of each recording."""
    return Text("{}", (pl.lit(pl.Series(texts, dtype=pl.String)),))


def _expression(text: Text | str) -> pl.Expr:
    sentence, parts, _ = say("{}", text)
    return pl.format(sentence, *parts) if parts else pl.lit(sentence)
