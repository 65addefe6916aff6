"""Read one file of vehicles, jobs, trace headers or inspections."""

from __future__ import annotations

import polars as pl

from pipeline.lake.columns import lay_out
from pipeline.lake.convert import Part, to_reading
from pipeline.lake.facts import facts_of
from pipeline.lake.find import LakeFile
from pipeline.lake.open_file import blocks_of
from pipeline.lake.reading import NO_RECORDS, Reading, nothing_read
from pipeline.lake.source_form import SourceForm

_ROWS_AT_ONCE = 500_000


def read_records(file: LakeFile, form: SourceForm) -> Reading:
    """Read a whole file as typed records, one for every record that it holds. Reads only.

    Parameters
    ----------
    file : of any kind but samples
    form : the form of the file's source

    Returns
    -------
    As many records as the file has, in its order; `hint` where the header looks wrong or the file is empty.

    Raises
    ------
    FileUnreadable : the file cannot be read at all, or a measured column has no unit that is known.
    """
    kind_form = form.of(file.kind)
    readings: list[Reading] = []
    preamble: tuple[str, ...] = ()
    for block in blocks_of(file, kind_form, _ROWS_AT_ONCE):
        preamble = preamble or block.preamble
        facts = facts_of(file, kind_form, preamble)
        layout = lay_out(block.header, kind_form, facts.keys() | kind_form.constants.keys(), file.file)
        reading = to_reading(kind_form, layout, [Part(file, block, facts)])
        reading.hints = {file.file: layout.hint} if layout.hint else {}
        readings.append(reading)
    whole = stacked(file.kind, readings)
    if whole.records.is_empty() and not whole.hints:
        whole.hints = {file.file: NO_RECORDS}
    return whole


def stacked(kind: str, readings: list[Reading]) -> Reading:
    """Put readings of one kind under each other; columns of `came` that differ in type become text."""
    held = [r for r in readings if r.records.height]
    hints = {file: hint for r in (held or readings) for file, hint in r.hints.items()}
    if not held:
        whole = nothing_read(kind)
    elif len(held) == 1:
        whole = held[0]
    else:
        same = len({tuple(r.came.schema.items()) for r in held}) == 1
        came = [r.came if same else r.text for r in held]
        whole = Reading(
            kind,
            pl.concat([r.records for r in held]),
            pl.concat(came, how="vertical" if same else "diagonal"),
            pl.concat([r.misread for r in held]),
        )
    whole.hints = hints
    return whole
