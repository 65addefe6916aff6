"""What an inspection rule is, as data: limits and outcomes that a program sets, and how a settings file says them.

The default is the federal rule (40 CFR 85.2207 and 85.2222). Another program's rule is the table
`[inspection_rule]` of a settings file; rules are never mixed, so what it does not say is as the federal rule has it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import Any

from pipeline.contract.vocabulary import IGNITIONS, MONITORS

FEDERAL = "40 CFR 85.2207 and 85.2222"
FIRST_OBD_YEAR, LAST_YEAR = 1996, 9999
ANY_CODE = "any"


@dataclass(frozen=True)
class ReadinessLimit:
    """How many monitors may be unset on some model years (both ends count), and which (None: any)."""

    from_year: int
    to_year: int
    max_not_ready: int
    ignition: str | None = None
    may_be_not_ready: tuple[str, ...] | None = None

    def sentence(self) -> str:
        years = f"{self.from_year} to {self.to_year}" if self.to_year < LAST_YEAR else f"{self.from_year} on"
        kind = f", {self.ignition} ignition" if self.ignition else ""
        only = f" of {', '.join(self.may_be_not_ready)}" if self.may_be_not_ready else ""
        return f"{years}{kind}: {self.max_not_ready}{only}"


@dataclass(frozen=True)
class InspectionRule:
    """One program's rule for an OBD inspection."""

    readiness: tuple[ReadinessLimit, ...]
    """The first line that fits the model year and ignition type holds."""
    name: str = FEDERAL
    """What findings cite."""
    first_model_year: int = FIRST_OBD_YEAR
    """Older vehicles are not judged."""
    connector: str = "fail"
    """Connector missing, tampered with or inoperable."""
    dark_bulb: str = "fail"
    """The lamp does not light at key-on, engine off."""
    not_ready: str = "return"
    """More monitors unset than the limit, or one that must be complete."""
    return_again: str = "fail"
    """A visit that would be a return, right after a return in the same test cycle."""
    lamp_without_codes: str = "not_judged"
    """The lamp is commanded on with no code stored: 85.2207(c) names one or more codes."""
    codes_that_fail: tuple[str, ...] = ()
    """Codes that fail a vehicle by themselves, lamp on or off; "any": every stored code does."""
    permanent_codes: str = "ignore"
    """A permanent code is stored."""
    permanent_excused_warmups: int | None = None
    """After so many warm-ups since a clear (and the distance, where that is given too) a permanent code is excused."""
    permanent_excused_km: float | None = None
    """After this distance since a clear [km] (and the warm-ups) a permanent code is excused."""
    ignored_monitors: tuple[str, ...] = ()
    """Monitors that do not count; 85.2222 says "applicable" and does not say whether the continuous ones are."""

    @property
    def is_federal(self) -> bool:
        return self.name == FEDERAL

    def sentences(self) -> tuple[str, ...]:
        """Say the rule in words for a page."""
        limits = "; ".join(line.sentence() for line in self.readiness)
        told = [
            f"The rule in force is {self.name}. It judges model years {self.first_model_year} and later.",
            f"Monitors that may be unset, by model year: {limits}. Beyond that: {self.not_ready};"
            f" a return again right after a return: {self.return_again}.",
            f"Connector missing, tampered with or inoperable: {self.connector}. Lamp dark at key-on, engine off:"
            f" {self.dark_bulb}. Lamp commanded on for a code: fail; with no code stored:"
            f" {self.lamp_without_codes.replace('_', ' ')}.",
        ]
        if self.codes_that_fail:
            told.append(f"Codes that fail by themselves: {', '.join(self.codes_that_fail)}.")
        if self.permanent_codes != "ignore":
            told.append(f"A permanent code is stored: {self.permanent_codes}{self._excuse()}.")
        if self.ignored_monitors:
            told.append(f"Monitors that do not count: {', '.join(self.ignored_monitors)}.")
        return tuple(told)

    def _excuse(self) -> str:
        asked = (
            [f"{self.permanent_excused_warmups} warm-ups"]
            if self.permanent_excused_warmups is not None
            else []
        )
        asked += [f"{self.permanent_excused_km:g} km"] if self.permanent_excused_km is not None else []
        return f", unless {' and '.join(asked)} have gone by since the clear" if asked else ""


def federal_rule(max_1996_2000: int, max_2001_on: int) -> InspectionRule:
    """Make the federal rule; the two limits are a program's choice (85.2222(c)(2): "may be issued")."""
    return InspectionRule(federal_limits(max_1996_2000, max_2001_on))


def federal_limits(max_1996_2000: int, max_2001_on: int) -> tuple[ReadinessLimit, ...]:
    return (
        ReadinessLimit(FIRST_OBD_YEAR, 2000, max_1996_2000),
        ReadinessLimit(2001, LAST_YEAR, max_2001_on),
    )


_WORDS = {
    "connector": ("fail", "return", "ignore"),
    "dark_bulb": ("fail", "return", "ignore"),
    "not_ready": ("return", "fail"),
    "return_again": ("fail", "return"),
    "lamp_without_codes": ("not_judged", "fail", "return"),
    "permanent_codes": ("ignore", "fail", "return"),
}
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_LINE = "inspection_rule.readiness, line"


def read_rule(given: Any, limits: tuple[ReadinessLimit, ...], wrong: list[str]) -> InspectionRule | None:
    """Build a rule from the plain values of `[inspection_rule]`.

    Parameters
    ----------
    given : what the settings file holds under that name, or what `audit.runs` keeps of it.
    limits : the readiness lines where `given` has none.
    wrong : every complaint is added to it; the rule is then None.
    """
    before = len(wrong)
    if not isinstance(given, dict):
        wrong.append("inspection_rule must be a table [inspection_rule]")
        return None
    names = [f.name for f in fields(InspectionRule)]
    wrong += [
        f"inspection_rule.{name} is not part of a rule: its parts are {', '.join(names)}"
        for name in given
        if name not in names
    ]
    if not isinstance(given.get("name"), str) or not given["name"].strip():
        wrong.append("inspection_rule.name must say whose rule it is: findings cite it")
    values = {
        name: _part(name, given[name], wrong) for name in names if name in given and name != "readiness"
    }
    lines = _lines(given["readiness"], wrong) if "readiness" in given else limits
    return InspectionRule(readiness=lines, **values) if len(wrong) == before else None


def _part(name: str, value: Any, wrong: list[str]) -> Any:
    where = f"inspection_rule.{name}"
    if name == "name":
        return value
    if name in _WORDS:
        if value not in _WORDS[name]:
            wrong.append(f"{where} must be one of {', '.join(_WORDS[name])}, not {value!r}")
        return value
    if name == "codes_that_fail":
        return _codes(where, value, wrong)
    if name == "ignored_monitors":
        return _monitors(where, value, wrong)
    if name.startswith("permanent_excused") and value is None:
        return None
    limit = {"permanent_excused_km": 65_535, "permanent_excused_warmups": 255}.get(name, LAST_YEAR)
    low = FIRST_OBD_YEAR if name == "first_model_year" else 0
    return _number(where, value, low, limit, wrong, is_whole=name != "permanent_excused_km")


def _lines(given: Any, wrong: list[str]) -> tuple[ReadinessLimit, ...]:
    if not isinstance(given, (list, tuple)) or not given or not all(isinstance(line, dict) for line in given):
        wrong.append("inspection_rule.readiness must be one or more tables [[inspection_rule.readiness]]")
        return ()
    read = [_line(f"{_LINE} {n}", line, wrong) for n, line in enumerate(given, 1)]
    return tuple(line for line in read if line)


def _line(where: str, given: dict[str, Any], wrong: list[str]) -> ReadinessLimit | None:
    before = len(wrong)
    names = [f.name for f in fields(ReadinessLimit)]
    wrong += [f"{where}: {n} is not part of it: {', '.join(names)} are" for n in given if n not in names]
    years = [
        _number(f"{where}: {name}", given.get(name, other), FIRST_OBD_YEAR, LAST_YEAR, wrong)
        for name, other in (("from_year", FIRST_OBD_YEAR), ("to_year", LAST_YEAR))
    ]
    most = _number(f"{where}: max_not_ready", given.get("max_not_ready"), 0, len(MONITORS), wrong)
    ignition, only = given.get("ignition"), given.get("may_be_not_ready")
    if ignition is not None and ignition not in IGNITIONS:
        wrong.append(f"{where}: ignition must be {' or '.join(IGNITIONS)}, or left out for both")
    if only is not None:
        only = _monitors(f"{where}: may_be_not_ready", only, wrong)
    if len(wrong) > before:
        return None
    if years[0] > years[1]:
        wrong.append(f"{where}: to_year lies before from_year")
        return None
    return ReadinessLimit(years[0], years[1], most, ignition, only)


def _number(where: str, value: Any, low: int, high: int, wrong: list[str], is_whole: bool = True) -> Any:
    kinds = (int,) if is_whole else (int, float)
    is_number = isinstance(value, kinds) and not isinstance(value, bool)
    if not (is_number and low <= float(value) <= high):
        shown = "it is missing" if value is None else f"not {value!r}"
        wrong.append(f"{where} must be a {'whole ' if is_whole else ''}number {low} to {high}; {shown}")
    return value


def _monitors(where: str, value: Any, wrong: list[str]) -> tuple[str, ...]:
    listed = tuple(value) if isinstance(value, (list, tuple)) else (value,)
    if strange := [word for word in listed if word not in MONITORS]:
        wrong.append(f"{where}: {', '.join(map(repr, strange))}: the monitors are {', '.join(MONITORS)}")
    return listed


def _codes(where: str, value: Any, wrong: list[str]) -> tuple[str, ...]:
    listed = tuple(value) if isinstance(value, (list, tuple)) else (value,)
    texts = tuple(str(code).strip() for code in listed)
    codes = tuple(text if text == ANY_CODE else text.upper() for text in texts)
    strange = [code for code in codes if code != ANY_CODE and not _CODE.fullmatch(code)]
    if strange:
        wrong.append(f'{where}: {", ".join(map(repr, strange))}: give codes such as P0420, or "{ANY_CODE}"')
    return codes
