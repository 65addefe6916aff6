"""Parse a `source.toml` and say everything that is wrong with it at once."""

from __future__ import annotations

import tomllib
from datetime import date, datetime, time
from typing import Any

from pipeline.contract.vocabulary import KINDS
from pipeline.errors import WrongUsage
from pipeline.lake import form_values as check
from pipeline.lake.field_units import FIELD_OF_BARE
from pipeline.lake.form_values import Problems
from pipeline.lake.source_form import KindForm, SensorLine, column_fields, header_fields

_DEFAULTS = ("time_zone", "encoding", "delimiter", "decimal", "datetime_format", "date_format")
_KEYS = (*_DEFAULTS, "files", "skip_lines", "file_name", "header_line")
_TABLES = ("columns", "units", "values", "constants")


def parse_form(content: bytes, where: str) -> dict[str, KindForm]:
    """Turn the text of a `source.toml` into one form per kind.

    Raises
    ------
    WrongUsage : not UTF-8, no TOML, or anything that the contract does not know; all problems in one text.
    """
    try:
        told = tomllib.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise WrongUsage(
            f"The source's settings are not TOML: {error}.", where, "Correct that place."
        ) from error
    problems = Problems()
    problems.unknown_keys("", told, ("source", *KINDS))
    shared = problems.table("source", told.get("source", {}))
    problems.unknown_keys("source", shared, _DEFAULTS)
    defaults = _plain_settings("source", shared, problems)
    forms = {kind: _kind_form(kind, told.get(kind, {}), defaults, problems) for kind in KINDS}
    if problems.found:
        listed = "\n".join(f"  - {problem}" for problem in problems.found)
        n = len(problems.found)
        raise WrongUsage(
            f"The source's settings cannot be used; {n} problem{'s' if n > 1 else ''}:\n{listed}",
            where,
            "Correct the places named; the form stands in the README under bringing your own exports.",
        )
    return forms


def _plain_settings(at: str, told: dict[str, Any], problems: Problems) -> dict[str, Any]:
    known = {key: told[key] for key in _KEYS if key in told}
    return {key: check.CHECKS[key](f"{at}.{key}", value, problems) for key, value in known.items()}


def _kind_form(kind: str, told: Any, defaults: dict[str, Any], problems: Problems) -> KindForm:
    told = problems.table(kind, told)
    allowed = (*_KEYS, *_TABLES, *(("sensor",) if kind == "samples" else ()))
    problems.unknown_keys(kind, told, allowed)
    settings = defaults | _plain_settings(kind, told, problems)
    columns, bare = _columns(kind, told.get("columns", {}), problems)
    units = _units(kind, told.get("units", {}), problems)
    constants = _constants(kind, told.get("constants", {}), problems)
    for field in sorted(columns.keys() & constants.keys()):
        problems.add(
            f"{kind}.constants.{field}", f"the field comes from the column {columns[field]!r} already"
        )
    _check_groups(kind, settings, problems)
    return KindForm(
        kind=kind,
        columns=columns,
        bare=bare,
        units=units,
        values=_values(kind, told.get("values", {}), problems),
        constants=constants,
        sensor=_sensor(told.get("sensor", {}), problems) if kind == "samples" else (),
        **{key: value for key, value in settings.items() if value is not None},
    )


def _field_of(name: str, allowed: set[str]) -> str | None:
    field = FIELD_OF_BARE.get(name, name)
    return field if field in allowed else None


def _columns(kind: str, told: Any, problems: Problems) -> tuple[dict[str, str], frozenset[str]]:
    at, columns, bare = f"{kind}.columns", {}, set()
    allowed = column_fields(kind)
    for name, theirs in problems.table(at, told).items():
        field = _field_of(name, allowed)
        if field is None:
            problems.add(
                f"{at}.{name}", f"there is no such field; the fields are {', '.join(sorted(allowed))}"
            )
        elif not isinstance(theirs, str) or not theirs.strip():
            problems.add(f"{at}.{name}", "give the name of their column in quotation marks")
        elif field in columns:
            problems.add(f"{at}.{name}", f"{field} is named twice")
        else:
            columns[field] = theirs
            if field != name:
                bare.add(field)
    return columns, frozenset(bare)


def _units(kind: str, told: Any, problems: Problems) -> dict[str, str]:
    at, units = f"{kind}.units", {}
    allowed = column_fields(kind) | set(header_fields(kind))
    for name, unit in problems.table(at, told).items():
        field = _field_of(name, allowed)
        known = check.unit(f"{at}.{name}", field, unit, problems)
        if field is not None and known is not None:
            units[field] = known
    return units


def _values(kind: str, told: Any, problems: Problems) -> dict[str, dict[str, str]]:
    at, values, fields = f"{kind}.values", {}, header_fields(kind)
    for name, words in problems.table(at, told).items():
        if name not in fields:
            problems.add(f"{at}.{name}", f"there is no such field; the fields are {', '.join(fields)}")
            continue
        values[name] = {
            theirs.strip(): check.word(f"{at}.{name}.{theirs!r}", fields[name], ours, problems)
            for theirs, ours in problems.table(f"{at}.{name}", words).items()
        }
    return values


def _constants(kind: str, told: Any, problems: Problems) -> dict[str, str]:
    at, constants, fields = f"{kind}.constants", {}, header_fields(kind)
    for name, value in problems.table(at, told).items():
        if name not in fields:
            problems.add(f"{at}.{name}", f"there is no such field; the fields are {', '.join(fields)}")
        elif isinstance(value, dict | time):
            problems.add(f"{at}.{name}", "give one value")
        else:
            constants[name] = _as_text(value)
    return constants


def _as_text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return ";".join(_as_text(v) for v in value)
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def _check_groups(kind: str, settings: dict[str, Any], problems: Problems) -> None:
    fields = header_fields(kind)
    for key in ("file_name", "header_line"):
        pattern = settings.get(key)
        if pattern is None:
            continue
        strange = sorted(set(pattern.groupindex) - set(fields))
        if strange:
            problems.add(f"{kind}.{key}", f"no field is called {', '.join(strange)}; use {', '.join(fields)}")
        if not pattern.groupindex:
            problems.add(f"{kind}.{key}", "the pattern has no named group, as in (?P<trace_id>...)")


def _sensor(told: Any, problems: Problems) -> tuple[SensorLine, ...]:
    at, told = "samples.sensor", problems.table("samples.sensor", told)
    problems.unknown_keys(at, told, ("volts_at_rest", "pa_per_volt", "model"))
    models = told.get("model", [])
    if not isinstance(models, list) or not all(isinstance(m, dict) for m in models):
        problems.add(f"{at}.model", "write each model as a table of its own: [[samples.sensor.model]]")
        models = []
    lines = [check.sensor_line(f"{at}.model[{i}]", m, problems) for i, m in enumerate(models, 1)]
    if "volts_at_rest" in told or "pa_per_volt" in told:
        shared = {k: v for k, v in told.items() if k != "model"}
        lines.append(check.sensor_line(at, shared, problems, is_shared=True))
    return tuple(line for line in lines if line is not None)
