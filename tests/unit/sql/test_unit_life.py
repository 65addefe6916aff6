"""Lives of units from the register and the repairs: contract section 3, "Life"."""

from __future__ import annotations

from datetime import date

from .conftest import GivenRows, at

LIVES = (
    "select born_on, start_on, end_on, is_failure, is_return from core.unit_life where component = 'purge_valve'"
    " order by end_on, is_failure desc"
)


def repair(job_id: str, opened: str, closed: str | None, **more: object) -> dict[str, object]:
    return {
        "job_id": job_id,
        "vehicle_id": "V1",
        "opened_at": at(opened),
        "closed_at": at(closed) if closed else None,
    } | more


def test_an_old_unit_enters_late_and_its_successor_is_watched_once_the_repair_has_held(
    given: GivenRows,
) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add("jobs", repair("J1", "2022-06-01T08:00", "2022-06-03T08:00"))
    given.run()
    assert given.rows(LIVES) == [
        (date(2015, 1, 1), date(2022, 1, 1), date(2022, 6, 1), True, False),
        (date(2022, 6, 3), date(2022, 9, 1), date(2023, 12, 31), False, False),
    ]


def test_a_repair_without_a_new_part_leaves_the_unit_as_old_as_it_was(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add("jobs", repair("J1", "2022-06-01T08:00", "2022-06-03T08:00", action="cleaned"))
    given.run()
    assert given.rows(LIVES)[1] == (date(2015, 1, 1), date(2022, 9, 1), date(2023, 12, 31), False, False)


def test_a_replacement_before_the_window_sets_the_age_and_is_no_failure(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        repair("J1", "2021-06-01T08:00", "2021-06-03T08:00"),
        repair("J2", "2022-06-01T08:00", "2022-06-03T08:00"),
    )
    given.run()
    assert given.rows(LIVES)[0] == (date(2021, 6, 3), date(2022, 1, 1), date(2022, 6, 1), True, False)


def test_a_failure_within_the_follow_up_window_is_a_return(given: GivenRows) -> None:
    """Day 90 is inside the window, day 91 is not."""
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        repair("J1", "2022-06-01T08:00", "2022-06-01T18:00"),
        repair("J2", "2022-08-30T08:00", "2022-08-30T18:00"),
        repair("J3", "2022-11-29T08:00", "2022-11-29T18:00"),
    )
    given.run()
    assert [row[3:] for row in given.rows(LIVES)] == [
        (True, False),
        (True, True),
        (True, False),
        (False, False),
    ]


def test_the_time_in_which_a_repair_must_hold_is_counted_apart(given: GivenRows) -> None:
    """90 days after the first repair; the second falls into them, 42 days after the first was closed."""
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        repair("J1", "2022-06-01T08:00", "2022-06-01T18:00"),
        repair("J2", "2022-07-13T08:00", "2022-07-13T18:00"),
        repair("J3", "2022-12-01T08:00", "2022-12-01T18:00"),
    )
    given.run()
    unseen = "select start_on, end_on, unseen_days from core.unit_life order by end_on, is_failure desc"
    assert given.rows(unseen) == [
        (date(2022, 1, 1), date(2022, 6, 1), 0),
        (date(2022, 7, 13), date(2022, 7, 13), 42),
        (date(2022, 10, 11), date(2022, 12, 1), 90),
        (date(2023, 3, 1), date(2023, 12, 31), 90),
    ]


def test_a_failure_opened_before_the_last_repair_was_closed_has_no_stretch_before_it(
    given: GivenRows,
) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        repair("J1", "2022-06-01T08:00", "2022-06-09T08:00"),
        repair("J2", "2022-06-05T08:00", "2022-06-06T08:00"),
    )
    given.run()
    assert given.rows(LIVES)[1:] == [
        (date(2015, 1, 1), date(2022, 6, 5), date(2022, 6, 5), True, True),
        (date(2022, 6, 9), date(2022, 9, 7), date(2023, 12, 31), False, False),
    ]


def test_an_open_repair_ends_the_observation_and_its_new_unit_is_of_age_zero(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add("jobs", repair("J1", "2023-06-01T08:00", None))
    given.run()
    assert [row[3] for row in given.rows(LIVES)] == [True]
    assert given.rows("select age_days, n_units from tally.unit_in_service") == [(0, 1)]


def test_a_failure_long_after_a_repair_that_never_closed_is_no_return_and_not_seen(given: GivenRows) -> None:
    """Day 90 after its opening is a return of it; day 91 is left out, until a closed repair has its own window."""
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    given.add(
        "jobs",
        repair("J1", "2022-06-01T08:00", None),
        repair("J2", "2022-08-30T08:00", None),
        repair("J3", "2022-06-01T08:00", None, vehicle_id="V2"),
        repair("J4", "2022-08-31T08:00", "2022-09-01T08:00", vehicle_id="V2"),
        repair("J5", "2022-10-01T08:00", "2022-10-02T08:00", vehicle_id="V2"),
    )
    given.run()
    failures = "select job_id, is_return from core.unit_life where is_failure order by job_id"
    assert given.rows(failures) == [("J1", False), ("J2", True), ("J3", False), ("J5", True)]
    assert given.rows("select count(*) from core.unit_life where not is_failure") == [(0,)]


def test_vehicles_that_never_failed_are_survivors_and_those_out_of_service_need_no_parts(
    given: GivenRows,
) -> None:
    given.add(
        "vehicles",
        {"vehicle_id": "V1"},
        {"vehicle_id": "V2", "in_service_on": date(2023, 1, 1)},
        {"vehicle_id": "V3", "out_of_service_on": date(2022, 3, 1)},
        {"vehicle_id": "V4", "in_service_on": date(2024, 5, 1)},
    )
    given.add("jobs", repair("J1", "2022-06-01T08:00", "2022-06-03T08:00"))
    given.run()
    survivors = "select vehicle_id, start_on, end_on from core.unit_life where not is_failure order by all"
    assert given.rows(survivors) == [
        ("V1", date(2022, 9, 1), date(2023, 12, 31)),
        ("V2", date(2023, 1, 1), date(2023, 12, 31)),
        ("V3", date(2022, 1, 1), date(2022, 3, 1)),
    ]
    in_service = "select age_days, n_units from tally.unit_in_service order by all"
    assert given.rows(in_service) == [(364, 1), (576, 1)]


def test_a_failure_outside_the_vehicles_service_has_no_life(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1", "in_service_on": date(2022, 9, 1)})
    given.add("jobs", repair("J1", "2022-06-01T08:00", "2022-06-03T08:00"))
    given.run()
    assert [row[3] for row in given.rows(LIVES)] == [False]


def test_a_unit_that_a_repair_put_in_is_no_first_unit_and_a_mended_one_is(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    given.add(
        "jobs",
        repair("J1", "2022-06-01T08:00", "2022-06-01T18:00"),
        repair("J2", "2022-06-01T08:00", "2022-06-01T18:00", vehicle_id="V2", action="cleaned"),
    )
    given.run()
    kinds = "select vehicle_id, is_failure, is_first_unit from core.unit_life order by all"
    assert given.rows(kinds) == [
        ("V1", False, False),
        ("V1", True, True),
        ("V2", False, True),
        ("V2", True, True),
    ]
