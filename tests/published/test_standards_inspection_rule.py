"""The OBD inspection rule against the decision table of 40 CFR 85.2222 and 85.2207, and the pressure test.

Sources: [C] 40 CFR 85.2207, 85.2222 and 1066.985(d)(10), read in a public mirror of the eCFR; the table is
derived [D] from those clauses. [M/P] pressure test: 40 CFR 51.357 from memory, one bulletin read in part.
"""

import numpy as np
import pytest

from pipeline.standards.inspection_rule import judge_sequence, judge_visit
from pipeline.standards.pressure_test import CAP_TEST_KPA, PressureCriterion, cap_passes, judge_pressure_test
from pipeline.standards.units import convert

# model year, unset, lamp commanded, codes, bulb at key-on engine-off, result, clause
TABLE = [
    (2000, 2, False, 0, "ok", "pass", "(c)(2)"),
    (2000, 3, False, 0, "ok", "return", "(c)(1)"),
    (2001, 1, False, 0, "ok", "pass", "(c)(2)"),
    (2001, 2, False, 0, "ok", "return", "(c)(1)"),
    (1998, 1, True, 1, "ok", "fail", "(d)(1)"),
    (2010, 0, False, 2, "ok", "pass", "(d)(2)"),
    (2010, 0, False, 0, "dark", "fail", "(d)(4)"),
    (2010, 0, True, 0, "ok", None, "(xix)"),
    (2010, 1, False, 0, "ok", "pass", "(c)(2)"),
]


@pytest.mark.parametrize(("year", "unset", "lamp", "codes", "bulb", "result", "clause"), TABLE)
def test_the_decision_table_row_by_row(year, unset, lamp, codes, bulb, result, clause):
    judged = judge_visit([year], [unset], [lamp], [codes], [bulb], ["ok"])
    assert judged.result[0] == result
    assert clause in judged.clause[0]


def test_the_decision_table_at_once():
    year, unset, lamp, codes, bulb, result, _ = zip(*TABLE, strict=True)
    assert judge_visit(year, unset, lamp, codes, bulb).result.tolist() == list(result)


def test_again_not_complete_at_the_return_visit_fails():
    # 85.2222(c)(1): (2000, 3 unset) twice; (2001, 2 unset) twice
    base = judge_visit([2000, 2000, 2001, 2001], [3, 3, 2, 2], [False] * 4, [0] * 4).result
    assert judge_sequence(base, [None] * 4, [1, 1, 2, 2]).tolist() == ["return", "fail", "return", "fail"]


@pytest.mark.parametrize("connector", ["missing", "tampered", "inoperable"])
def test_a_connector_that_cannot_be_used_fails(connector):
    # 85.2207(a)
    judged = judge_visit([1996], [0], [False], [0], ["ok"], [connector])
    assert (judged.result[0], "85.2207(a)" in judged.clause[0]) == ("fail", True)


def test_commanded_on_but_not_lit_fails():
    # 85.2222(d)(3), 85.2207(b)
    judged = judge_visit([2010, 2010], [0, 0], [True, True], [0, 1], is_lit=[False, False])
    assert judged.result.tolist() == ["fail", "fail"]
    assert "(d)(3)" in judged.clause[0]


def test_the_test_is_asked_from_model_year_1996_on():
    # 85.2207(a): "1996 or newer"
    assert judge_visit([1995, 1996], [0, 0], [False] * 2, [0] * 2).result.tolist() == [None, "pass"]


def held(start, end, seconds=120.0):
    t = np.linspace(0.0, seconds, 49)
    inches = start + (end - start) * t / seconds
    inches[-1] = end
    return t, convert(inches, "pressure", "inH2O")


LOOSE = PressureCriterion(tolerance_inh2o=1.0)
LOSS = PressureCriterion(tolerance_inh2o=1.0, wording="loss")


@pytest.mark.parametrize(
    ("start", "end", "seconds", "rule", "verdict"),
    [
        # [M/P] check item 14 and section 3
        (14.0, 8.5, 120, PressureCriterion(), "pass"),
        (14.0, 7.9, 120, PressureCriterion(), "fail"),
        (13.4, 13.0, 120, PressureCriterion(), "invalid"),
        (13.4, 13.0, 120, LOOSE, "pass"),
        (14.0, 9.0, 100, PressureCriterion(), "no_verdict"),
        (14.0, 8.0, 120, PressureCriterion(), "fail"),
        (14.0, 8.0, 120, LOSS, "pass"),
        (13.5, 7.6, 120, LOSS, "pass"),
        (13.5, 7.6, 120, LOOSE, "fail"),
        (14.5, 8.2, 120, LOSS, "fail"),
        (14.5, 8.2, 120, LOOSE, "pass"),
        (14.5, 12.0, 120, PressureCriterion(), "pass"),
        (15.0, 9.0, 120, LOSS, "pass"),
    ],
)
def test_the_two_wordings_of_the_pressure_test(start, end, seconds, rule, verdict):
    assert judge_pressure_test(*held(start, end, seconds), rule).verdict == verdict


def test_a_sample_above_26_inches_makes_the_test_invalid():
    # [M] ceiling of 26 inH2O
    t, p = held(14.0, 13.0)
    p[10] = convert(26.1, "pressure", "inH2O")
    assert judge_pressure_test(t, p).verdict == "invalid"


def test_the_fuel_cap_limit():
    # [C] 40 CFR 1066.985(d)(10): at most 60 cc/min at 7.5 kPa; [D] 7.5 kPa = 30.11 inH2O
    assert cap_passes([60.0, 60.1]).tolist() == [True, False]
    assert CAP_TEST_KPA * 1000 / convert(1.0, "pressure", "inH2O") == pytest.approx(30.11, abs=0.01)
