"""Check single values of a `source.toml`; each check adds a sentence to the problems instead of raising."""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Any

import polars as pl

from pipeline.contract.fields import Field
from pipeline.contract.vocabulary import CHECK_NAMES, CHECK_RESULTS, FALSE_WORDS, MONITORS, TRUE_WORDS
from pipeline.errors import WrongUsage
from pipeline.lake.field_units import CLOCK, MEASURES, choices
from pipeline.lake.source_form import SensorLine
from pipeline.standards import units


class Problems:
    """The sentences collected about one form."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def add(self, at: str, sentence: str) -> None:
        self.found.append(f"{at}: {sentence}")

    def table(self, at: str, value: Any) -> dict[str, Any]:
        if isinstance(value, dict):
            return value
        self.add(at, "this must be a table")
        return {}

    def unknown_keys(self, at: str, told: dict[str, Any], allowed: Iterable[str]) -> None:
        for key in told:
            if key not in allowed:
                self.add(
                    f"{at}.{key}".lstrip("."), f"there is no such key; the keys are {', '.join(allowed)}"
                )


def _text(at: str, value: Any, problems: Problems) -> str | None:
    if isinstance(value, str) and value:
        return value
    problems.add(at, "give a text in quotation marks")
    return None


def time_zone(at: str, value: Any, problems: Problems) -> str | None:
    if (name := _text(at, value, problems)) is None:
        return None
    try:
        pl.Series([datetime(2020, 1, 1)]).dt.replace_time_zone(name)
    except pl.exceptions.PolarsError:
        problems.add(at, f"{name!r} is no time zone; give a name such as America/Phoenix or UTC")
        return None
    return name


def encoding(at: str, value: Any, problems: Problems) -> str | None:
    if (name := _text(at, value, problems)) is None:
        return None
    try:
        "".encode(name)
        return codecs.lookup(name).name
    except LookupError:
        problems.add(at, f"{name!r} is no encoding of text; give a name such as utf-8, cp1252 or utf-16")
        return None


def delimiter(at: str, value: Any, problems: Problems) -> str | None:
    if isinstance(value, str) and len(value) == 1 and value.isascii() and value not in '"\r\n':
        return value
    problems.add(at, 'give one character, such as ",", ";", "|" or "\\t"')
    return None


def decimal(at: str, value: Any, problems: Problems) -> str | None:
    if value in (".", ","):
        return value
    problems.add(at, 'the decimal mark is "." or ","')
    return None


def moment_format(at: str, value: Any, problems: Problems) -> str | None:
    if (form := _text(at, value, problems)) is None:
        return None
    moment = datetime(2021, 3, 14, 15, 9, 26, tzinfo=UTC)
    try:
        written = pl.Series([moment]).dt.strftime(form)
        again = written.str.to_datetime(form, strict=False)[0]
    except pl.exceptions.PolarsError:
        again = None
    if again is None or again.date() != moment.date():
        problems.add(at, f"{form!r} does not say day, month and year as in %d/%m/%Y or %Y-%m-%dT%H:%M:%S")
        return None
    return form


def globs(at: str, value: Any, problems: Problems) -> tuple[str, ...] | None:
    told = [value] if isinstance(value, str) else value
    if not isinstance(told, list) or not told or not all(isinstance(g, str) and g.strip() for g in told):
        problems.add(at, 'give a list of globs, such as ["orders_*.csv"]')
        return None
    outside = [g for g in told if g.startswith(("/", "\\")) or ".." in re.split(r"[/\\]", g) or ":" in g]
    if outside:
        problems.add(at, f"{', '.join(outside)} leads out of the source's folder; globs are relative to it")
        return None
    return tuple(told)


def skip_lines(at: str, value: Any, problems: Problems) -> int | None:
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 10_000:
        return value
    problems.add(at, "give a whole number of lines, 0 to 10000")
    return None


def pattern(at: str, value: Any, problems: Problems) -> re.Pattern[str] | None:
    if (text := _text(at, value, problems)) is None:
        return None
    try:
        return re.compile(text)
    except re.error as error:
        problems.add(at, f"the regular expression cannot be read: {error}")
        return None


CHECKS: dict[str, Callable[[str, Any, Problems], Any]] = {
    "time_zone": time_zone,
    "encoding": encoding,
    "delimiter": delimiter,
    "decimal": decimal,
    "datetime_format": moment_format,
    "date_format": moment_format,
    "files": globs,
    "skip_lines": skip_lines,
    "file_name": pattern,
    "header_line": pattern,
}


def unit(at: str, field: str | None, value: Any, problems: Problems) -> str | None:
    """Return the unit's name as `standards.units` knows it."""
    if field is None or field not in MEASURES:
        names = sorted(m.bare for m in MEASURES.values())
        problems.add(at, f"there is no such quantity here; the quantities are {', '.join(names)}")
        return None
    if field == "t_s" and value == CLOCK:
        return CLOCK
    try:
        return units.canonical_unit(MEASURES[field].quantity, str(value))
    except WrongUsage:
        problems.add(at, f"{value!r} is not a unit that is known; declare one of {choices(field)}")
        return None


def word(at: str, field: Field, value: Any, problems: Problems) -> str:
    """Return our word as text; "" stands for a value that is missing."""
    text = str(value).lower() if isinstance(value, bool) else str(value)
    known = _known_words(field)
    if known is not None and text and not all(part in known for part in text.split("=")):
        problems.add(at, f"{text!r} is none of our words for {field.name}; use one of {', '.join(known)}")
    return text


def _known_words(field: Field) -> tuple[str, ...] | None:
    if field.type == "boolean":
        return TRUE_WORDS + FALSE_WORDS
    if field.type == "check_list":
        return CHECK_NAMES + CHECK_RESULTS
    return MONITORS if field.name == "monitors_not_ready" else field.values


def sensor_line(
    at: str, told: dict[str, Any], problems: Problems, is_shared: bool = False
) -> SensorLine | None:
    keys = ("volts_at_rest", "pa_per_volt") + (() if is_shared else ("make", "model"))
    problems.unknown_keys(at, told, keys)
    numbers = [told.get(key) for key in keys[:2]]
    names = [told.get(key) for key in keys[2:]]
    if not all(isinstance(n, int | float) and not isinstance(n, bool) for n in numbers) or numbers[1] == 0:
        problems.add(at, "volts_at_rest and pa_per_volt must both be numbers, pa_per_volt not 0")
        return None
    if not is_shared and not isinstance(names[1], str):
        problems.add(at, "name the model, and the make where two makes share the name")
        return None
    make, model = names if not is_shared else (None, None)
    return SensorLine(float(numbers[0]), float(numbers[1]), make, model)  # type: ignore[arg-type]
