"""Turn blocks of one layout into typed records, keeping beside them what came and what could not be read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.contract.fields import ALL_KINDS, Field
from pipeline.lake.blocks import Block, frame_of
from pipeline.lake.columns import Layout
from pipeline.lake.converted import Converted, as_text, missing, stripped
from pipeline.lake.field_units import CLOCK, to_field_unit
from pipeline.lake.find import LakeFile
from pipeline.lake.formats import format_of
from pipeline.lake.numbers import to_boolean, to_integer, to_number
from pipeline.lake.reading import MISREAD_SCHEMA, Reading, record_schema
from pipeline.lake.source_form import KindForm
from pipeline.lake.times import seconds_of_day, to_date, to_time
from pipeline.lake.word_lists import to_status_bytes, to_words


@dataclass(frozen=True)
class Part:
    """One block of a file and what the file as a whole tells (field -> words as they came)."""

    file: LakeFile
    block: Block
    facts: dict[str, str] = field(default_factory=dict)


def read_field(field_: Field, raw: pl.Series, form: KindForm, unit: str | None = None) -> Converted:
    """Read one column as a field's type and in its unit.

    Parameters
    ----------
    raw : as it came; blanks around words are taken off, empty words are missing
    form : words, marks, formats and zone of the source
    unit : unit of the values where it is not the field's own
    """
    mapping = form.values.get(field_.name, {})
    if field_.type in ("text_list", "check_list"):
        return to_words(stripped(raw), field_.name, mapping)
    raw = stripped(raw)
    if mapping:
        raw = stripped(as_text(raw).replace(mapping))
    if field_.name == "monitor_status_hex":
        return to_status_bytes(raw)
    match field_.type:
        case "number" if unit == CLOCK:
            return seconds_of_day(raw)
        case "number":
            numbers = to_number(raw, form.decimal)
            return Converted(to_field_unit(numbers.values, field_.name, unit), numbers.reasons)
        case "integer":
            return to_integer(raw, form.decimal)
        case "boolean":
            return to_boolean(raw)
        case "date":
            return to_date(raw, form.date_format)
        case "time":
            return to_time(raw, form.datetime_format, form.time_zone)
    return Converted(as_text(raw))


def to_reading(form: KindForm, layout: Layout, parts: list[Part]) -> Reading:
    """Type the records of blocks that share a layout.

    A field comes from its column; where that is missing or empty, from the file's name or header lines, then from the
    source's constants. A misshapen record keeps its place: all its fields are null, its text stands in `came`.
    """
    came = frame_of([part.block for part in parts])
    columns = {"source_id": _repeated(parts, lambda p: p.file.source_id), **_places(parts)}
    misread: list[pl.DataFrame] = []
    for field_ in ALL_KINDS[form.kind].fields:
        read = _read_one(field_, came, form, layout, parts)
        dtype = record_schema(form.kind)[field_.name]
        columns[field_.name] = read.values.cast(dtype).alias(field_.name)
        if read.reasons is not None:
            rule = "obd_bytes" if field_.name == "monitor_status_hex" else "type"
            raw = _raw_text(field_, came, layout, parts, form)
            misread.append(misread_rows(columns, rule, field_.name, raw, read.reasons))
    if form.kind == "samples":
        columns["is_pressure_derived"] = pl.repeat(False, came.height, dtype=pl.Boolean, eager=True)
    records = pl.DataFrame([series.alias(name) for name, series in columns.items()])
    records = _with_lists_left_empty(records, layout, parts)
    return _without_misshapen(Reading(form.kind, records, came, _stacked(misread)), parts)


def _with_lists_left_empty(records: pl.DataFrame, layout: Layout, parts: list[Part]) -> pl.DataFrame:
    """Read an empty `monitors_not_ready` cell of a CSV inspection that tells its lamp as: none.

    A CSV cell has no other way to say "an empty list". JSON lines and Parquet have, so null stays null there.
    """
    is_csv = all(format_of(part.file.path.name, True) == "delimited" for part in parts)
    if "monitors_not_ready" not in layout.columns or not is_csv:
        return records
    told = pl.col("mil_on").is_not_null() & pl.col("monitor_status_hex").is_null()
    listed = pl.col("monitors_not_ready")
    none = pl.lit([], dtype=pl.List(pl.String))
    return records.with_columns(
        monitors_not_ready=pl.when(told & listed.is_null()).then(none).otherwise(listed)
    )


def misread_rows(
    columns: dict[str, pl.Series] | pl.DataFrame, rule: str, column: str, raw: pl.Series, reasons: pl.Series
) -> pl.DataFrame:
    """List the records for which there is a reason, in the columns of `MISREAD_SCHEMA`."""
    told = pl.DataFrame(
        {
            "file": columns["file"],
            "row": columns["row"],
            "value": as_text(raw),
            "reason": reasons,
        }
    )
    told = told.filter(pl.col("reason").is_not_null())
    named = told.with_columns(rule=pl.lit(rule), column=pl.lit(column))
    return named.select(pl.col(name).cast(dtype) for name, dtype in MISREAD_SCHEMA.items())


def _read_one(
    field_: Field, came: pl.DataFrame, form: KindForm, layout: Layout, parts: list[Part]
) -> Converted:
    name, fallbacks = field_.name, []
    if any(name in part.facts for part in parts):
        words = _repeated(parts, lambda p: p.facts.get(name))
        fallbacks.append(read_field(field_, words, form, form.units.get(name)))
    if name in form.constants:
        words = pl.repeat(form.constants[name], came.height, dtype=pl.String, eager=True)
        fallbacks.append(read_field(field_, words, KindForm(form.kind)))
    if name in layout.columns:
        own = read_field(field_, came[layout.columns[name]], form, layout.units.get(name))
        fallbacks.insert(0, own)
    if not fallbacks:
        return Converted(missing(came.height, record_schema(form.kind)[name]))
    return _first_given(fallbacks)


def _first_given(choices: list[Converted]) -> Converted:
    """Take the first choice that has a value; one that was there and could not be read is not replaced."""
    best = choices[0]
    for other in choices[1:]:
        stands = best.values.is_not_null()
        if best.reasons is not None:
            stands = stands | best.reasons.is_not_null()
        values = best.values.zip_with(stands, other.values)
        reasons = best.reasons
        if other.reasons is not None:
            reasons = (
                other.reasons.set(stands, None)
                if reasons is None
                else reasons.zip_with(stands, other.reasons)
            )
        best = Converted(values, reasons)
    return best


def _raw_text(
    field_: Field, came: pl.DataFrame, layout: Layout, parts: list[Part], form: KindForm
) -> pl.Series:
    name = field_.name
    told = [_repeated(parts, lambda p: p.facts.get(name, form.constants.get(name)))]
    if name in layout.columns:
        told.insert(0, as_text(came[layout.columns[name]]))
    return (
        pl.DataFrame([s.alias(str(i)) for i, s in enumerate(told)]).select(pl.coalesce(pl.all())).to_series()
    )


def _repeated(parts: list[Part], tell: Callable[[Part], str | None]) -> pl.Series:
    """Repeat what each part tells over its records."""
    words = pl.Series([tell(part) for part in parts], dtype=pl.String)
    if len(parts) == 1:
        return pl.repeat(words[0], parts[0].block.n_rows, dtype=pl.String, eager=True)
    return words.gather(np.repeat(np.arange(len(parts)), [part.block.n_rows for part in parts]))


def _places(parts: list[Part]) -> dict[str, pl.Series]:
    rows = [np.arange(p.block.first_row, p.block.first_row + p.block.n_rows, dtype=np.int64) for p in parts]
    return {
        "file": _repeated(parts, lambda p: p.file.file),
        "row": pl.Series(np.concatenate(rows), dtype=pl.Int64),
    }


def _stacked(misread: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([pl.DataFrame(schema=MISREAD_SCHEMA), *misread])


def _without_misshapen(reading: Reading, parts: list[Part]) -> Reading:
    """Empty the fields of misshapen records and say why, instead of judging fields that stand in a wrong place."""
    told, before = [], 0
    for part in parts:
        told += [(before + m.index, m.raw, m.reason) for m in part.block.misshapen]
        before += part.block.n_rows
    if not told:
        return reading
    index, raw, reason = zip(*told, strict=True)
    places = reading.records[list(index)].select("file", "row")
    shape = places.with_columns(
        rule=pl.lit("shape"), column=pl.lit(None, pl.String), value=pl.Series(raw), reason=pl.Series(reason)
    )
    others = reading.misread.join(places, on=["file", "row"], how="anti")
    bad = pl.Series(np.isin(np.arange(reading.records.height), index))
    fields = pl.all().exclude("source_id", "file", "row")
    records = reading.records.with_columns(pl.when(~pl.lit(bad)).then(fields).name.keep())
    misread = _stacked([others, shape.select(MISREAD_SCHEMA.keys())])
    return Reading(reading.kind, records, reading.came, misread, reading.hints)
