"""Which repairs found the fault? The rules stand in sql/tally/first_look_count.sql."""

from __future__ import annotations

import pytest

from .conftest import GivenRows, at


@pytest.fixture
def fleet(given: GivenRows) -> GivenRows:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    return given


def repair(
    given: GivenRows, job_id: str, opened: str, component: str, codes: list[str], vehicle="V1"
) -> None:
    row = {"job_id": job_id, "vehicle_id": vehicle, "component": component, "trouble_codes": codes}
    given.add("jobs", row | {"opened_at": at(f"{opened}T08:00"), "closed_at": at(f"{opened}T10:00")})


def counted(given: GivenRows) -> list[tuple]:
    given.run()
    return given.rows("select trouble_code, component, n_found from tally.first_look_count order by 1, 2")


def test_a_repair_counts_once_under_each_of_its_evap_codes_and_under_all(fleet: GivenRows) -> None:
    repair(fleet, "J1", "2022-03-01", "fuel_cap", ["P0442", "p0455 ", "P0442", "P0300"])
    repair(fleet, "J2", "2022-03-01", "wiring", [], vehicle="V2")
    assert counted(fleet) == [
        ("*", "fuel_cap", 1),
        ("*", "wiring", 1),
        ("P0442", "fuel_cap", 1),
        ("P0455", "fuel_cap", 1),
    ]


def test_a_repair_after_which_another_part_was_repaired_did_not_find_the_fault(fleet: GivenRows) -> None:
    repair(fleet, "J1", "2022-03-01", "fuel_cap", ["P0442"])
    repair(fleet, "J2", "2022-04-01", "vent_valve", ["P0442"])
    repair(fleet, "J3", "2022-09-01", "purge_valve", ["P0442"])
    assert counted(fleet) == [
        ("*", "purge_valve", 1),
        ("*", "vent_valve", 1),
        ("P0442", "purge_valve", 1),
        ("P0442", "vent_valve", 1),
    ]


def test_the_same_part_again_was_the_right_place(fleet: GivenRows) -> None:
    repair(fleet, "J1", "2022-03-01", "fuel_cap", ["P0442"])
    repair(fleet, "J2", "2022-04-01", "fuel_cap", ["P0442"])
    assert counted(fleet) == [("*", "fuel_cap", 2), ("P0442", "fuel_cap", 2)]


def test_a_comeback_that_repaired_nothing_leaves_the_find(fleet: GivenRows) -> None:
    repair(fleet, "J1", "2022-03-01", "fuel_cap", ["P0442"])
    none = {"job_id": "J2", "vehicle_id": "V1", "component": "none_found", "action": "none"}
    fleet.add("jobs", none | {"trouble_codes": ["P0442"], "opened_at": at("2022-04-01T08:00")})
    assert counted(fleet) == [("*", "fuel_cap", 1), ("P0442", "fuel_cap", 1)]


def test_what_the_recording_disproved_is_no_find_and_other_is_no_place(fleet: GivenRows) -> None:
    repair(fleet, "J1", "2022-03-01", "fuel_cap", ["P0442"])
    repair(fleet, "J2", "2022-03-01", "other", ["P0442"], vehicle="V2")
    header = {"trace_id": "T1", "job_id": "J1", "vehicle_id": "V1", "stage": "after_repair"}
    fleet.add("traces", header | {"recorded_at": at("2022-03-01T09:30")})
    fleet.insert("mart.trace_result", header | {"verdict": "gross_leak"})
    assert counted(fleet) == []
