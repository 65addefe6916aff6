"""Consecutive records of one file as they came, before anybody asks what they mean."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import polars as pl


@dataclass(frozen=True)
class Misshapen:
    """A record that does not have the shape of its file: `index` in its block, the text as it came, and why."""

    index: int
    raw: str
    reason: str


@dataclass
class Block:
    """Records `first_row` and following of one file.

    They are either in `frame` (text, or what a typed format holds) or still unparsed in `body`: delimited lines of
    which each has as many fields as `header`, so that the bodies of many small files can be parsed at once.
    """

    header: tuple[str, ...]
    first_row: int
    n_rows: int
    frame: pl.DataFrame | None = None
    body: bytes = b""
    delimiter: str = ","
    misshapen: list[Misshapen] = field(default_factory=list)
    preamble: tuple[str, ...] = ()

    @property
    def layout(self) -> tuple[object, ...]:
        """What two blocks must share to be put under each other."""
        if self.frame is None:
            return (self.header, self.delimiter)
        return (self.header, *self.frame.dtypes)


def gathered(blocks: Iterable[Block], n_rows: int) -> Iterator[Block]:
    """Put the consecutive blocks of one file together until each holds about `n_rows` records."""
    held: list[Block] = []
    for block in blocks:
        if held and (held[0].layout != block.layout or sum(b.n_rows for b in held) >= n_rows):
            yield joined(held)
            held = []
        held.append(block)
    if held:
        yield joined(held)


def joined(blocks: list[Block]) -> Block:
    """Put consecutive blocks of one file and layout under each other."""
    if len(blocks) == 1:
        return blocks[0]
    before, misshapen = 0, []
    for block in blocks:
        misshapen += [Misshapen(m.index + before, m.raw, m.reason) for m in block.misshapen]
        before += block.n_rows
    first = blocks[0]
    frame = None if first.frame is None else frame_of(blocks)
    body = b"".join(b.body for b in blocks)
    return Block(
        first.header, first.first_row, before, frame, body, first.delimiter, misshapen, first.preamble
    )


def frame_of(blocks: list[Block]) -> pl.DataFrame:
    """Parse blocks of one layout, of one file or of many, into one frame."""
    if blocks[0].frame is not None:
        return pl.concat([b.frame for b in blocks if b.frame is not None], how="vertical")
    from pipeline.lake.delimited import parse_body

    first = blocks[0]
    body, n_rows = b"".join(b.body for b in blocks), sum(b.n_rows for b in blocks)
    return parse_body(body, n_rows, first.header, first.delimiter)
