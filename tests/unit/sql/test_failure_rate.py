"""Exposure, distance and failures: contract section 3."""

from __future__ import annotations

from datetime import date

import pytest

from .conftest import GivenRows, at


def repair(job_id: str, opened: str, **more: object) -> dict[str, object]:
    return {"job_id": job_id, "vehicle_id": "V1", "opened_at": at(opened)} | more


@pytest.mark.parametrize(
    ("in_service", "out_of_service", "days"),
    [
        (date(2015, 1, 1), None, 729),  # the whole window, end minus start
        (date(2023, 1, 1), None, 364),
        (date(2015, 1, 1), date(2022, 1, 11), 10),
        (date(2015, 1, 1), date(2021, 6, 1), 0),
        (date(2024, 6, 1), None, 0),
    ],
)
def test_exposure_is_the_overlap_of_service_and_window(
    given: GivenRows, in_service, out_of_service, days
) -> None:
    given.add(
        "vehicles", {"vehicle_id": "V1", "in_service_on": in_service, "out_of_service_on": out_of_service}
    )
    given.run()
    assert given.rows("select exposure_days from core.exposure") == [(days,)]


def test_distance_is_last_minus_first_reading_inside_the_window(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1", "odometer_km": 1000.0, "odometer_on": date(2021, 12, 31)})
    given.add("jobs", repair("J1", "2022-02-01T08:00", odometer_km=2000.0))
    given.add(
        "inspections",
        {
            "inspection_id": "I1",
            "vehicle_id": "V1",
            "inspected_at": at("2023-02-01T08:00"),
            "odometer_km": 9500.0,
        },
    )
    given.run()
    assert given.rows("select first_read_on, last_read_on, distance_km from core.exposure") == [
        (date(2022, 2, 1), date(2023, 2, 1), 7500.0)
    ]


@pytest.mark.parametrize(
    "readings",
    [
        [("2022-02-01T08:00", 5000.0), ("2022-03-01T08:00", 400.0), ("2022-04-01T08:00", 6000.0)],  # fell
        [("2022-02-01T08:00", 5000.0), ("2022-02-01T18:00", 5001.0)],  # one day
        [("2022-02-01T08:00", 5000.0)],
    ],
)
def test_distance_is_unknown_rather_than_wrong(given: GivenRows, readings) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add("jobs", *[repair(f"J{i}", t, odometer_km=km) for i, (t, km) in enumerate(readings)])
    given.run()
    assert given.rows("select distance_km from core.exposure") == [(None,)]
    assert given.rows("select vehicle_km, n_vehicles_km, n_failures_km from tally.failure_count") == [
        (None, 0, None)
    ]


def test_every_model_meets_every_component_that_failed(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"}, {"vehicle_id": "V3", "model": "Wren"})
    given.add(
        "jobs",
        repair("J1", "2022-01-01T00:00"),
        repair("J2", "2023-12-31T23:59"),
        repair("J3", "2024-01-01T00:00"),
        repair("J4", "2022-05-01T00:00", action="none"),
        repair("J5", "2022-05-01T00:00", component="none_found"),
        repair("J6", "2022-05-01T00:00", component="other", vehicle_id="V2"),
    )
    given.run()
    counts = given.rows(
        "select make, model, component, n_failures, n_vehicles, exposure_days from tally.failure_count"
    )
    assert counts == [
        ("Arvo", "Finch", "other", 1, 2, 1458),
        ("Arvo", "Finch", "purge_valve", 2, 2, 1458),
        ("Arvo", "Wren", "other", 0, 1, 729),
        ("Arvo", "Wren", "purge_valve", 0, 1, 729),
    ]


@pytest.mark.parametrize(
    ("closed", "component", "is_comeback"),
    [
        ("2022-02-01T08:00", "purge_valve", True),  # 90 days before
        ("2022-01-31T08:00", "purge_valve", False),  # 91 days before
        ("2022-04-01T08:00", "vent_valve", False),
        ("2022-05-02T08:00", "purge_valve", False),  # closed at the instant the next was opened
        ("2021-12-31T08:00", "purge_valve", False),  # closed before the window
        (None, "purge_valve", False),
    ],
)
def test_a_failure_is_a_comeback_on_the_same_component_within_90_days(
    given: GivenRows, closed, component, is_comeback
) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    first = repair("J1", "2021-12-15T08:00", closed_at=at(closed) if closed else None, component=component)
    given.add("jobs", first, repair("J2", "2022-05-02T08:00"))
    given.run()
    assert given.rows("select is_comeback from core.failure where job_id = 'J2'") == [(is_comeback,)]


def test_another_evap_job_in_between_is_the_comeback(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        repair("J1", "2022-01-01T08:00", closed_at=at("2022-01-01T17:00")),
        repair("J2", "2022-01-11T08:00", component="wiring", action="none"),
        repair("J3", "2022-01-21T08:00"),
    )
    given.run()
    assert given.rows("select job_id from core.failure where is_comeback") == []


def test_every_line_opened_at_the_instant_of_the_comeback_belongs_to_it(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        repair("J1", "2022-01-01T08:00", closed_at=at("2022-01-01T17:00")),
        repair("J2", "2022-01-11T08:00", component="wiring"),
        repair("J3", "2022-01-11T08:00"),
    )
    given.run()
    assert given.rows("select job_id from core.failure where is_comeback") == [("J3",)]


def test_failures_by_distance_leave_out_the_one_that_starts_it(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    given.add(
        "jobs",
        repair("J1", "2022-02-01T08:00", odometer_km=1000.0),
        repair("J2", "2022-06-01T08:00"),
        repair("J3", "2022-09-01T08:00", odometer_km=6000.0),
        repair("J4", "2022-10-01T08:00"),
        repair("J5", "2022-06-01T08:00", vehicle_id="V2"),
    )
    given.run()
    assert given.rows(
        "select n_failures, n_failures_km, vehicle_km, n_vehicles_km from tally.failure_count"
    ) == [(5, 2, 5000.0, 1)]
