"""Read samples: many small recordings in one go, large files in slices."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import polars as pl

from pipeline.errors import FileUnreadable
from pipeline.lake.blocks import Block
from pipeline.lake.columns import Layout, lay_out
from pipeline.lake.convert import Part, to_reading
from pipeline.lake.facts import facts_of, stem
from pipeline.lake.find import LakeFile
from pipeline.lake.open_file import blocks_of, first_block
from pipeline.lake.pressure import HEADER_FIELDS, with_pressure
from pipeline.lake.reading import NO_RECORDS, Reading
from pipeline.lake.source_form import KindForm, SourceForm

#: Some records of one file, and where their fields stand.
_Slice = tuple[Layout, Part]


def _raise(file: LakeFile, problem: FileUnreadable) -> None:
    raise problem


def read_samples(
    files: list[LakeFile],
    form: SourceForm,
    headers: pl.DataFrame,
    chunk_rows: int = 1_000_000,
    on_unreadable: Callable[[LakeFile, FileUnreadable], None] = _raise,
) -> Iterator[Reading]:
    """Yield the samples of one source's files in chunks of about `chunk_rows`. Reads only.

    Files that fit into one slice share a chunk where their headers are alike; a larger file has chunks of its own.

    Parameters
    ----------
    files : sample files of one source, in the order in which they are to be read
    form : the form of that source
    headers : trace_id, make, model, barometric_kpa [kPa] of the traces that are known
    on_unreadable : told of each file that cannot be read, instead of raising; such a file may have given earlier
        chunks when it is damaged in the middle, never parts of a chunk that it shares

    Yields
    ------
    Readings of kind samples; a file without records yields an empty one with its hint.

    Raises
    ------
    FileUnreadable : where `on_unreadable` is not given.
    """
    kind_form = form.of("samples")
    finish = partial(_finish, form=kind_form, headers=_complete(headers))
    pending: list[_Slice] = []
    for file in files:
        try:
            slices = _slices(file, kind_form, chunk_rows)
            first, second = next(slices), next(slices, None)
            if pending and (second or not _fits(pending, first, chunk_rows)):
                yield finish(pending)
                pending = []
            if second is None:
                pending.append(first)
                continue
            yield finish([first])
            yield finish([second])
            for more in slices:
                yield finish([more])
        except FileUnreadable as problem:
            on_unreadable(file, problem)
    if pending:
        yield finish(pending)


def is_one_recording(file: LakeFile, form: SourceForm) -> bool:
    """Say whether a samples file is one recording: its name tells which, and none of its columns does.

    Raises nothing: a file that cannot be read is none.
    """
    kind_form = form.of("samples")
    if kind_form.has_facts_in_names:
        return True
    try:
        header = first_block(file, kind_form).header
        return bool(header) and "trace_id" not in lay_out(header, kind_form, set(), file.file).columns
    except FileUnreadable:
        return False


def _slices(file: LakeFile, form: KindForm, chunk_rows: int) -> Iterator[_Slice]:
    """Yield a file's slices with records; one empty slice where it has none."""
    preamble: tuple[str, ...] | None = None
    facts: dict[str, str] = {}
    empty: Block | None = None
    for block in blocks_of(file, form, chunk_rows):
        if preamble is None:
            preamble = block.preamble
            facts = {"trace_id": stem(file)} | facts_of(file, form, preamble)
        empty = block if block.n_rows == 0 else None
        if block.n_rows:
            yield _slice(file, form, block, facts)
    if empty is not None:
        yield _slice(file, form, empty, facts)


def _slice(file: LakeFile, form: KindForm, block: Block, facts: dict[str, str]) -> _Slice:
    layout = lay_out(block.header, form, facts.keys() | form.constants.keys(), file.file)
    own = {} if "trace_id" in layout.columns else facts
    return layout, Part(file, block, own)


def _fits(pending: list[_Slice], new: _Slice, chunk_rows: int) -> bool:
    """Say whether a slice may share the chunk: the same columns, nothing wrong with it, and room left."""
    (layout, part), (new_layout, new_part) = pending[0], new
    alike = layout == new_layout and part.block.layout == new_part.block.layout
    has_room = sum(p.block.n_rows for _, p in pending) < chunk_rows
    return alike and not new_layout.hint and new_part.block.n_rows > 0 and has_room


def _finish(slices: list[_Slice], form: KindForm, headers: pl.DataFrame) -> Reading:
    layout = slices[0][0]
    parts = [part for _, part in slices]
    reading = with_pressure(to_reading(form, layout, parts), form, layout, headers)
    if layout.hint:
        reading.hints = {part.file.file: layout.hint for part in parts}
    elif reading.records.is_empty():
        reading.hints = {part.file.file: NO_RECORDS for part in parts}
    return reading


def _complete(headers: pl.DataFrame) -> pl.DataFrame:
    """Give the headers the columns and types that the pressure needs, null where they lack one."""
    types = {
        "trace_id": pl.String(),
        "make": pl.String(),
        "model": pl.String(),
        "barometric_kpa": pl.Float64(),
    }
    return headers.select(
        (pl.col(name) if name in headers.columns else pl.lit(None)).cast(types[name]).alias(name)
        for name in ("trace_id", *HEADER_FIELDS)
    )
