"""Read any file of the lake as blocks of records, whatever its format."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import FileUnreadable
from pipeline.lake.blocks import Block, gathered
from pipeline.lake.delimited import delimited_blocks
from pipeline.lake.find import LakeFile
from pipeline.lake.formats import format_of, split_name, utf8_blocks
from pipeline.lake.json_lines import json_line_blocks
from pipeline.lake.parquet import parquet_blocks
from pipeline.lake.source_form import KindForm


def blocks_of(file: LakeFile, form: KindForm, rows_at_once: int) -> Iterator[Block]:
    """Yield a file's records in blocks of about `rows_at_once`; the first may be empty and bears the header.

    Reads only.

    Raises
    ------
    FileUnreadable : cut short, damaged, not text, in another encoding, or of a format that is not read.
    """
    kind_of_file = format_of(file.path.name, is_named_by_glob=True)
    if kind_of_file == "parquet":
        return parquet_blocks(file.path, file.file, rows_at_once)
    if kind_of_file is None:
        raise FileUnreadable(
            "The file's format is not read.", file.file, "Export it as CSV, JSON lines or Parquet."
        )
    texts = utf8_blocks(file.path, form.encoding, file.file)
    if kind_of_file == "json_lines":
        return gathered(json_line_blocks(texts), rows_at_once)
    tab_or_comma = "\t" if split_name(file.path.name)[1] == ".tsv" else ","
    return gathered(delimited_blocks(texts, form.delimiter or tab_or_comma, form.skip_lines), rows_at_once)


def check_text(file: LakeFile, form: KindForm) -> None:
    """Read a text file to its end without keeping it, so that damage shows before any of its records is used.

    Raises
    ------
    FileUnreadable : as `blocks_of`.
    """
    if format_of(file.path.name, is_named_by_glob=True) != "parquet":
        for _ in utf8_blocks(file.path, form.encoding, file.file):
            pass
