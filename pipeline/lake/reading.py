"""What a reader hands on: typed records, the same as they came, and what could not be read."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.lake.converted import as_text

_TYPES: dict[str, pl.DataType] = {
    "text": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "boolean": pl.Boolean(),
    "date": pl.Date(),
    "time": pl.Datetime("us", "UTC"),
    "text_list": pl.List(pl.String()),
    "check_list": pl.List(pl.String()),
}
#: What looks wrong with a file whose header is all there is.
NO_RECORDS = "The file has a header and no records."
MISREAD_SCHEMA = {
    "file": pl.String(),
    "row": pl.Int64(),
    "rule": pl.String(),
    "column": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),
}

TOLD_SCHEMA = {
    "file": pl.String(),
    "trace_id": pl.String(),
    "fuel_level_pct": pl.Float64(),
    "ambient_c": pl.Float64(),
    "barometric_kpa": pl.Float64(),
    "barometer_step_kpa": pl.Float64(),
}


def record_schema(kind: str) -> dict[str, pl.DataType]:
    """List the columns of `Reading.records` of one kind with their types."""
    schema: dict[str, pl.DataType] = {"source_id": pl.String(), "file": pl.String(), "row": pl.Int64()}
    schema |= {f.name: _TYPES[f.type] for f in ALL_KINDS[kind].fields}
    return schema | ({"is_pressure_derived": pl.Boolean()} if kind == "samples" else {})


@dataclass
class Reading:
    """Records of one kind, of one file or (samples) of several.

    Parameters
    ----------
    records : `record_schema(kind)`; null where nothing was given or it could not be read
    came : the records as they came, same height and order, columns in any type; `text` writes them as text
    misread : `MISREAD_SCHEMA`; rules `shape` (column null: the record as a whole), `type`, `obd_bytes`
    hints : file -> what looks wrong with it as a whole
    told : `TOLD_SCHEMA`; what the raw answers among samples tell of their recording, one row a recording
    """

    kind: str
    records: pl.DataFrame
    came: pl.DataFrame
    misread: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=MISREAD_SCHEMA))
    hints: dict[str, str] = field(default_factory=dict)
    told: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=TOLD_SCHEMA))

    @property
    def hint(self) -> str:
        """The hints in one text: alone for one file, each after its file's name for several."""
        if len(self.hints) == 1:
            return next(iter(self.hints.values()))
        return "\n".join(f"{file}: {hint}" for file, hint in self.hints.items())

    @cached_property
    def text(self) -> pl.DataFrame:
        """The records as they came, every column as text."""
        return self.text_of(self.came)

    @staticmethod
    def text_of(came: pl.DataFrame) -> pl.DataFrame:
        """Write chosen rows of `came` as text, without writing them all."""
        return came.with_columns(as_text(column).alias(column.name) for column in came)


def nothing_read(kind: str) -> Reading:
    """Return a Reading without records."""
    return Reading(kind, pl.DataFrame(schema=record_schema(kind)), pl.DataFrame())
