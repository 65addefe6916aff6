"""An OBD inspection rule, by default that of 40 CFR 85.2222 and 85.2207, applied to many visits at once.

Source: 40 CFR 85.2207 and 85.2222, read in a public mirror of the eCFR. 85.2222(c)(2) says "may be issued":
the allowance is a program's choice. Whether the continuous monitors count is not said; by default every supported
monitor counts. What another program sets is data (`contract.inspection_program`); rules are never mixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from pipeline.contract.inspection_program import InspectionRule
from pipeline.settings import Settings

#: line of the decision table -> (clause of the federal rule, what holds)
LINES: dict[str, tuple[str, str]] = {
    "connector": ("40 CFR 85.2207(a)", "the connector is missing, tampered with or inoperable"),
    "dark": ("40 CFR 85.2222(d)(4)", "the lamp does not light at key-on, engine off"),
    "own_code": ("", "a code that fails a vehicle by itself is stored"),
    "unlit": (
        "40 CFR 85.2222(d)(3), 85.2207(b)",
        "the lamp is commanded on and does not light",
    ),
    "codes": (
        "40 CFR 85.2222(d)(1), 85.2207(c)",
        "the lamp is commanded on for one or more trouble codes",
    ),
    "ambiguous": ("", "the lamp is commanded on with no code stored"),
    "permanent": ("", "a permanent code is stored"),
    "ready": ("40 CFR 85.2222(d)(2)", "the lamp is not commanded on"),
    "beyond": ("40 CFR 85.2222(c)(1)", "more monitors not ready than the limit"),
    "within": (
        "40 CFR 85.2222(c)(2)",
        "monitors not ready within the limit, and nothing else against it",
    ),
}
AGAIN = ("40 CFR 85.2222(c)(1)", "again not ready at the return visit")
_NOT_JUDGED = {
    "no_year": "the model year is not known",
    "no_lamp": "it is not known whether the lamp is commanded on",
    "no_count": "the lamp is commanded on and the number of trouble codes is not known",
    "which_codes": "it is not known which trouble codes are stored",
    "no_excuse": "warm-ups and distance since the clear, which may excuse a permanent code, are not known",
    "no_readiness": "the number of monitors not ready is not known",
    "no_ignition": "the ignition type, on which the limit depends, is not known",
    "no_limit": "the rule has no limit for this model year",
}
_AMBIGUOUS = (
    "the lamp is commanded on with no code stored; 85.2207(c) names one or more codes, and 85.2222(d)(1) cannot be"
    " completed; counted in 51.366(a)(2)(xix)"
)


class Judgement(NamedTuple):
    """`result`: pass, fail, return or None (cannot be judged); `clause`: why; both of shape (n,)."""

    result: np.ndarray
    clause: np.ndarray


def judge_visit(
    model_year: Any,
    n_not_ready: Any,
    mil_on: Any,
    n_codes: Any,
    bulb_check: Any = None,
    connector: Any = None,
    rule: InspectionRule | None = None,
    is_lit: Any = None,
    *,
    not_ready: Sequence[Sequence[str] | None] | None = None,
    has_own_code: Any = None,
    has_permanent_code: Any = None,
    is_excused: Any = None,
    ignition: Any = None,
) -> Judgement:
    """Judge each visit by itself, whatever came before it.

    Parameters
    ----------
    model_year, n_not_ready, n_codes : shape (n,), None or nan where not known
    mil_on : shape (n,) of booleans: lamp commanded on
    bulb_check : "ok", "dark" or None; connector : "ok", "missing", "tampered", "inoperable" or None.
        Where a record does not say, no fault of that kind is taken from it.
    rule : None: the federal rule
    is_lit : shape (n,) of booleans: lamp seen lit with the engine running, where a program records it
    not_ready : shape (n,) of names of monitors; stands before `n_not_ready`, and is asked for by a rule that names any
    has_own_code : shape (n,): one of the rule's `codes_that_fail` is listed; None: the codes are not listed
    has_permanent_code, is_excused : shape (n,): a permanent code is listed; the rule's warm-ups and distance have
        gone by since the clear
    ignition : shape (n,): "spark", "compression" or None

    Returns
    -------
    Judgement: `return` is no verdict; None with its reason where the record does not allow one.

    Raises
    ------
    ValueError : the rule names monitors, and `not_ready` is not given.

    Source: 40 CFR 85.2207, 85.2222(c), (d).

    >>> judge_visit([2000, 2000], [2, 3], [False, False], [0, 0]).result.tolist()
    ['pass', 'return']
    """
    rule = rule or Settings().rule
    year, lamp, codes = (_numbers(v) for v in (model_year, mil_on, n_codes))
    n = len(year)
    own, permanent, excused, lit = (
        _facts(v, n) for v in (has_own_code, has_permanent_code, is_excused, is_lit)
    )
    plug, bulb, kind = _words(connector, n), _words(bulb_check, n), _words(ignition, n)
    unset = _numbers(n_not_ready) if not_ready is None else _count_unset(not_ready, rule)
    line, knows_kind = _limit_line(year, kind, rule)
    # The first line that holds decides: equipment, then lamp and codes, then readiness.
    table = (
        ("no_year", np.isnan(year)),
        ("too_old", year < rule.first_model_year),
        ("connector", np.isin(plug, ["missing", "tampered", "inoperable"]) & (rule.connector != "ignore")),
        ("dark", (bulb == "dark") & (rule.dark_bulb != "ignore")),
        ("own_code", (own == 1) & bool(rule.codes_that_fail)),
        ("no_lamp", np.isnan(lamp)),
        ("unlit", (lamp == 1) & (lit == 0)),
        ("codes", (lamp == 1) & (codes > 0)),
        ("no_count", (lamp == 1) & np.isnan(codes)),
        ("ambiguous", lamp == 1),
        ("which_codes", np.isnan(own) & ~(codes == 0) & bool(rule.codes_that_fail)),
        ("no_excuse", (permanent == 1) & np.isnan(excused) & (rule.permanent_codes != "ignore")),
        ("permanent", (permanent == 1) & (excused == 0) & (rule.permanent_codes != "ignore")),
        ("no_readiness", np.isnan(unset)),
        ("ready", unset == 0),
        ("no_ignition", ~knows_kind),
        ("no_limit", line < 0),
        ("beyond", _is_beyond(unset, not_ready, line, rule)),
        ("within", np.full(n, True)),
    )
    holds = np.argmax([where.astype(bool) for _, where in table], axis=0)
    told = [_outcome(name, rule) for name, _ in table]
    result, clause = (np.array(column, dtype=object) for column in zip(*told, strict=True))
    return Judgement(result[holds], clause[holds])


def again_clause(rule: InspectionRule) -> str:
    """Say which clause turns a second return in a row into `rule.return_again`."""
    return f"{AGAIN[0]}: {AGAIN[1]}" if rule.is_federal else f"{rule.name}: a return right after a return"


def _outcome(name: str, rule: InspectionRule) -> tuple[str | None, str]:
    """Give result and clause of one line of the table under this rule."""
    if name == "too_old":
        asked = "40 CFR 85.2207" if rule.is_federal else rule.name
        return None, f"not judged: {asked} asks for the OBD test from model year {rule.first_model_year} on"
    if name in _NOT_JUDGED:
        return None, f"not judged: {_NOT_JUDGED[name]}"
    outcome = {
        "connector": rule.connector,
        "dark": rule.dark_bulb,
        "ambiguous": rule.lamp_without_codes,
        "permanent": rule.permanent_codes,
        "beyond": rule.not_ready,
        "ready": "pass",
        "within": "pass",
    }.get(name, "fail")
    clause, meaning = LINES[name]
    if outcome == "not_judged":
        return None, f"not judged: {_AMBIGUOUS if rule.is_federal else meaning}"
    after = "; return after driving" if (name, outcome) == ("beyond", "return") else ""
    return outcome, f"{clause if rule.is_federal else rule.name}: {meaning}{after}"


def _count_unset(not_ready: Sequence[Sequence[str] | None], rule: InspectionRule) -> np.ndarray:
    """Count the monitors that are not ready and count under the rule; nan where not known."""
    ignored = set(rule.ignored_monitors)
    return np.array([np.nan if late is None else len(set(late) - ignored) for late in not_ready], dtype=float)


def _limit_line(year: np.ndarray, kind: np.ndarray, rule: InspectionRule) -> tuple[np.ndarray, np.ndarray]:
    """Find each visit's readiness line (-1: none), and whether its ignition type lets it be found."""
    line, known = np.full(len(year), -1), np.full(len(year), True)
    for place, limit in reversed(list(enumerate(rule.readiness))):
        in_years = (year >= limit.from_year) & (year <= limit.to_year)
        fits = in_years & ((kind == limit.ignition) if limit.ignition else True)
        unsure = in_years & np.array(
            [limit.ignition is not None and word is None for word in kind], dtype=bool
        )
        line[fits] = place
        known = np.where(unsure, False, np.where(fits, True, known))
    return line, known


def _is_beyond(unset: np.ndarray, not_ready: Any, line: np.ndarray, rule: InspectionRule) -> np.ndarray:
    """Say where more monitors are unset than the line allows, or one that must be complete."""
    most = np.array([limit.max_not_ready for limit in rule.readiness] + [-1])
    beyond = unset > most[line]
    named = [limit.may_be_not_ready is not None for limit in rule.readiness]
    if (any(named) or rule.ignored_monitors) and not_ready is None:
        raise ValueError("This rule names monitors: give the names of those that are not ready.")
    for place in np.flatnonzero(named):
        allowed = {*(rule.readiness[place].may_be_not_ready or ()), *rule.ignored_monitors}
        strange = np.array([bool(set(late or ()) - allowed) for late in not_ready], dtype=bool)
        beyond |= (line == place) & strange
    return beyond


def _numbers(values: Any) -> np.ndarray:
    """Take numbers or booleans with None, nan or NaT as float64 with nan."""
    given = np.atleast_1d(values if isinstance(values, np.ndarray) else np.asarray(values, dtype=object))
    if given.dtype != object:
        return given.astype(float)
    return np.array([np.nan if v is None else float(v) for v in given])


def _facts(values: Any, n: int) -> np.ndarray:
    return np.full(n, np.nan) if values is None else _numbers(values)


def _words(values: Any, n: int) -> np.ndarray:
    return (
        np.full(n, None, dtype=object) if values is None else np.atleast_1d(np.asarray(values, dtype=object))
    )


def judge_sequence(base: Any, recorded: Any, cycle: Any) -> np.ndarray:
    """Give each visit its result in its test cycle: the recorded one, else the judged one in its sequence.

    A visit judged `return` fails when the visit just before it in the same cycle was a `return` too
    (recorded, or judged where nothing is recorded): "again not complete" (85.2222(c)(1)).

    Parameters
    ----------
    base : shape (n,), `judge_visit(...).result`, visits of a cycle side by side and in time order
    recorded : shape (n,), the station's own result or None
    cycle : shape (n,), a label that is the same for all visits of one cycle

    Returns
    -------
    object array of pass, fail, return or None
    """
    judged, said = (np.atleast_1d(np.asarray(v, dtype=object)) for v in (base, recorded))
    label = np.atleast_1d(np.asarray(cycle, dtype=object))
    is_unsaid = np.array([word is None for word in said], dtype=bool)
    first = np.where(is_unsaid, judged, said)
    was_return = np.zeros(len(first), dtype=bool)
    was_return[1:] = (first[:-1] == "return") & (label[1:] == label[:-1])
    return np.where(is_unsaid & was_return & (judged == "return"), "fail", first)
