"""Another program's rule: what a settings file may say, what it may not, and how visits are judged by it.

The program is invented; its parts are those in which programs are known to differ (limits by model year and ignition
type, named monitors, codes that fail with the lamp off, permanent codes with an excuse of warm-ups and distance).
"""

import json
import tomllib

import pytest

from pipeline.errors import WrongUsage
from pipeline.settings import Settings
from pipeline.standards.inspection_rule import again_clause, judge_sequence, judge_visit

PROGRAM = """
[inspection_rule]
name = "Vale program"
first_model_year = 1998
connector = "return"
dark_bulb = "ignore"
not_ready = "fail"
lamp_without_codes = "fail"
codes_that_fail = ["p0442"]
permanent_codes = "fail"
permanent_excused_warmups = 15
permanent_excused_km = 322
ignored_monitors = ["misfire"]
[[inspection_rule.readiness]]
to_year = 1999
max_not_ready = 1
[[inspection_rule.readiness]]
from_year = 2000
ignition = "spark"
max_not_ready = 1
may_be_not_ready = ["evap"]
[[inspection_rule.readiness]]
from_year = 2007
ignition = "compression"
max_not_ready = 2
may_be_not_ready = ["pm_filter", "nmhc_catalyst"]
"""
RULE = Settings.from_dict(tomllib.loads(PROGRAM)).rule
SOUND = {"year": 2012, "late": [], "lamp": False, "codes": 0, "bulb": "ok", "plug": "ok", "own": False,
         "permanent": False, "excused": None, "kind": "spark"}  # fmt: skip


def judged(**more):
    v = {k: [value] for k, value in (SOUND | more).items()}
    result, clause = judge_visit(
        v["year"], None, v["lamp"], v["codes"], v["bulb"], v["plug"], RULE, not_ready=v["late"],
        has_own_code=v["own"], has_permanent_code=v["permanent"], is_excused=v["excused"], ignition=v["kind"],
    )  # fmt: skip
    return result[0], clause[0]


@pytest.mark.parametrize(
    ("visit", "result", "says"),
    [
        ({}, "pass", "lamp is not commanded on"),
        ({"late": ["evap"]}, "pass", "within the limit"),
        ({"late": ["catalyst"]}, "fail", "more monitors not ready"),
        ({"late": ["evap", "catalyst"]}, "fail", "more monitors not ready"),
        ({"late": ["misfire"]}, "pass", "lamp is not commanded on"),
        ({"late": ["misfire", "evap"]}, "pass", "within the limit"),
        ({"year": 1999, "late": ["catalyst"], "kind": None}, "pass", "within the limit"),
        ({"year": 1999, "late": ["catalyst", "evap"]}, "fail", "more monitors"),
        ({"late": ["pm_filter", "nmhc_catalyst"], "kind": "compression"}, "pass", "within the limit"),
        ({"late": ["egr_vvt"], "kind": "compression"}, "fail", "more monitors"),
        ({"year": 2003, "late": ["egr_vvt"], "kind": "compression"}, None, "no limit for this model year"),
        ({"year": 2003, "late": [], "kind": "compression"}, "pass", "lamp is not"),
        ({"late": ["evap"], "kind": None}, None, "ignition type"),
        ({"late": None}, None, "monitors not ready is not known"),
        ({"year": 1997}, None, "Vale program asks for the OBD test from model year 1998"),
        ({"plug": "missing"}, "return", "connector"),
        ({"bulb": "dark"}, "pass", "lamp is not commanded on"),
        ({"own": True, "codes": 1}, "fail", "fails a vehicle by itself"),
        ({"own": None, "codes": 1}, None, "which trouble codes"),
        ({"own": None, "codes": 0}, "pass", "lamp is not commanded on"),
        ({"lamp": True, "codes": 2, "own": None}, "fail", "commanded on for one or more"),
        ({"lamp": True, "codes": 0}, "fail", "no code stored"),
        ({"permanent": True, "excused": False}, "fail", "permanent code"),
        ({"permanent": True, "excused": True}, "pass", "lamp is not"),
        ({"permanent": True, "excused": None}, None, "may excuse"),
        ({"lamp": None}, None, "lamp is commanded on"),
    ],
)  # fmt: skip
def test_the_programs_own_table_row_by_row(visit, result, says):
    got, clause = judged(**visit)
    assert got == result
    assert says in clause
    assert clause.startswith("Vale program: " if result else "not judged: ")


def test_the_federal_rule_knows_none_of_it():
    """Federal (d)(2) passes a code with the lamp off, and a permanent code says nothing: rules are not mixed."""
    got = judge_visit(
        [2012], [0], [False], [2], has_own_code=[True], has_permanent_code=[True], is_excused=[False]
    )
    assert got.result[0] == "pass"


def test_a_return_right_after_a_return_is_what_the_rule_says():
    assert again_clause(Settings().rule).startswith("40 CFR 85.2222(c)(1): again not ready")
    assert again_clause(RULE) == "Vale program: a return right after a return"
    assert judge_sequence(["return", "return"], [None, None], [1, 1]).tolist() == ["return", "fail"]


def test_a_rule_that_names_monitors_asks_for_their_names():
    with pytest.raises(ValueError, match="names monitors"):
        judge_visit([2012], [1], [False], [0], rule=RULE)


def test_a_rule_comes_back_from_the_account_of_a_run_as_it_was():
    settings = Settings.from_dict(tomllib.loads(PROGRAM))
    assert Settings.from_dict(json.loads(settings.as_json())) == settings
    plain = Settings.from_dict({"max_not_ready_2001_on": 0, "inspection_rule": {"name": "Vale"}})
    assert plain.rule.readiness == Settings(max_not_ready_2001_on=0).rule.readiness
    assert Settings.from_dict(json.loads(plain.as_json())) == plain


def test_the_rule_is_told_in_words():
    told = " ".join(RULE.sentences())
    assert "1996 to 1999: 1; 2000 on, spark ignition: 1 of evap; 2007 on, compression ignition: 2 of" in told
    assert "unless 15 warm-ups and 322 km have gone by" in told
    assert "P0442" in told
    assert "misfire" in told


def test_everything_wrong_is_told_at_once():
    text = """
    level = 3
    max_not_ready_2001_on = 0
    [inspection_rule]
    conector = "fail"
    dark_bulb = "warn"
    codes_that_fail = ["P042", "P0420"]
    ignored_monitors = ["smoke"]
    permanent_excused_km = -1
    first_model_year = 19.5
    [[inspection_rule.readiness]]
    from_year = 2005
    to_year = 2001
    max_not_ready = 1
    [[inspection_rule.readiness]]
    ignition = "diesel"
    years = 3
    """
    with pytest.raises(WrongUsage) as told:
        Settings.from_dict(tomllib.loads(text), "rule.toml")
    for part in (
        "level must be", "name must say whose rule", "conector is not part", "dark_bulb must be one of fail, return",
        "'P042'", "'smoke'", "permanent_excused_km must be a number 0 to 65535", "first_model_year must be a whole",
        "line 1: to_year lies before", "line 2: years is not part", "line 2: max_not_ready must be a whole number 0",
        "line 2: ignition must be spark or compression", "rule.toml",
    ):  # fmt: skip
        assert part in str(told.value)
    assert "P0420" not in str(told.value).replace("such as P0420", "")


def test_limits_stand_in_one_place():
    both = {"max_not_ready_2001_on": 0, "inspection_rule": {"name": "V", "readiness": [{"max_not_ready": 1}]}}
    with pytest.raises(WrongUsage, match="both set limits"):
        Settings.from_dict(both)
    for nonsense in ("federal", [1], {"name": "V", "readiness": []}, {"name": "V", "readiness": [3]}):
        with pytest.raises(WrongUsage, match="must be"):
            Settings.from_dict({"inspection_rule": nonsense})
