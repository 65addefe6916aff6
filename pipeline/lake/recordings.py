"""Make trace headers out of what the names and header lines of recordings tell."""

from __future__ import annotations

import polars as pl

from pipeline.contract.fields import TRACES
from pipeline.errors import FileUnreadable
from pipeline.lake.blocks import frame_of
from pipeline.lake.columns import lay_out
from pipeline.lake.convert import misread_rows, read_field
from pipeline.lake.converted import as_text, missing, stripped
from pipeline.lake.facts import facts_of, stem
from pipeline.lake.find import LakeFile
from pipeline.lake.open_file import blocks_of, first_block
from pipeline.lake.reading import MISREAD_SCHEMA, Reading, nothing_read, record_schema
from pipeline.lake.source_form import KindForm, SourceForm

_ROWS_AT_ONCE = 1_000_000


def headers_from_recordings(files: list[LakeFile], form: SourceForm) -> Reading:
    """Return one trace header for every recording of a source that takes facts out of names or header lines.

    Reads only. A file that cannot be read, or whose name does not fit, gives no header: `read_samples` reports it.

    Parameters
    ----------
    files : sample files of one source
    form : the form of that source

    Returns
    -------
    Reading of kind traces; `row` is 0, `text` holds the words as they stood in the name or line. Empty where the
    source has no pattern for them. `hints` names the files that cannot be read.
    """
    kind_form = form.of("samples")
    if not kind_form.has_facts_in_names:
        return nothing_read("traces")
    told: list[tuple[LakeFile, dict[str, str]]] = []
    unreadable: dict[str, str] = {}
    for file in files:
        try:
            told += [(file, facts) for facts in _facts_of_recordings(file, kind_form)]
        except FileUnreadable as problem:
            unreadable[file.file] = problem.what
    reading = _as_reading(told, kind_form) if told else nothing_read("traces")
    reading.hints = unreadable
    return reading


def _facts_of_recordings(file: LakeFile, form: KindForm) -> list[dict[str, str]]:
    """Return the facts of each recording of a file: one, or as many as its own trace_id column names."""
    block = first_block(file, form)
    facts = {"trace_id": stem(file)} | facts_of(file, form, block.preamble)
    column = lay_out(block.header, form, facts.keys() | form.constants.keys(), file.file).columns.get(
        "trace_id"
    )
    if column is None:
        return [facts]
    return [facts | {"trace_id": trace_id} for trace_id in _distinct_words(file, form, column)]


def _distinct_words(file: LakeFile, form: KindForm, column: str) -> list[str]:
    words: dict[str, None] = {}
    for block in blocks_of(file, form, _ROWS_AT_ONCE):
        if block.n_rows and column in block.header:
            misshapen = {m.index for m in block.misshapen}
            for index, word in enumerate(stripped(as_text(frame_of([block])[column])).to_list()):
                if word is not None and index not in misshapen:
                    words[word] = None
    return list(words)


def _as_reading(told: list[tuple[LakeFile, dict[str, str]]], form: KindForm) -> Reading:
    schema = record_schema("traces")
    columns: dict[str, pl.Series] = {
        "source_id": pl.Series([file.source_id for file, _ in told], dtype=pl.String),
        "file": pl.Series([file.file for file, _ in told], dtype=pl.String),
        "row": pl.repeat(0, len(told), dtype=pl.Int64, eager=True),
    }
    misread = [pl.DataFrame(schema=MISREAD_SCHEMA)]
    names = [f.name for f in TRACES.fields if f.name in form.constants or any(f.name in t for _, t in told)]
    text = pl.DataFrame(
        {
            name: pl.Series([facts.get(name, form.constants.get(name)) for _, facts in told], dtype=pl.String)
            for name in names
        }
    )
    for field in TRACES.fields:
        if field.name not in names:
            columns[field.name] = missing(len(told), schema[field.name])
            continue
        own_words = any(field.name in facts for _, facts in told)
        how = form if own_words else KindForm("samples")
        read = read_field(field, text[field.name], how, how.units.get(field.name))
        columns[field.name] = read.values.cast(schema[field.name])
        if read.reasons is not None:
            misread.append(misread_rows(columns, "type", field.name, text[field.name], read.reasons))
    records = pl.DataFrame([series.alias(name) for name, series in columns.items()])
    return Reading("traces", records, text, pl.concat(misread))
