"""What is known of a vehicle before its next inspection."""

from __future__ import annotations

from datetime import date

from .conftest import GivenRows, at
from .test_after_clear import look


def state(given: GivenRows, columns: str) -> list[tuple]:
    given.run()
    return given.rows(f"select {columns} from tally.due_state order by vehicle_id")


def test_a_repair_after_the_last_inspection_clears_and_one_before_does_not(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    job = {"opened_at": at("2023-05-01T08:00"), "closed_at": at("2023-05-02T17:00")}
    given.add("jobs", {"job_id": "J1", "vehicle_id": "V1"} | job, {"job_id": "J2", "vehicle_id": "V2"} | job)
    given.add("inspections", look("I1", "V1", "2023-04-01", 500.0), look("I2", "V2", "2023-06-01", 500.0))
    assert state(given, "vehicle_id, cleared_on") == [("V1", date(2023, 5, 2)), ("V2", None)]


def test_open_faults_are_a_code_with_the_lamp_and_a_job_not_closed(given: GivenRows) -> None:
    """A code of another system is no EVAP fault, but the lamp is told."""
    given.add("vehicles", *({"vehicle_id": f"V{i}"} for i in (1, 2, 3)))
    job = {"source_id": "office", "vehicle_id": "V3", "opened_at": at("2023-01-02T08:00")}
    given.add(
        "jobs",
        job | {"job_id": "J8", "closed_at": at("2023-01-03T08:00")},
        job | {"job_id": "J9", "vehicle_id": "V2", "opened_at": at("2023-05-01T08:00")},
    )
    lamp = {"mil_on": True, "test_result": "fail"}
    given.add(
        "inspections",
        look("I1", "V1", "2023-04-01", 500.0, **lamp, trouble_codes=["P0442", "P0300"]),
        look("I3", "V3", "2023-04-01", 500.0, **lamp, trouble_codes=["P0300"]),
    )
    assert state(given, "open_faults, is_lamp_on") == [
        (["P0442 with the lamp on at the last inspection"], True),
        (["job J9 is open (purge_valve)"], False),
        ([], True),
    ]


def test_a_list_of_what_is_not_complete_tells_that_the_evap_monitor_is(given: GivenRows) -> None:
    """Where some record of the model shows that monitor; of another model nothing is told."""
    given.add(
        "vehicles",
        *({"vehicle_id": f"V{i}", "model": model} for i, model in ((1, "Finch"), (2, "Finch"), (3, "Wren"))),
    )
    listed = {"station_id": "S1", "mil_on": False, "test_result": "pass", "distance_since_clear_km": 900.0}
    given.add(
        "inspections",
        *(
            listed
            | {
                "inspection_id": f"I{i}",
                "vehicle_id": f"V{i}",
                "inspected_at": at("2023-04-01T10:00"),
                "monitors_not_ready": late,
            }
            for i, late in ((1, ["evap"]), (2, []), (3, []))
        ),
    )
    assert state(given, "vehicle_id, evap_state") == [
        ("V1", "not_complete"),
        ("V2", "complete"),
        ("V3", None),
    ]


def test_a_later_pass_with_the_monitor_complete_ends_what_an_old_recording_disproved(
    given: GivenRows,
) -> None:
    """V1 was seen complete with the lamp off after it, V2 not complete, V3 before the repair alone."""
    given.add("vehicles", *({"vehicle_id": f"V{i}"} for i in (1, 2, 3)))
    for i, (inspected, late) in enumerate(
        (("2023-06-01", []), ("2023-06-01", ["evap"]), ("2023-04-01", [])), 1
    ):
        job, trace = f"J{i}", f"T{i}"
        given.add(
            "jobs",
            {
                "job_id": job,
                "vehicle_id": f"V{i}",
                "opened_at": at("2023-05-01T08:00"),
                "closed_at": at("2023-05-02T17:00"),
            },
        )
        given.add(
            "traces", {"trace_id": trace, "job_id": job, "vehicle_id": f"V{i}", "stage": "after_repair"}
        )
        given.insert(
            "mart.trace_result",
            {
                "trace_id": trace,
                "job_id": job,
                "vehicle_id": f"V{i}",
                "stage": "after_repair",
                "verdict": "no_vacuum",
                "confidence": 0.99,
            },
        )
        given.add(
            "inspections",
            {
                "inspection_id": f"I{i}",
                "vehicle_id": f"V{i}",
                "inspected_at": at(f"{inspected}T10:00"),
                "mil_on": False,
                "test_result": "pass",
                "monitors_not_ready": late,
            },
        )
    told = "the recording after repair {} (closed 2023-05-02) disproves it"
    assert state(given, "open_faults") == [([],), ([told.format("J2")],), ([told.format("J3")],)]


def test_a_source_that_closes_no_job_tells_nothing_of_open_ones(given: GivenRows) -> None:
    """`closed_at` is no required field: an export without it would leave every job open for ever."""
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    job = {"source_id": "office", "opened_at": at("2023-05-01T08:00")}
    given.add(
        "jobs",
        job | {"job_id": "J1", "vehicle_id": "V1", "source_id": "ledger"},
        job | {"job_id": "J2", "vehicle_id": "V2"},
        job | {"job_id": "J3", "vehicle_id": "V1", "closed_at": at("2023-05-02T08:00")},
    )
    assert state(given, "vehicle_id, open_faults") == [("V1", []), ("V2", ["job J2 is open (purge_valve)"])]


def test_a_closed_job_ends_the_lamp_and_out_of_service_vehicles_are_left_out(given: GivenRows) -> None:
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2", "out_of_service_on": date(2023, 6, 1)})
    given.add("inspections", look("I1", "V1", "2023-04-01", 5.0, mil_on=True, trouble_codes=["P0442"]))
    job = {"opened_at": at("2023-05-01T08:00"), "closed_at": at("2023-05-02T17:00")}
    given.add("jobs", {"job_id": "J1", "vehicle_id": "V1"} | job)
    assert state(given, "vehicle_id, is_lamp_on, open_faults") == [("V1", False, [])]


def test_a_vehicle_is_listed_from_the_day_it_enters_service(given: GivenRows) -> None:
    """The window ends on 2023-12-31: in service that day, or the day after."""
    for name, day in (("V1", date(2023, 12, 31)), ("V2", date(2024, 1, 1))):
        given.add("vehicles", {"vehicle_id": name, "in_service_on": day})
    assert state(given, "vehicle_id") == [("V1",)]


def test_distance_per_day_is_the_vehicles_own_or_its_models(given: GivenRows) -> None:
    """3000 km in 100 days is 30 km a day; the other vehicle takes the median."""
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    given.add(
        "inspections",
        look("I1", "V1", "2023-01-01", 5.0, odometer_km=10_000.0),
        look("I2", "V1", "2023-04-11", 5.0, odometer_km=13_000.0),
    )
    assert state(given, "vehicle_id, km_per_day, is_own_distance") == [
        ("V1", 30.0, True),
        ("V2", 30.0, False),
    ]
