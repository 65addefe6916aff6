"""The OBD inspection rule of 40 CFR 85.2222 and 85.2207, applied to many visits at once.

Source: 40 CFR 85.2207 and 85.2222, read in a public mirror of the eCFR. 85.2222(c)(2) says "may be issued":
the allowance is a program's choice, so the limits are settings. Whether the continuous monitors count is not
said; here every supported monitor counts. Other programs have other rules; they are not mixed in.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.settings import Settings

FIRST_MODEL_YEAR = 1996

CLAUSES: dict[str, str] = {
    "no_year": "not judged: the model year is not known",
    "too_old": "not judged: 40 CFR 85.2207 asks for the OBD test from model year 1996 on",
    "connector": "40 CFR 85.2207(a): the connector is missing, tampered with or inoperable",
    "dark": "40 CFR 85.2222(d)(4): the lamp does not light at key-on, engine off",
    "no_lamp": "not judged: it is not known whether the lamp is commanded on",
    "unlit": "40 CFR 85.2222(d)(3), 85.2207(b): the lamp is commanded on and does not light",
    "codes": "40 CFR 85.2222(d)(1), 85.2207(c): the lamp is commanded on for one or more trouble codes",
    "no_count": "not judged: the lamp is commanded on and the number of trouble codes is not known",
    "ambiguous": "not judged: the lamp is commanded on with no code stored; 85.2207(c) names one or more "
    "codes, and 85.2222(d)(1) cannot be completed; counted in 51.366(a)(2)(xix)",
    "no_readiness": "not judged: the number of monitors not ready is not known",
    "return": "40 CFR 85.2222(c)(1): more monitors not ready than the limit; return after driving",
    "allowed": "40 CFR 85.2222(c)(2): monitors not ready within the limit, and nothing else against it",
    "pass": "40 CFR 85.2222(d)(2): the lamp is not commanded on",
    "again": "40 CFR 85.2222(c)(1): again not ready at the return visit",
}
_RESULT = {
    **dict.fromkeys(("connector", "dark", "unlit", "codes", "again"), "fail"),
    **dict.fromkeys(("allowed", "pass"), "pass"),
    "return": "return",
}


class Judgement(NamedTuple):
    """`result`: pass, fail, return or None (cannot be judged); `clause`: why; both of shape (n,)."""

    result: np.ndarray
    clause: np.ndarray


def _numbers(values: Any) -> np.ndarray:
    """Take numbers or booleans with None, nan or NaT as float64 with nan."""
    given = np.atleast_1d(values if isinstance(values, np.ndarray) else np.asarray(values, dtype=object))
    if given.dtype != object:
        return given.astype(float)
    return np.array([np.nan if v is None else float(v) for v in given])


def _words(values: Any, n: int) -> np.ndarray:
    return (
        np.full(n, None, dtype=object) if values is None else np.atleast_1d(np.asarray(values, dtype=object))
    )


def readiness_limit(model_year: np.ndarray, settings: Settings) -> np.ndarray:
    """Look up how many monitors may be unset: 1996-2000 and 2001 on; nan for earlier or unknown years.

    Source: 40 CFR 85.2222(c)(2); the limits are settings.
    """
    limit = np.where(model_year > 2000, settings.max_not_ready_2001_on, settings.max_not_ready_1996_2000)
    return np.where(model_year >= FIRST_MODEL_YEAR, limit.astype(float), np.nan)


def judge_visit(
    model_year: Any,
    n_not_ready: Any,
    mil_on: Any,
    n_codes: Any,
    bulb_check: Any = None,
    connector: Any = None,
    settings: Settings | None = None,
    is_lit: Any = None,
) -> Judgement:
    """Judge each visit by itself, whatever came before it.

    Parameters
    ----------
    model_year, n_not_ready, n_codes : shape (n,), None or nan where not known
    mil_on : shape (n,) of booleans: lamp commanded on
    bulb_check : "ok", "dark" or None; connector : "ok", "missing", "tampered", "inoperable" or None.
        Where a record does not say, no fault of that kind is taken from it.
    is_lit : shape (n,) of booleans: lamp seen lit with the engine running, where a program records it

    Returns
    -------
    Judgement: `return` is no verdict; None with its reason where the record does not allow one.

    Source: 40 CFR 85.2207, 85.2222(c), (d).

    >>> judge_visit([2000, 2000], [2, 3], [False, False], [0, 0]).result.tolist()
    ['pass', 'return']
    """
    year, unset, lamp, codes = (_numbers(v) for v in (model_year, n_not_ready, mil_on, n_codes))
    n = len(year)
    lit = np.full(n, np.nan) if is_lit is None else _numbers(is_lit)
    plug, bulb = _words(connector, n), _words(bulb_check, n)
    limit = readiness_limit(year, settings or Settings())
    # The first line that holds decides: equipment, then lamp, then readiness.
    table = (
        ("no_year", np.isnan(year)),
        ("too_old", year < FIRST_MODEL_YEAR),
        ("connector", np.isin(plug, ["missing", "tampered", "inoperable"])),
        ("dark", bulb == "dark"),
        ("no_lamp", np.isnan(lamp)),
        ("unlit", (lamp == 1) & (lit == 0)),
        ("codes", (lamp == 1) & (codes > 0)),
        ("no_count", (lamp == 1) & np.isnan(codes)),
        ("ambiguous", lamp == 1),
        ("no_readiness", np.isnan(unset)),
        ("return", unset > limit),
        ("allowed", unset > 0),
        ("pass", np.full(n, True)),
    )
    line = np.argmax([holds.astype(bool) for _, holds in table], axis=0)
    return _judgement([name for name, _ in table], line)


def _judgement(names: list[str], line: np.ndarray) -> Judgement:
    result = np.array([_RESULT.get(name) for name in names], dtype=object)
    clause = np.array([CLAUSES[name] for name in names], dtype=object)
    return Judgement(result[line], clause[line])


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
