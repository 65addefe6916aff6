"""Everything a user may set, with its default and its reason."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields
from datetime import date, datetime
from typing import Any, Literal

from pipeline.contract.inspection_program import (
    InspectionRule,
    federal_limits,
    federal_rule,
    read_rule,
)
from pipeline.contract.vocabulary import MINUTES_TO_CHECK
from pipeline.errors import WrongUsage


@dataclass(frozen=True)
class Settings:
    """Settings of one run; recorded whole in `audit.runs` and shown on the pages that use them."""

    from_on: date | None = None
    """First day of the window; None: the earliest `opened_at` of the accepted jobs."""
    to_on: date | None = None
    """Last day of the window; None: the latest `opened_at` of the accepted jobs."""
    level: float = 0.95
    """Level of every interval."""
    follow_up_days: int = 90
    """A new EVAP job within so many days of a closed repair is a comeback (day 90 included)."""
    cycle_gap_days: int = 180
    """So many days without another inspection end a test cycle."""
    discharge_coefficient: float = 0.61
    """Sharp-edged orifice at high Reynolds number (textbook); 40 CFR 1066.985 implies about 0.75, which
    makes the same hole 11 % smaller."""
    least_confidence: float = 0.75
    """A trace whose likeliest story is less likely than this is not judged (a leak and a gross leak count together:
    either is a hole to be found): three to one is the least that anybody should take a system apart for."""
    pressure_test_wording: Literal["above_floor", "loss"] = "above_floor"
    """Integrity test under pressure: `above_floor` fails a system that is not above 8 inches of water after two
    minutes, `loss` one that lost more than 6; the two published wordings differ at the boundary."""
    pressure_test_tolerance_inh2o: float = 0.5
    """That test starts at 14 inches of water, give or take so much; another published wording has 1."""
    minutes_to_check: Mapping[str, float] = field(default_factory=lambda: dict(MINUTES_TO_CHECK))
    """Minutes that a look at each component takes, the table `[minutes_to_check]`: they and the chances give the order
    in which to look. What it does not name keeps its usual minutes, which are common practice; measure your own."""
    stock_service_level: float = 0.95
    """Chance that the parts in stock last as long as planned; one stock-out in twenty is customary."""
    alarm_chance: float = 0.05
    """Chance of any false alarm over all charts of "something new starting" and the whole window together."""
    alarm_ratio: float = 2.0
    """Rise of a failure rate that the alarms are tuned to find: a doubling."""
    max_not_ready_1996_2000: int = 2
    """Monitors that may be unset on model years 1996-2000 (40 CFR 85.2222(c)(2)); programs differ."""
    max_not_ready_2001_on: int = 1
    """Monitors that may be unset on model years 2001 and later (40 CFR 85.2222(c)(2)); programs differ."""
    inspection_rule: InspectionRule | None = None
    """Another program's rule, the table `[inspection_rule]`; None: the federal rule with the two limits above."""
    job_pages: int = 100
    """So many jobs with a recording get a page, the latest ones: some weeks of a large shop, a few seconds to draw and
    some 20 MB; `evapfleet explain` draws any other."""
    max_refused_share: float = 0.5
    """A run stops when more than this share of a file is refused: a wrong delimiter or mapping is likelier
    than so many wrong records."""

    @classmethod
    def from_dict(cls, given: dict[str, Any], where: str = "settings") -> Settings:
        """Build settings from plain values; dates may be ISO text.

        Raises
        ------
        WrongUsage : every unknown name and every value out of its range, collected.
        """
        known = {f.name: f for f in fields(cls)}
        wrong = [f"{name} is not a setting" for name in given if name not in known]
        values = {
            name: _read(name, value, wrong)
            for name, value in given.items()
            if name in known and name not in _TABLES
        }
        wrong += [
            f"{name} must be {asked}" for name, asked, ok in _LIMITS if name in values and not ok(values)
        ]
        if given.get("inspection_rule") is not None:
            values["inspection_rule"] = _rule(given["inspection_rule"], values, wrong)
        if given.get("minutes_to_check") is not None:
            values["minutes_to_check"] = _minutes(given["minutes_to_check"], wrong)
        if wrong:
            raise WrongUsage("; ".join(wrong), where, f"the settings are: {', '.join(known)}")
        return cls(**values)

    @property
    def rule(self) -> InspectionRule:
        """The inspection rule in force."""
        return self.inspection_rule or federal_rule(self.max_not_ready_1996_2000, self.max_not_ready_2001_on)

    def as_json(self) -> str:
        return json.dumps(self.as_dict(), sort_keys=True)

    def as_dict(self) -> dict[str, object]:
        return {k: (v.isoformat() if isinstance(v, date) else v) for k, v in asdict(self).items()}


#: Settings that are a table of their own.
_TABLES = ("inspection_rule", "minutes_to_check")
#: Settings that are a word.
_WORDS = ("pressure_test_wording",)
#: Settings that need not be whole numbers.
_REAL = (
    "level",
    "discharge_coefficient",
    "least_confidence",
    "pressure_test_tolerance_inh2o",
    "max_refused_share",
    "stock_service_level",
    "alarm_chance",
    "alarm_ratio",
)


def _read(name: str, value: Any, wrong: list[str]) -> Any:
    """Return the value in the setting's own type; what cannot be read is added to `wrong`."""
    try:
        if name in ("from_on", "to_on"):
            return _day(value)
        if isinstance(value, bool):
            raise TypeError
        if name in _WORDS:
            return str(value)
        if name in _REAL:
            return float(value)
        if int(value) != float(value):
            raise ValueError
        return int(value)
    except (TypeError, ValueError, OverflowError):
        wrong.append(f"{name} cannot be {value!r}")
        return None


_FEDERAL_LIMITS = ("max_not_ready_1996_2000", "max_not_ready_2001_on")


def _rule(given: Any, values: dict[str, Any], wrong: list[str]) -> InspectionRule | None:
    """Read the program's rule; its limits stand in one place only."""
    usual = {f.name: f.default for f in fields(Settings) if f.name in _FEDERAL_LIMITS}
    chosen = {name: values.get(name, default) for name, default in usual.items()}
    limits = federal_limits(*chosen.values()) if None not in chosen.values() else ()
    rule = read_rule(given, limits, wrong)
    if rule and rule.readiness != limits:
        wrong += [
            f"{name} and inspection_rule.readiness both set limits: give one of them"
            for name, value in chosen.items()
            if value != usual[name]
        ]
    return rule


def _minutes(given: Any, wrong: list[str]) -> dict[str, float]:
    """Read the minutes of the components that are named; the others keep theirs."""
    if not isinstance(given, Mapping):
        wrong.append(f"minutes_to_check must be a table of minutes, not {given!r}")
        return {}
    wrong += [
        f"minutes_to_check.{name} is not a place to look at: those are {', '.join(MINUTES_TO_CHECK)}"
        for name in given
        if name not in MINUTES_TO_CHECK
    ]
    wrong += [
        f"minutes_to_check.{name} must be above 0 and at most 1000, not {value!r}"
        for name, value in given.items()
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 1000
    ]
    return MINUTES_TO_CHECK | dict(given)


def _day(value: Any) -> date | None:
    if isinstance(value, datetime):
        raise TypeError
    return value if value is None or isinstance(value, date) else date.fromisoformat(str(value))


def _between(name: str, low: float, high: float) -> Callable[[dict[str, Any]], bool]:
    return lambda values: values[name] is None or low < values[name] <= high


_LIMITS: tuple[tuple[str, str, Callable[[dict[str, Any]], bool]], ...] = (
    ("level", "above 0.5 and at most 0.999", _between("level", 0.5, 0.999)),
    ("follow_up_days", "1 to 3650", _between("follow_up_days", 0, 3650)),
    ("cycle_gap_days", "1 to 3650", _between("cycle_gap_days", 0, 3650)),
    ("discharge_coefficient", "above 0.3 and at most 1", _between("discharge_coefficient", 0.3, 1.0)),
    ("least_confidence", "above 0.5 and at most 0.999", _between("least_confidence", 0.5, 0.999)),
    (
        "pressure_test_wording",
        "above_floor or loss",
        lambda values: values["pressure_test_wording"] in ("above_floor", "loss", None),
    ),
    (
        "pressure_test_tolerance_inh2o",
        "above 0 and at most 2",
        _between("pressure_test_tolerance_inh2o", 0.0, 2.0),
    ),
    ("stock_service_level", "above 0.5 and at most 0.999", _between("stock_service_level", 0.5, 0.999)),
    ("alarm_chance", "above 0 and at most 0.5", _between("alarm_chance", 0.0, 0.5)),
    ("alarm_ratio", "above 1 and at most 10", _between("alarm_ratio", 1.0, 10.0)),
    ("max_not_ready_1996_2000", "0 to 11", _between("max_not_ready_1996_2000", -1, 11)),
    ("max_not_ready_2001_on", "0 to 11", _between("max_not_ready_2001_on", -1, 11)),
    ("job_pages", "0 to 10000", _between("job_pages", -1, 10_000)),
    ("max_refused_share", "above 0 and at most 1", _between("max_refused_share", 0, 1)),
    (
        "to_on",
        "not before from_on",
        lambda values: (
            not (values["to_on"] and values.get("from_on") and values["to_on"] < values["from_on"])
        ),
    ),
)
