"""Read lists of words: trouble codes, checks, monitors; and the four bytes of the monitor status."""

from __future__ import annotations

import re
from collections.abc import Callable

import polars as pl

from pipeline.contract.vocabulary import MONITORS
from pipeline.lake.converted import Converted, as_text, missing
from pipeline.standards.obd import parse_bytes

_LIST, _BETWEEN = "\x1e", "\x1f"
_EQUALS = re.compile(r"\s*=\s*|\s*:\s*(?=(?:pass|fail)\b)", re.IGNORECASE)
_PASS_WORDS = {"true": "pass", "false": "fail", "passed": "pass", "failed": "fail", "ok": "pass"}

#: Common spellings of monitors, in lower case with "_" between the words, and the contract's word.
MONITOR_ALIASES: dict[str, str] = {
    "misfire_monitoring": "misfire",
    "fuel": "fuel_system",
    "fuel_system_monitoring": "fuel_system",
    "component": "comprehensive",
    "components": "comprehensive",
    "comprehensive_component": "comprehensive",
    "comprehensive_components": "comprehensive",
    "cat": "catalyst",
    "heated_cat": "heated_catalyst",
    "evaporative": "evap",
    "evaporative_system": "evap",
    "evap_system": "evap",
    "secondary_air_system": "secondary_air",
    "air": "secondary_air",
    "ac": "ac_refrigerant",
    "a_c": "ac_refrigerant",
    "a_c_refrigerant": "ac_refrigerant",
    "o2": "o2_sensor",
    "oxygen_sensor": "o2_sensor",
    "o2s": "o2_sensor",
    "oxygen_sensor_heater": "o2_heater",
    "o2_sensor_heater": "o2_heater",
    "egr": "egr_vvt",
    "vvt": "egr_vvt",
    "egr_system": "egr_vvt",
    "egr_vvt_system": "egr_vvt",
    "nmhc": "nmhc_catalyst",
    "nox": "nox_aftertreatment",
    "nox_scr": "nox_aftertreatment",
    "boost": "boost_pressure",
    "boost_pressure_system": "boost_pressure",
    "exhaust_gas": "exhaust_gas_sensor",
    "pm": "pm_filter",
    "particulate_filter": "pm_filter",
}


def to_words(raw: pl.Series, field: str, mapping: dict[str, str]) -> Converted:
    """Read lists of words; a stored list is taken as it is, a text is split at ";", "," or blanks.

    Parameters
    ----------
    raw : text, or stored lists
    field : `trouble_codes` are put in upper case, `checks` written name=pass or name=fail, `monitors_not_ready` in the
        contract's words (`MONITOR_ALIASES`); any other list is only split
    mapping : their word (or whole element) = ours, "" for none

    Returns
    -------
    List(String); null stays null, a stored empty list stays empty.
    """
    stored = raw.cast(pl.List(pl.String)) if isinstance(raw.dtype, pl.List) else None
    keys = as_text(raw) if stored is None else _LIST + stored.list.join(_BETWEEN)
    normal = _NORMAL.get(field, lambda word, mapping: mapping.get(word, word))
    known = _KNOWN.get(field, frozenset())

    def parse(key: str) -> list[str]:
        words = key[1:].split(_BETWEEN) if key.startswith(_LIST) else _split(key, mapping, known)
        ours = (normal(word.strip(), mapping) for word in words if word.strip())
        return [word for word in ours if word]

    return Converted(by_distinct(keys, parse, pl.List(pl.String)))


def by_distinct(keys: pl.Series, parse: Callable[[str], object], dtype: pl.DataType) -> pl.Series:
    """Parse each distinct text once; null stays null."""
    distinct = keys.drop_nulls().unique()
    if distinct.is_empty():
        return missing(len(keys), dtype).alias(keys.name)
    parsed = pl.Series([parse(key) for key in distinct.to_list()], dtype=dtype)
    places = pl.Series(range(len(distinct)), dtype=pl.UInt32)
    return parsed.gather(keys.replace_strict(distinct, places, default=None)).alias(keys.name)


def _split(text: str, mapping: dict[str, str], known: frozenset[str]) -> list[str]:
    words: list[str] = []
    for part in re.split(r"[;,]", text):
        part = part.strip()
        whole = part in mapping or _spelling(part) in known
        words += [part] if whole else _EQUALS.sub("=", part).split()
    return words


def _spelling(word: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", word.lower()).strip("_")


def _code(word: str, mapping: dict[str, str]) -> str:
    return mapping.get(word, word).upper()


def _monitor(word: str, mapping: dict[str, str]) -> str:
    if word in mapping:
        return mapping[word]
    spelling = _spelling(word)
    return spelling if spelling in MONITORS else MONITOR_ALIASES.get(spelling, word.lower())


def _check(word: str, mapping: dict[str, str]) -> str:
    word = mapping.get(word, word)
    name, equals, result = (part.strip() for part in _EQUALS.sub("=", word).partition("="))
    if not equals:
        return name.lower()
    name, result = mapping.get(name, name).lower(), mapping.get(result, result).lower()
    return f"{name}={_PASS_WORDS.get(result, result)}"


_NORMAL: dict[str, Callable[[str, dict[str, str]], str]] = {
    "trouble_codes": _code,
    "checks": _check,
    "monitors_not_ready": _monitor,
}
_KNOWN = {"monitors_not_ready": frozenset(MONITOR_ALIASES) | frozenset(MONITORS)}


def to_status_bytes(raw: pl.Series) -> Converted:
    """Read the four data bytes of service 01 PID 01 in any usual spelling as eight upper-case digits."""
    text = as_text(raw)
    read = {word: _status(word) for word in text.drop_nulls().unique().to_list()}
    values = by_distinct(text, lambda word: read[word][0], pl.String())
    reasons = by_distinct(text, lambda word: read[word][1], pl.String())
    return Converted(values, reasons if reasons.is_not_null().any() else None)


def _status(word: str) -> tuple[str | None, str | None]:
    try:
        return parse_bytes(word, service=1, pid=1, length=4).hex().upper(), None
    except ValueError as error:
        return None, str(error)
