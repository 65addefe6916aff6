"""What a source says about its own files: the `source.toml` of the contract, section 2, as data.

Decided here, where the contract is silent:

- `[source]` may hold time_zone, encoding, delimiter, decimal, datetime_format and date_format for all kinds; a kind's
  own setting stands before it.
- `columns` and `units` take a field (`odometer_km`) or its name without the unit (`odometer`); the latter needs a unit,
  declared or in brackets in the header. A declared unit stands before a bracket. Fields that `columns` does not name
  are found by our own names.
- `values` fit for every field, word by word in lists; a word mapped to "" is a missing value.
- A field comes from its column; where that is missing or empty, from the groups of `file_name`, then of `header_line`,
  then from `constants`. Constants are written in our own words, units and ISO 8601.
- `file_name` is searched in the file's name, then in its path below the source; `header_line` in each of the
  `skip_lines` lines, so that alternatives may take different facts from different lines.
- `[samples]` also takes `obd_hex` and `barometric` as columns, and the fields of a trace header as groups and
  constants.
- `[samples.sensor]` gives volts_at_rest and pa_per_volt for the source, each `[[samples.sensor.model]]` for a model.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.contract.fields import ALL_KINDS, SAMPLES, TRACES, Field
from pipeline.contract.vocabulary import KINDS

FILE_NAME = "source.toml"

#: What a samples file may carry beside the contract's fields of a sample: raw answers, and the barometric pressure
#: that an absolute tank pressure needs.
EXTRA_SAMPLE_COLUMNS = ("obd_hex", "barometric_kpa")


@dataclass(frozen=True)
class SensorLine:
    """The line of a tank pressure sensor: pressure [Pa, gauge] = (volts - volts_at_rest) * pa_per_volt."""

    volts_at_rest: float
    pa_per_volt: float
    make: str | None = None
    model: str | None = None


@dataclass(frozen=True)
class KindForm:
    """How one kind of one source is written; the defaults are a source in our own names.

    `columns`, `units`, `values` and `constants` have fields as keys, never a name without its unit; `bare` holds the
    fields that the form named without their unit. `files` is None where the kind is found by its name.
    """

    kind: str
    files: tuple[str, ...] | None = None
    delimiter: str | None = None
    decimal: str = "."
    datetime_format: str | None = None
    date_format: str | None = None
    skip_lines: int = 0
    encoding: str = "utf-8"
    time_zone: str | None = None
    file_name: re.Pattern[str] | None = None
    header_line: re.Pattern[str] | None = None
    columns: dict[str, str] = field(default_factory=dict)
    bare: frozenset[str] = frozenset()
    units: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    sensor: tuple[SensorLine, ...] = ()

    @property
    def has_facts_in_names(self) -> bool:
        return self.file_name is not None or self.header_line is not None


@dataclass(frozen=True)
class SourceForm:
    """The form of one source; `where` is its file for messages, `sha256` the hash of its text ("" without one)."""

    source_id: str
    kinds: dict[str, KindForm] = field(default_factory=dict)
    sha256: str = ""
    where: str = ""

    def of(self, kind: str) -> KindForm:
        return self.kinds.get(kind) or KindForm(kind)


def column_fields(kind: str) -> set[str]:
    """Name the fields that a column may fill in one kind of file."""
    return set(ALL_KINDS[kind].names) | (set(EXTRA_SAMPLE_COLUMNS) if kind == SAMPLES.name else set())


def header_fields(kind: str) -> dict[str, Field]:
    """List the fields that a file name, a header line or a constant may fill for one kind of file."""
    fields = {f.name: f for f in ALL_KINDS[kind].fields}
    return fields | {f.name: f for f in TRACES.fields} if kind == SAMPLES.name else fields


def read_form(source_id: str, folder: Path) -> SourceForm:
    """Read the `source.toml` of a source's folder; a source without one gets the form of our own names.

    Parameters
    ----------
    folder : folder of the source

    Raises
    ------
    WrongUsage : the file is no TOML, or says things that cannot be done; all of them are named at once.
    """
    from pipeline.lake.form_check import parse_form

    path, where = folder / FILE_NAME, f"{source_id}/{FILE_NAME}"
    if not path.is_file():
        return SourceForm(source_id, {kind: KindForm(kind) for kind in KINDS})
    content = path.read_bytes()
    return SourceForm(source_id, parse_form(content, where), hashlib.sha256(content).hexdigest(), where)
