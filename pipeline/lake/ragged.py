"""Read delimited records one by one where their shape or their quotation marks are wrong; nothing is dropped."""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterable, Iterator

import polars as pl

from pipeline.lake.blocks import Block, Misshapen

#: A quoted field that runs over more lines than this was opened by mistake.
MAX_LINES_OF_A_RECORD = 2000
_RECORDS_AT_ONCE = 200_000


class Lines:
    """Lines that can be given back, so that a record which swallowed its followers can be read again.

    `ended_inside` says that the lines ended before the record did: a quotation mark is still open.
    """

    def __init__(self, source: Iterable[str]) -> None:
        self._source = iter(source)
        self._ahead: deque[str] = deque()
        self.taken: list[str] = []
        self.ended_inside = False

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if len(self.taken) >= MAX_LINES_OF_A_RECORD:
            raise csv.Error("a quotation mark is opened and not closed")
        try:
            line = self._ahead.popleft() if self._ahead else next(self._source)
        except StopIteration:
            self.ended_inside = bool(self.taken)
            raise
        self.taken.append(line)
        return line

    def start_record(self) -> None:
        self.taken.clear()
        self.ended_inside = False

    def give_back_all_but_first(self) -> None:
        self._ahead.extendleft(reversed(self.taken[1:]))
        del self.taken[1:]


def ragged_block(lines: Lines, header: tuple[str, ...], delimiter: str, row: int) -> Block:
    """Read the next records; a record with too few or too many fields is kept and marked as misshapen.

    Its fields stay where they stand; what is left over is put into the last column. Blank lines are no records.

    Returns
    -------
    A block of at most 200,000 records; of none at the end of the lines.
    """
    records: list[list[str]] = []
    misshapen: list[Misshapen] = []
    while len(records) < _RECORDS_AT_ONCE and (taken := _next_record(lines, delimiter, len(header))):
        fields, reason = taken
        if reason:
            misshapen.append(Misshapen(len(records), "".join(lines.taken).rstrip("\r\n"), reason))
        records.append(_fitted(fields, len(header), delimiter))
    columns = list(zip(*records, strict=True)) if records else [() for _ in header]
    texts = (pl.Series(name, list(c), pl.String) for name, c in zip(header, columns, strict=True))
    return Block(header, row, len(records), pl.DataFrame(texts), misshapen=misshapen)


def _next_record(lines: Lines, delimiter: str, n_fields: int) -> tuple[list[str], str] | None:
    while True:
        lines.start_record()
        try:
            fields = next(csv.reader(lines, delimiter=delimiter))
        except StopIteration:
            return None
        except csv.Error:
            return _first_line_alone(lines, delimiter)
        runs_on = len(lines.taken) > 1
        if (runs_on or lines.ended_inside) and not _is_well_formed(lines.taken, delimiter):
            return _first_line_alone(lines, delimiter)
        if len(fields) == n_fields:
            return fields, ""
        if runs_on:
            return _first_line_alone(lines, delimiter)
        if fields:
            fields_are = "1 field" if len(fields) == 1 else f"{len(fields)} fields"
            return fields, f"The record has {fields_are} where the header has {n_fields}."


def header_names(lines: Lines, delimiter: str) -> tuple[list[str], str]:
    """Read the names of the first line that has any, and the text up to its end; no names where there is none."""
    passed = ""
    while True:
        lines.start_record()
        try:
            names = next(csv.reader(lines, delimiter=delimiter, strict=True))
        except StopIteration:
            return [], passed
        except csv.Error:
            names, _ = _first_line_alone(lines, delimiter)
        passed += "".join(lines.taken)
        if any(names):
            return names, passed


def _is_well_formed(taken: list[str], delimiter: str) -> bool:
    """Say whether quoted fields end where a field ends, and before the lines do."""
    try:
        return len(list(csv.reader(taken, delimiter=delimiter, strict=True))) == 1
    except csv.Error:
        return False


def _first_line_alone(lines: Lines, delimiter: str) -> tuple[list[str], str]:
    lines.give_back_all_but_first()
    reason = "A quotation mark is opened and not closed where the header's fields end."
    return lines.taken[0].rstrip("\r\n").split(delimiter), reason


def _fitted(fields: list[str], n: int, delimiter: str) -> list[str]:
    if len(fields) > n:
        return [*fields[: n - 1], delimiter.join(fields[n - 1 :])]
    return fields + [""] * (n - len(fields))
