"""Read delimited text (CSV and its kin): fast where every line is well formed, record by record where not.

A block of lines whose quotation marks are well placed and whose records all have as many fields as the header is
handed to polars as it is. Any other block goes through `ragged`, which loses nothing.
"""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.errors import OurFault
from pipeline.lake.blocks import Block, joined
from pipeline.lake.ragged import Lines, header_names, ragged_block

_LINE_END = 10
_LONGEST_HEADER = 1 << 20
_LONGEST_OPEN_QUOTE = 32 << 20


def delimited_blocks(texts: Iterator[bytes], delimiter: str, skip_lines: int) -> Iterator[Block]:
    """Yield a delimited file's records block by block, first an empty block with its header.

    Parameters
    ----------
    texts : blocks of UTF-8 that end with a line end (`formats.utf8_blocks`)
    delimiter : one ASCII character
    skip_lines : lines before the header; they are the first block's `preamble`
    """
    header: tuple[str, ...] | None = None
    row, held = 1, b""
    for text in texts:
        held += text
        if header is None:
            preamble, header, held = _take_header(held, delimiter, skip_lines)
            yield Block(header, row, 0, delimiter=delimiter, preamble=preamble)
        cut = _last_record_end(held, delimiter)
        if cut is None or len(held) - cut > _LONGEST_OPEN_QUOTE:
            break
        body, held = held[:cut], held[cut:]
        if body and header:
            block = _block(body, header, delimiter, row)
            yield block
            row += block.n_rows
    if header is None:
        yield Block((), row, 0, delimiter=delimiter)
    elif held and header:
        # Misplaced quotation marks: nobody can tell where a record ends but by reading on from here.
        yield from _careful_blocks(Lines(_lines(held, texts)), header, delimiter, row)


def parse_body(body: bytes, n_rows: int, header: tuple[str, ...], delimiter: str) -> pl.DataFrame:
    """Parse well-formed lines into columns of text; an empty field is null.

    Raises
    ------
    OurFault : the lines do not give `n_rows` records.
    """
    schema = {name: pl.String() for name in header}
    if not n_rows:
        return pl.DataFrame(schema=schema)
    frame = pl.read_csv(
        io.BytesIO(body),
        has_header=False,
        schema=schema,
        separator=delimiter,
        quote_char='"' if b'"' in body else None,
    )
    if frame.height != n_rows:
        raise OurFault(f"{n_rows} delimited records were counted and {frame.height} read.", "pipeline/lake")
    return frame


def _lines(held: bytes, texts: Iterator[bytes]) -> Iterator[str]:
    yield from io.StringIO(held.decode("utf-8"), newline="")
    for text in texts:
        yield from io.StringIO(text.decode("utf-8"), newline="")


def _careful_blocks(lines: Lines, header: tuple[str, ...], delimiter: str, row: int) -> Iterator[Block]:
    while (block := ragged_block(lines, header, delimiter, row)).n_rows:
        yield block
        row += block.n_rows


def _take_header(
    text: bytes, delimiter: str, skip_lines: int
) -> tuple[tuple[str, ...], tuple[str, ...], bytes]:
    """Split the first block into its preamble lines, the header's names and the bytes that follow."""
    head = text[: text.rfind(b"\n", 0, _LONGEST_HEADER) + 1] or text
    lines = io.StringIO(head.decode("utf-8"), newline="").readlines()
    preamble = lines[:skip_lines]
    names, passed = header_names(Lines(lines[skip_lines:]), delimiter)
    n_bytes = len("".join([*preamble, passed]).encode("utf-8"))
    return tuple(line.rstrip("\r\n") for line in preamble), _distinct(names), text[n_bytes:]


def _distinct(names: list[str]) -> tuple[str, ...]:
    """Give every column a name of its own: a repeated or empty one gets its place added."""
    seen: set[str] = set()
    distinct = []
    for place, name in enumerate(names, 1):
        own = f"{name} (column {place})".strip() if name in seen or not name.strip() else name
        seen.add(own)
        distinct.append(own)
    return tuple(distinct)


def _last_record_end(text: bytes, delimiter: str) -> int | None:
    """Find where the last whole record ends; None where a quotation mark stands inside an unquoted field."""
    if b'"' not in text:
        return len(text)
    data = np.frombuffer(text, np.uint8)
    quotes = np.flatnonzero(data == ord('"'))
    if not _are_well_placed(data, quotes, delimiter):
        return None
    if quotes.size % 2 == 0:
        return len(text)
    ends = np.flatnonzero(data == _LINE_END)
    outside = ends[np.searchsorted(quotes, ends) % 2 == 0]
    return int(outside[-1]) + 1 if outside.size else 0


def _are_well_placed(data: np.ndarray, quotes: np.ndarray, delimiter: str) -> bool:
    """Check that every quoted field begins where a field begins and ends where one ends ("" inside is a mark)."""
    edges = np.frombuffer(b'\r\n"' + delimiter.encode(), np.uint8)
    opening, closing = quotes[0::2], quotes[1::2]
    before = data[opening[opening > 0] - 1]
    after = data[closing[closing < data.size - 1] + 1]
    return bool(np.isin(before, edges).all() and np.isin(after, edges).all())


def _block(body: bytes, header: tuple[str, ...], delimiter: str, row: int) -> Block:
    if not body.endswith(b"\n"):
        body += b"\n"
    n_rows = _count_if_regular(body, len(header), delimiter)
    if n_rows is not None:
        return Block(header, row, n_rows, body=body, delimiter=delimiter)
    blocks = list(_careful_blocks(Lines(_lines(body, iter(()))), header, delimiter, row))
    if not blocks:
        return Block(header, row, 0, delimiter=delimiter)
    return joined(blocks)


def _count_if_regular(body: bytes, n_columns: int, delimiter: str) -> int | None:
    """Count the records where each is one line with `n_columns` fields; None where one is not."""
    if b"\r" in body and body.count(b"\r") != body.count(b"\r\n"):
        return None
    data = np.frombuffer(body, np.uint8)
    ends, marks = np.flatnonzero(data == _LINE_END), np.flatnonzero(data == ord(delimiter))
    if b'"' in body:
        quotes = np.flatnonzero(data == ord('"'))
        ends = ends[np.searchsorted(quotes, ends) % 2 == 0]
        marks = marks[np.searchsorted(quotes, marks) % 2 == 0]
    n_marks = np.diff(np.searchsorted(marks, ends), prepend=0)
    if (n_marks != n_columns - 1).any():
        return None
    shortest = 1 if b"\r" not in body else 2
    if n_columns == 1 and (np.diff(ends, prepend=-1) <= shortest).any():
        return None
    return int(ends.size)
