"""The lists behind the owner's counts: repairs that came back, and parts that failed again and again on one vehicle."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.contract.tables import COMEBACK, REPEATED_FAILURE

from .conftest import GivenRows, at


def job(job_id: str, opened: str, closed: str | None = None, **more: object) -> dict[str, object]:
    times = {"opened_at": at(opened), "closed_at": at(closed) if closed else None}
    return {"job_id": job_id, "vehicle_id": "V1"} | times | more


@pytest.fixture
def returned(given: GivenRows) -> GivenRows:
    """A cap that came back after 20 days to another shop, in a visit of two lines, and never again."""
    given.add("vehicles", {"vehicle_id": "V1"})
    cost = {"labor_h": 1.5, "parts_cost": 20.0, "currency": "XTS", "shop_id": "south"}
    given.add(
        "jobs",
        job("J1", "2022-01-01T08:00", "2022-01-02T08:00", component="fuel_cap", technician_id="t7"),
        job("J2", "2022-01-22T08:00", "2022-01-23T08:00", component="vent_valve", **cost),
        job("J3", "2022-01-22T08:00", "2022-01-23T08:00", component="fuel_cap", **cost),
    )
    given.run()
    return given


def test_a_comeback_tells_whose_repair_it_was_and_to_whom_it_came(returned: GivenRows) -> None:
    who = "job_id, shop_id, technician_id, vehicle_id, make, model, component, action, closed_on"
    assert returned.rows(f"select {who} from mart.comeback") == [
        ("J1", "north", "t7", "V1", "Arvo", "Finch", "fuel_cap", "replaced", date(2022, 1, 2))
    ]
    assert returned.rows("select comeback_job_id, days, comeback_shop_id from mart.comeback") == [
        ("J2", 20, "south")
    ]
    assert returned.rows("select verified, evidence_agrees from mart.comeback") == [
        ("no_trace", "cannot_say")
    ]


def test_a_comeback_costs_its_whole_visit_and_any_of_its_lines_may_be_the_same_part(returned) -> None:
    assert returned.rows("select is_same_component, labor_h, parts_cost, currency from mart.comeback") == [
        (True, 3.0, 40.0, "XTS")
    ]


def test_another_part_or_a_look_that_repaired_nothing_is_not_the_same_part_again(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    for vehicle, again in (("V1", {"component": "wiring"}), ("V2", {"action": "none"})):
        first = job(f"{vehicle}a", "2022-01-01T08:00", "2022-01-02T08:00", vehicle_id=vehicle)
        given.add("jobs", first, job(f"{vehicle}b", "2022-01-22T08:00", vehicle_id=vehicle, **again))
    given.run()
    assert given.rows("select job_id, is_same_component, labor_h from mart.comeback") == [
        ("V1a", False, None),
        ("V2a", False, None),
    ]


def test_three_failures_of_one_part_on_one_vehicle_are_named_and_two_are_not(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    days = ("2022-01-01", "2022-02-01", "2023-05-01")
    for n, (day, shop) in enumerate(zip(days, ("north", "north", "south"), strict=True)):
        given.add("jobs", job(f"J{n}", f"{day}T08:00", f"{day}T17:00", shop_id=shop))
        given.add("jobs", job(f"K{n}", f"{day}T08:00", component="wiring" if n else "fuel_cap"))
    for day in days[:2]:
        given.add("jobs", job(f"L{day}", f"{day}T08:00", vehicle_id="V2"))
    given.run()
    assert given.rows("from mart.repeated_failure") == [
        ("V1", "Arvo", "Finch", "purge_valve", 3, 1, 2, date(2022, 1, 1), date(2023, 5, 1), "J2", "south")
    ]


def test_shops_are_counted_by_the_repairs_of_which_a_recording_tells(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    for n, (shop, suspects) in enumerate(
        [("north", ["purge_valve"]), ("north", ["fuel_cap"]), ("south", ["fuel_cap"]), ("west", None)]
    ):
        given.add("jobs", job(f"J{n}", "2022-01-01T08:00", shop_id=shop))
        trace = {"trace_id": f"T{n}", "job_id": f"J{n}", "vehicle_id": "V1", "stage": "before_repair"}
        given.add("traces", trace)
        given.insert("mart.trace_result", trace | {"verdict": "leak", "suspects": suspects})
    given.run()
    assert given.rows("from tally.evidence_count") == [("north", 2, 1), ("south", 1, 1)]
    against = "select job_id, suspects, opened_on from mart.repair_check where evidence_agrees = 'no'"
    assert given.rows(against) == [
        ("J1", ["fuel_cap"], date(2022, 1, 1)),
        ("J2", ["fuel_cap"], date(2022, 1, 1)),
    ]


@pytest.mark.parametrize("table", [COMEBACK, REPEATED_FAILURE])
def test_the_lists_have_the_columns_and_types_of_the_contract(given: GivenRows, table) -> None:
    given.run()
    described = [(name, type_) for name, type_, *_ in given.rows(f"describe {table.full_name}")]
    assert described == [(c.name, c.type) for c in table.columns]
