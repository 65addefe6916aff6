"""Visits, cycles and their items: contract section 3, "Test cycle"; 40 CFR 51.366(a)(2) and 85.2222."""

from __future__ import annotations

from datetime import date

import pytest

from .conftest import GivenRows, at


def visit(inspection_id: str, day: str, result: str | None = None, **more: object) -> dict[str, object]:
    when = at(f"{day}T09:00")
    return {
        "inspection_id": inspection_id,
        "vehicle_id": "V1",
        "inspected_at": when,
        "test_result": result,
    } | more


@pytest.fixture
def inspected(given: GivenRows) -> GivenRows:
    """One vehicle in the register, inspections up to 2023-12-31."""
    given.add("vehicles", {"vehicle_id": "V1", "vehicle_type": "car"})
    return given


def cycles(
    given: GivenRows, columns: str = "n_visits, initial_verdict, retest_verdict, outcome"
) -> list[tuple]:
    given.run()
    return given.rows(f"select {columns} from core.cycle order by vehicle_no, cycle_no")


@pytest.mark.parametrize(
    ("results", "expected"),
    [
        ("pass", (1, "pass", None, "passed_initially")),
        ("fail pass", (2, "fail", "pass", "passed_first_retest")),
        ("fail fail pass", (3, "fail", "fail", "passed_later_retest")),
        ("fail return pass", (3, "fail", "pass", "passed_first_retest")),
        ("return pass", (2, "pass", None, "passed_initially")),
        ("return", (1, None, None, "no_verdict")),
        ("fail", (1, "fail", None, "unknown")),
        ("fail fail return", (3, "fail", "fail", "unknown")),
    ],
)
def test_a_cycle_has_an_initial_test_a_first_retest_and_one_outcome(
    inspected: GivenRows, results, expected
) -> None:
    visits = [visit(f"I{i}", f"2022-03-{i + 1:02}", result) for i, result in enumerate(results.split())]
    inspected.add("inspections", *visits)
    assert cycles(inspected) == [expected]


@pytest.mark.parametrize(("last_day", "outcome"), [("2023-07-04", "unknown"), ("2023-07-05", "open")])
def test_a_failed_vehicle_is_lost_after_180_days_and_open_before(
    inspected: GivenRows, last_day, outcome
) -> None:
    inspected.add("inspections", visit("I1", last_day, "fail"))
    assert cycles(inspected, "outcome") == [(outcome,)]


@pytest.mark.parametrize(("second_day", "n_cycles"), [("2022-06-29", 1), ("2022-06-30", 2)])
def test_a_gap_of_180_days_starts_a_new_cycle(inspected: GivenRows, second_day, n_cycles) -> None:
    inspected.add("inspections", visit("I1", "2022-01-01", "fail"), visit("I2", second_day, "pass"))
    assert len(cycles(inspected)) == n_cycles


def test_a_pass_or_a_waiver_ends_the_cycle(inspected: GivenRows) -> None:
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", "fail"),
        visit("I2", "2022-01-02", "fail", waived=True),
        visit("I3", "2022-01-03", "pass"),
        visit("I4", "2022-01-04", "fail"),
    )
    assert cycles(inspected, "n_visits, outcome") == [(2, "waived"), (1, "passed_initially"), (1, "unknown")]


def test_a_passing_retest_marked_waived_is_in_both_items(inspected: GivenRows) -> None:
    inspected.add(
        "inspections", visit("I1", "2022-01-01", "fail"), visit("I2", "2022-01-02", "pass", waived=True)
    )
    assert cycles(inspected, "outcome, is_waived") == [("passed_first_retest", True)]
    columns = "n_initial_fail, n_first_retest_pass, n_waived, n_waived_and_passed"
    assert inspected.rows(f"select {columns} from tally.inspection_count") == [(1, 1, 1, 1)]


def test_every_cycle_that_failed_initially_is_counted_once_the_open_ones_apart(inspected: GivenRows) -> None:
    """The day before the 180th is open, in the published table too; a pass with a waiver is a pass."""
    inspected.add("vehicles", *({"vehicle_id": f"V{n}", "vehicle_type": "car"} for n in range(2, 8)))
    days = {
        "V1": "2023-07-05",
        "V2": "2023-07-04",
        "V3": "2022-01-01",
        "V4": "2022-01-01",
        "V5": "2022-01-01",
    }
    fails = [visit(f"I{vehicle}", day, "fail") | {"vehicle_id": vehicle} for vehicle, day in days.items()]
    inspected.add(
        "inspections",
        *fails,
        visit("J3", "2022-01-02", "pass") | {"vehicle_id": "V3"},
        visit("J4", "2022-01-02", "fail", waived=True) | {"vehicle_id": "V4"},
        visit("J5", "2022-01-02", "pass", waived=True) | {"vehicle_id": "V5"},
        visit("J6", "2022-01-02", "pass") | {"vehicle_id": "V6"},
    )
    inspected.run()
    assert inspected.rows("select * exclude (model_year) from mart.cycle_outcome") == [
        ("car", 5, 2, 0, 1, 1, 1, 1),
    ]


def test_visits_at_one_instant_are_taken_by_their_id(inspected: GivenRows) -> None:
    inspected.add("inspections", visit("I2", "2022-01-01", "pass"), visit("I1", "2022-01-01", "fail"))
    assert cycles(inspected) == [(2, "fail", "pass", "passed_first_retest")]


@pytest.mark.parametrize(
    ("first", "second", "verdicts"),
    [
        # 40 CFR 85.2222(c)(1), third and fifth line of its decision table: again not complete -> fail.
        ({"judged_base": "return"}, {"judged_base": "return"}, ["return", "fail"]),
        ({"test_result": "return"}, {"judged_base": "return"}, ["return", "fail"]),
        ({"judged_base": "return"}, {"judged_base": "pass"}, ["return", "pass"]),
        ({"judged_base": "return"}, {"judged_base": "return", "test_result": "return"}, ["return", "return"]),
        ({"judged_base": "return", "test_result": "fail"}, {"judged_base": "return"}, ["fail", "return"]),
        ({"judged_base": None}, {"judged_base": "return"}, [None, "return"]),
        ({"judged_base": "return", "waived": True}, {"judged_base": "return"}, ["return", "return"]),
    ],
)
def test_a_second_visit_still_not_ready_fails(inspected: GivenRows, first, second, verdicts) -> None:
    inspected.add("inspections", visit("I1", "2022-01-01") | first, visit("I2", "2022-01-15") | second)
    inspected.run()
    assert [
        row[0] for row in inspected.rows("select verdict from core.visit order by inspection_id")
    ] == verdicts


def test_a_return_long_ago_is_not_a_second_visit(inspected: GivenRows) -> None:
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", judged_base="return"),
        visit("I2", "2022-06-30", judged_base="return"),
    )
    inspected.run()
    assert inspected.rows("select verdict from core.visit where inspection_id = 'I2'") == [("return",)]


def test_the_recorded_result_counts_before_the_judged_one(inspected: GivenRows) -> None:
    inspected.add("inspections", visit("I1", "2022-01-01", "pass", judged_base="fail"))
    assert cycles(inspected, "initial_verdict") == [("pass",)]


def test_lamp_codes_and_readiness_are_those_of_the_first_visit(inspected: GivenRows) -> None:
    inspected.add(
        "inspections",
        visit(
            "I1", "2022-01-01", "return", mil_on=False, trouble_codes=["P0442"], monitors_not_ready=["evap"]
        ),
        visit("I2", "2022-01-15", "pass", mil_on=True, trouble_code_count=0, monitors_not_ready=[]),
    )
    columns = "is_first_mil_on, is_first_with_codes, is_first_not_ready, initial_inspection_id"
    assert cycles(inspected, columns) == [(False, True, True, "I2")]


@pytest.mark.parametrize(
    ("fields", "has_codes"),
    [
        ({"trouble_code_count": 0, "trouble_codes": ["P0442"]}, False),  # the count in the bytes stands first
        ({"trouble_code_count": 2}, True),
        ({"trouble_codes": []}, False),
        ({}, None),
    ],
)
def test_codes_are_stored_by_count_or_else_by_list(inspected: GivenRows, fields, has_codes) -> None:
    inspected.add("inspections", visit("I1", "2022-01-01", "pass") | fields)
    assert cycles(inspected, "is_first_with_codes") == [(has_codes,)]


def test_a_vehicle_without_a_type_keeps_its_cell(inspected: GivenRows) -> None:
    inspected.add("vehicles", {"vehicle_id": "V2"})
    inspected.add(
        "inspections", visit("I1", "2022-01-01", "pass"), visit("I2", "2022-01-01", "pass", vehicle_id="V2")
    )
    inspected.run()
    counts = inspected.rows("select model_year, vehicle_type, n_cycles from tally.inspection_count")
    assert counts == [(2012, "car", 1), (2012, None, 1)]


def test_readiness_counts_supported_monitors_and_lists(inspected: GivenRows) -> None:
    inspected.add("vehicles", {"vehicle_id": "V2", "model": "Wren"})
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", monitors_supported=["evap", "catalyst"], monitors_not_ready=["evap"]),
        visit("I2", "2022-02-01", monitors_supported=["evap"], monitors_not_ready=[]),
        visit(
            "I3", "2022-03-01", monitors_not_ready=["catalyst"]
        ),  # a list alone: counts for evap and catalyst
        visit("I4", "2022-04-01"),  # readiness not known
        visit("I5", "2022-03-01", vehicle_id="V2", monitors_not_ready=["o2_sensor"]),
    )
    inspected.run()
    assert inspected.rows("select model, monitor, n_inspections, n_not_ready from tally.readiness_count") == [
        ("Finch", "catalyst", 2, 1),
        ("Finch", "evap", 3, 1),
        ("Wren", "o2_sensor", 1, 1),
    ]


def test_a_repeated_record_needs_a_different_vehicle(inspected: GivenRows) -> None:
    inspected.add("vehicles", {"vehicle_id": "V2"})
    same = {"monitor_status_hex": "00 07 E5 00", "warmups_since_clear": 20, "distance_since_clear_km": 400.0}
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", **same),
        visit("I2", "2022-01-02", vehicle_id="V2", **same | {"monitor_status_hex": "0007e500"}),
        visit("I3", "2022-01-03", **same | {"distance_since_clear_km": 401.0}),
        visit("I4", "2022-01-04", **same | {"warmups_since_clear": None}),
        visit("I5", "2022-01-05", station_id="S2", **same),
        visit("I6", "2022-01-06", station_id="S2", **same),  # the same vehicle again
    )
    inspected.run()
    counts = inspected.rows(
        "select station_id, n, \"of\", expected from tally.station_repeat_count where measure = 'repeated_record'"
    )
    # Both of S2's other records are the same as two of S1's three: expected 2 x 1 at S1, 2 x 2/3 at S2.
    assert counts == [("S1", 2, 3, pytest.approx(2.0)), ("S2", 0, 2, pytest.approx(4 / 3))]


def test_stations_count_initial_tests_where_they_were_made(inspected: GivenRows) -> None:
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", "return", station_id="S1", monitors_not_ready=["evap"]),
        visit("I2", "2022-01-02", "fail", station_id="S2", monitors_not_ready=[]),
        visit("I3", "2022-01-03", "pass", station_id="S1", monitors_not_ready=[]),
    )
    inspected.run()
    assert inspected.rows(
        'select station_id, measure, model_year, n, "of" from tally.station_year_count'
    ) == [
        ("S1", "not_ready", 2012, 1, 2),
        ("S2", "initial_failure", 2012, 1, 1),
        ("S2", "not_ready", 2012, 0, 1),
    ]


def test_no_jobs_and_no_inspections_give_no_rows(given: GivenRows) -> None:
    given.setting(None, None, None)
    given.add("vehicles", {"vehicle_id": "V1", "in_service_on": date(2020, 1, 1)})
    given.run()
    tallies = ("failure_count", "repair_follow_up", "leak_bound", "inspection_count")
    for table in (*(f"tally.{name}" for name in tallies), "mart.repair_check"):
        assert given.rows(f"select count(*) from {table}") == [(0,)]
