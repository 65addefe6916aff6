"""EVAP jobs, comebacks and follow-up: contract section 3, "Comeback"."""

from __future__ import annotations

from datetime import date

import pytest

from .conftest import GivenRows, at

FOLLOW_UP = (
    "select job_id, comeback_job_id, time_days, is_comeback, is_followed from core.follow_up order by job_id"
)


def job(job_id: str, opened: str, closed: str | None = None, **more: object) -> dict[str, object]:
    times = {"opened_at": at(opened), "closed_at": at(closed) if closed else None}
    return {"job_id": job_id, "vehicle_id": "V1"} | times | more


@pytest.mark.parametrize(
    ("second_opened", "expected"),
    [
        ("2022-04-01T08:00", ("J2", 90, True)),  # day 90 is included
        ("2022-04-02T08:00", (None, 90, False)),  # day 91 is not
        ("2022-01-01T17:00", (None, 90, False)),  # opened at the very instant of closing: the same visit
        ("2022-01-01T17:01", ("J2", 0, True)),  # a minute later on the same day is day 0
        ("2022-01-01T12:00", (None, 90, False)),  # opened before the first was closed: the same visit
    ],
)
def test_a_comeback_is_opened_after_closing_and_by_day_90(given: GivenRows, second_opened, expected) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs", job("J1", "2022-01-01T08:00", "2022-01-01T17:00"), job("J2", second_opened, action="none")
    )
    given.run()
    assert given.rows(FOLLOW_UP) == [("J1", *expected, True)]


@pytest.mark.parametrize(
    ("component", "codes", "is_comeback"),
    [
        ("none_found", ["P0442"], True),
        ("none_found", ["P0300"], False),
        ("other", None, False),
        ("other", ["P0300", "P0455"], True),
        ("wiring", None, True),
    ],
)
def test_an_evap_job_has_an_evap_component_or_code(given: GivenRows, component, codes, is_comeback) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    second = job(
        "J2", "2022-02-01T08:00", component=component, action="none", trouble_codes=codes, shop_id="south"
    )
    given.add("jobs", job("J1", "2022-01-01T08:00", "2022-01-01T17:00"), second)
    given.run()
    assert given.rows("select is_comeback from core.follow_up where job_id = 'J1'") == [(is_comeback,)]


def test_only_the_first_job_after_closing_counts(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        job("J1", "2022-01-01T08:00", "2022-01-02T08:00"),
        job("J2", "2022-01-22T08:00", "2022-01-23T08:00"),
        job("J3", "2022-02-22T08:00", "2022-02-22T18:00"),
    )
    given.run()
    assert given.rows(FOLLOW_UP) == [
        ("J1", "J2", 20, True, True),
        ("J2", "J3", 30, True, True),
        ("J3", None, 90, False, True),
    ]


def test_repairs_are_censored_at_the_window_end_and_out_of_service(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2", "out_of_service_on": date(2022, 6, 11)})
    given.add(
        "jobs",
        job("J1", "2023-12-01T08:00", "2023-12-01T17:00"),  # 30 days before the window's end
        job("J2", "2024-01-05T08:00"),  # after the window's end: not seen
        job("J3", "2022-06-01T08:00", "2022-06-01T17:00", vehicle_id="V2"),
        job("J4", "2022-06-21T08:00", vehicle_id="V2", action="none"),  # after leaving service: not an event
    )
    given.run()
    assert given.rows(FOLLOW_UP) == [("J1", None, 30, False, False), ("J3", None, 10, False, False)]


def test_a_comeback_on_the_censoring_day_counts(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        job("J1", "2023-12-01T08:00", "2023-12-01T17:00"),
        job("J2", "2023-12-31T08:00", action="none"),
    )
    given.run()
    assert given.rows(FOLLOW_UP) == [("J1", "J2", 30, True, False)]


def test_repairs_open_or_closed_outside_the_window_do_not_count(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        job("J1", "2021-12-01T08:00", "2021-12-31T23:59"),
        job("J2", "2023-03-01T08:00"),
        job("J3", "2021-12-30T08:00", "2022-01-01T00:00"),
        job("J4", "2022-05-05T08:00", "2022-05-05T09:00", component="none_found"),
        job("J5", "2022-05-05T08:00", "2022-05-05T09:00", action="none"),
    )
    given.run()
    assert [row[0] for row in given.rows(FOLLOW_UP)] == ["J3"]


def test_a_repair_counts_in_every_group_it_has_a_name_for(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2", "make": "Borel"})
    given.add("jobs", job("J1", "2022-01-01T08:00", "2022-01-01T17:00"))
    given.run()
    groups = given.rows(
        "select shop, technician, model, component, verified, evidence from tally.repair_follow_up"
    )
    # Two makes share the model's name, so the make stands before it.
    assert groups == [("north", None, "Arvo Finch", "purge_valve", "no_trace", "cannot_say")]


def test_a_comeback_costs_what_its_whole_visit_took(given: GivenRows) -> None:
    """All lines of the visit are summed; a line that does not tell, or another currency, leaves nothing to say."""
    given.add("vehicles", *({"vehicle_id": f"V{i}"} for i in range(3)))
    # Two currencies: XTS is ISO 4217's code for tests, XXX that for no currency.
    told = {"labor_h": 1.5, "parts_cost": 20.0, "currency": "XTS"}
    second = ({}, {"parts_cost": None}, {"currency": "XXX", "labor_h": None})
    for i, more in enumerate(second):
        visit = {
            "vehicle_id": f"V{i}",
            "opened_at": at("2022-06-20T08:00"),
            "closed_at": at("2022-06-21T08:00"),
        }
        first = visit | {"opened_at": at("2022-06-01T08:00"), "closed_at": at("2022-06-02T08:00")}
        lines = (told, told | {"component": "vent_valve"} | more)
        given.add(
            "jobs",
            {"job_id": f"A{i}"} | first,
            *({"job_id": f"B{i}{k}"} | visit | r for k, r in enumerate(lines)),
        )
    given.run()
    assert given.rows("from tally.comeback_cost") == [
        ("A0", 3.0, 40.0, "XTS"),
        ("A1", 3.0, None, "XTS"),
        ("A2", None, None, None),
    ]
