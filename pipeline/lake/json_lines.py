"""Read JSON lines: one object per line; a line that is none is kept and marked as misshapen."""

from __future__ import annotations

import io
import itertools
import json
from collections.abc import Iterator
from typing import Any

import polars as pl

from pipeline.lake.blocks import Block, Misshapen

#: The column of `text` that holds a line which is no JSON object.
BROKEN_LINE = "(line)"
_RECORDS_AT_ONCE = 200_000
_PLAIN = (pl.Boolean, pl.Int64, pl.Float64, pl.String, pl.Null, pl.List(pl.String))
_SHAPE = "The line is not one JSON object"


def json_line_blocks(texts: Iterator[bytes], rows_at_once: int) -> Iterator[Block]:
    """Yield the records of a JSON lines file; blank lines are none. A file without records yields one empty block.

    Parameters
    ----------
    texts : blocks of UTF-8 that end with a line end (`formats.utf8_blocks`)
    """
    lines = (line for text in texts for line in text.split(b"\n") if line.strip())
    row = 1
    while held := list(itertools.islice(lines, min(rows_at_once, _RECORDS_AT_ONCE))):
        yield _block(held, row)
        row += len(held)
    if row == 1:
        yield Block((), row, 0, pl.DataFrame())


def _block(lines: list[bytes], row: int) -> Block:
    frame = _regular_frame(lines)
    if frame is not None:
        return Block(tuple(frame.columns), row, frame.height, frame)
    return _careful_block(lines, row)


def _regular_frame(lines: list[bytes]) -> pl.DataFrame | None:
    """Parse objects whose every field has one plain type at once; None where a line or a field is not so plain."""
    try:
        frame = pl.read_ndjson(io.BytesIO(b"\n".join(lines)), infer_schema_length=None)
    except pl.exceptions.PolarsError:
        return None
    if frame.height != len(lines) or not frame.width or not all(dtype in _PLAIN for dtype in frame.dtypes):
        return None
    # A float tells whole numbers apart up to here: beyond, its digits may not be those that were written.
    if any(
        ((column >= 2**53) | (column <= -(2**53))).any() for column in frame if column.dtype == pl.Float64
    ):
        return None
    frame = frame.with_columns(pl.col(pl.Null).cast(pl.String))
    # Where some records hold a list and others a word, polars writes the list as JSON text.
    words = [column for column in frame if column.dtype == pl.String]
    return None if any(column.str.contains(r"^[\[{]").any() for column in words) else frame


def _careful_block(lines: list[bytes], row: int) -> Block:
    records: list[dict[str, Any]] = []
    misshapen: list[Misshapen] = []
    for index, line in enumerate(lines):
        try:
            record, reason = json.loads(line, parse_constant=str), f"{_SHAPE}."
        except (ValueError, RecursionError) as error:
            record, reason = None, f"{_SHAPE}: {error}."
        if not isinstance(record, dict):
            raw = line.decode("utf-8").strip()
            misshapen.append(Misshapen(index, raw, reason))
            record = {BROKEN_LINE: raw}
        records.append(record)
    names = dict.fromkeys(name for record in records for name in record) or {BROKEN_LINE: None}
    columns = [_column(name, [record.get(name) for record in records]) for name in names]
    header = tuple(name for name in names if name != BROKEN_LINE)
    return Block(header, row, len(records), pl.DataFrame(columns), misshapen=misshapen)


def _column(name: str, values: list[Any]) -> pl.Series:
    """Keep numbers, booleans and lists of words as such; anything mixed becomes text."""
    kinds = {type(v) for v in values if v is not None}
    if kinds == {bool}:
        return pl.Series(name, values, pl.Boolean)
    if kinds == {int} and all(v is None or -(2**63) <= v < 2**63 for v in values):
        return pl.Series(name, values, pl.Int64)
    if kinds and kinds <= {int, float} and all(v is None or abs(v) < 2**53 for v in values):
        return pl.Series(name, values, pl.Float64)
    if kinds and kinds <= {list, dict}:
        return pl.Series(name, [None if v is None else _words(v) for v in values], pl.List(pl.String))
    return pl.Series(name, [None if v is None else as_text(v) for v in values], pl.String)


def _words(value: list[Any] | dict[str, Any]) -> list[str]:
    """Take a list as it is, an object such as {"vent_click": "pass"} as name=value."""
    if isinstance(value, dict):
        return [f"{name}={as_text(word)}" for name, word in value.items() if word is not None]
    return [
        word for v in value if v is not None for word in (_words(v) if isinstance(v, dict) else [as_text(v)])
    ]


def as_text(value: Any) -> str:
    """Write one JSON value as text: words as they are, whole numbers without a point, lists separated by ";"."""
    if isinstance(value, str):
        return value
    if isinstance(value, list | dict):
        return ";".join(_words(value))
    is_whole = isinstance(value, float) and value.is_integer() and abs(value) < 2**53
    return json.dumps(int(value) if is_whole else value, ensure_ascii=False)
