"""Exposure and failures by model year, fleet and year of age: what `mart.failure_split` rests on."""

from __future__ import annotations

from datetime import date

from .conftest import GivenRows, at

EXPOSURE = "select model_year, fleet_id, age_year, n_vehicles, exposure_days from tally.age_exposure"
FAILURES = "select component, model_year, fleet_id, age_year, n_failures from tally.age_failure"


def failed(job_id: str, vehicle: str, opened: str, closed: str | None = None) -> dict[str, object]:
    times = {"opened_at": at(opened), "closed_at": at(closed) if closed else None}
    return {"job_id": job_id, "vehicle_id": vehicle} | times


def test_days_in_service_go_to_the_year_of_age_and_add_up_to_the_exposure(given: GivenRows) -> None:
    """Born 2021-07-01, window 2022-01-01 to 2023-12-31: 184 days old to 913; years of age begin at 366 and 731 days."""
    given.add(
        "vehicles",
        {"vehicle_id": "V1", "in_service_on": date(2021, 7, 1), "fleet_id": "coast"},
        {"vehicle_id": "V2", "in_service_on": date(2023, 12, 1), "model_year": 2013},
        {"vehicle_id": "V3", "in_service_on": date(2024, 6, 1)},
    )
    given.run()
    assert given.rows(EXPOSURE) == [
        (2012, "coast", 0, 1, 366 - 184),
        (2012, "coast", 1, 0, 731 - 366),
        (2012, "coast", 2, 0, 913 - 731),
        (2013, None, 0, 1, 30),
    ]
    assert given.rows("select sum(exposure_days) from core.exposure") == [(729 + 30,)]


def test_a_failure_goes_to_its_year_of_age_and_comebacks_are_left_out(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1", "in_service_on": date(2021, 7, 1), "fleet_id": "coast"})
    given.add(
        "jobs",
        failed("J1", "V1", "2022-07-01T08:00", "2022-07-01T10:00"),  # 365 days old: still in the first year
        failed("J2", "V1", "2022-07-21T08:00", "2022-07-21T10:00"),  # its comeback
        failed("J3", "V1", "2023-12-31T08:00"),  # the last day of the window, which has no exposure
    )
    given.run()
    assert given.rows(FAILURES) == [
        ("purge_valve", 2012, "coast", 0, 1),
        ("purge_valve", 2012, "coast", 2, 1),
    ]


def test_failures_out_of_service_count_at_the_nearest_age_or_not_at_all(given: GivenRows) -> None:
    given.add(
        "vehicles",
        {"vehicle_id": "V1", "in_service_on": date(2022, 3, 1), "out_of_service_on": date(2022, 9, 1)},
        {"vehicle_id": "V2", "in_service_on": date(2024, 6, 1)},
    )
    given.add("jobs", failed("J1", "V1", "2023-12-01T08:00"), failed("J2", "V2", "2023-05-01T08:00"))
    given.run()
    assert given.rows(FAILURES) == [("purge_valve", 2012, None, 0, 1)]
