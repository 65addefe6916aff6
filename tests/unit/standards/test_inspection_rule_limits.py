"""The inspection rule: what cannot be judged says why; limits are settings; the sequence looks back once."""

import re

import numpy as np
import pytest

from pipeline.settings import Settings
from pipeline.standards.inspection_rule import judge_sequence, judge_visit


@pytest.mark.parametrize(
    ("year", "unset", "lamp", "codes", "says"),
    [
        (None, 0, False, 0, "model year is not known"),
        (1995, 0, False, 0, "from model year 1996"),
        (2010, 0, None, 0, "not known whether the lamp"),
        (2010, 0, True, None, "number of trouble codes is not known"),
        (2010, 0, True, 0, r"\(a\)\(2\)\(xix\)"),
        (2010, None, False, 0, "monitors not ready is not known"),
    ],
)
def test_a_visit_that_cannot_be_judged_says_why(year, unset, lamp, codes, says):
    judged = judge_visit([year], [unset], [lamp], [codes])
    assert judged.result[0] is None
    assert judged.clause[0].startswith("not judged")
    assert re.search(says, judged.clause[0])


def test_limits_are_settings():
    lenient = Settings(max_not_ready_1996_2000=3, max_not_ready_2001_on=0).rule
    got = judge_visit([2000, 2001], [3, 1], [False] * 2, [0] * 2, rule=lenient).result
    assert got.tolist() == ["pass", "return"]


def test_numpy_columns_with_nan_are_judged_like_lists_with_none():
    columns = (np.array([2000, np.nan, 2010.0]), np.array([2, 0, np.nan]), np.array([0.0, 0, 0]), np.zeros(3))
    lists = ([2000, None, 2010], [2, 0, None], [False] * 3, [0] * 3)
    assert (
        judge_visit(*columns).result.tolist() == judge_visit(*lists).result.tolist() == ["pass", None, None]
    )


def test_no_visits_give_no_judgements():
    assert judge_visit([], [], [], []).result.tolist() == []
    assert judge_sequence([], [], []).tolist() == []


def test_a_missing_connector_fails_whatever_else_is_unknown():
    assert judge_visit([2010], [None], [None], [None], connector=["missing"]).result[0] == "fail"


def test_the_second_visit_rule_stays_within_its_cycle_and_looks_one_visit_back():
    base = ["return", "return", "return", "fail", "return", "return", "return"]
    recorded = [None, None, None, None, None, "return", None]
    cycle = ["a", "a", "b", "c", "c", "d", "d"]
    want = ["return", "fail", "return", "fail", "return", "return", "fail"]
    assert judge_sequence(base, recorded, cycle).tolist() == want


def test_the_recorded_result_counts_before_the_judged_one():
    assert judge_sequence(["pass", "return", None], ["fail", "pass", None], [1, 2, 3]).tolist() == [
        "fail",
        "pass",
        None,
    ]
