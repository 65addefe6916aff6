"""Read any file of the lake as blocks of records, whatever its format."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import FileUnreadable
from pipeline.lake.blocks import Block, gathered
from pipeline.lake.delimited import delimited_blocks
from pipeline.lake.find import LakeFile
from pipeline.lake.formats import BLOCK, format_of, split_name, utf8_blocks
from pipeline.lake.json_lines import json_line_blocks
from pipeline.lake.parquet import parquet_blocks
from pipeline.lake.source_form import KindForm

_FIRST_BYTES, _FIRST_ROWS = 1 << 16, 100


def blocks_of(file: LakeFile, form: KindForm, rows_at_once: int) -> Iterator[Block]:
    """Yield a file's records in blocks of about `rows_at_once`; the first may be empty and bears the header.

    Reads only.

    Raises
    ------
    FileUnreadable : cut short, damaged, not text, in another encoding, or of a format that is not read.
    """
    return gathered(_raw_blocks(file, form, rows_at_once, BLOCK), rows_at_once)


def first_block(file: LakeFile, form: KindForm) -> Block:
    """Read the header of a file with no or few of its records.

    Raises
    ------
    FileUnreadable : as `blocks_of`.
    """
    return next(_raw_blocks(file, form, _FIRST_ROWS, _FIRST_BYTES))


def _raw_blocks(file: LakeFile, form: KindForm, rows_at_once: int, size: int) -> Iterator[Block]:
    how = format_of(file.path.name, is_named_by_glob=True)
    if how == "parquet":
        return parquet_blocks(file.path, file.file, rows_at_once)
    if how is None:
        raise FileUnreadable(
            "The file's format is not read.", file.file, "Export it as CSV, JSON lines or Parquet."
        )
    texts = utf8_blocks(file.path, form.encoding, file.file, size)
    if how == "json_lines":
        return json_line_blocks(texts, rows_at_once)
    tab_or_comma = "\t" if split_name(file.path.name)[1] == ".tsv" else ","
    return delimited_blocks(texts, form.delimiter or tab_or_comma, form.skip_lines)
