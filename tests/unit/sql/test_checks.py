"""Every check of sql/check holds on a whole small warehouse, and breaks when its promise is broken."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from pipeline.contract.tables import MARTS
from pipeline.estimates import estimate_all
from pipeline.settings import Settings

from .conftest import GivenRows, at


@pytest.fixture(scope="module")
def built() -> GivenRows:
    """Six vehicles with repairs, comebacks, traces and inspections of every outcome, all marts filled."""
    given = GivenRows()
    for number in range(6):
        _vehicle(given, number)
    given.insert(
        "audit.files",
        {"file": "a/jobs.csv", "n_read": 12, "n_accepted": 10, "n_quarantined": 1, "n_duplicate": 1},
    )
    _fill(given)
    return given


@pytest.fixture
def whole(built: GivenRows) -> Iterator[GivenRows]:
    """The same warehouse for every test, put back as it was after each."""
    built.con.execute("begin")
    yield built
    built.con.execute("rollback")


def _fill(given: GivenRows) -> None:
    given.run()
    estimates = estimate_all(given.warehouse.table, Settings())
    for table in MARTS:
        if table.full_name in estimates:
            given.warehouse.write(table, estimates[table.full_name])


def _vehicle(given: GivenRows, number: int) -> None:
    vehicle = f"V{number}"
    start = date(2022, 3, 1) + timedelta(days=number)
    given.add("vehicles", {"vehicle_id": vehicle, "model": "Finch" if number % 2 else "Wren"})
    for step, days in enumerate((0, 30 + 20 * number)):
        day = start + timedelta(days=days)
        job = {"job_id": f"J{number}{step}", "vehicle_id": vehicle, "trouble_codes": ["P0442"]}
        times = {"opened_at": at(f"{day}T08:00"), "closed_at": at(f"{day}T17:00")}
        given.add("jobs", job | times | {"odometer_km": 1000.0 * (step + 1), "technician_id": "t1"})
    trace = {
        "trace_id": f"T{number}",
        "job_id": f"J{number}0",
        "vehicle_id": vehicle,
        "stage": "before_repair",
    }
    given.add("traces", trace)
    size = {"leak_diameter_mm": 0.6, "leak_diameter_low_mm": 0.55, "leak_diameter_high_mm": 0.65}
    said = {"verdict": "leak", "suspects": ["fuel_cap" if number == 3 else "purge_valve"]}
    given.insert("mart.trace_result", trace | size | said | {"leak_censoring": "none"})
    results = ["pass", "fail pass", "fail fail pass", "fail", "fail", "return pass"][number].split()
    for step, result in enumerate(results):
        record = {"inspection_id": f"I{number}{step}", "vehicle_id": vehicle, "test_result": result}
        facts = {"mil_on": result == "fail", "trouble_code_count": step, "cap_test_result": "pass"}
        readiness = {
            "monitors_supported": ["evap"],
            "monitors_not_ready": ["evap"] if number in (0, 2) else [],
        }
        readiness |= {"distance_since_clear_km": 100.0 * (number + 1), "warmups_since_clear": number + 1}
        when = {"inspected_at": at(f"{start + timedelta(days=step)}T09:00"), "waived": number == 4}
        given.add("inspections", record | facts | readiness | when)


def test_every_check_judges_something_and_holds(whole: GivenRows) -> None:
    outcomes = {name: result.outcome for name, result in whole.check().items()}
    assert len(outcomes) >= 14
    assert set(outcomes.values()) == {"holds"}, outcomes


@pytest.mark.parametrize(
    ("check", "damage"),
    [
        ("bounds_hold_estimates", "update mart.failure_rate set low = high + 1"),
        ("bounds_hold_estimates", "update mart.trace_result set leak_diameter_mm = 0.7"),
        ("bounds_hold_estimates", "update mart.against_evidence set high = -1"),
        ("cap_results_sum", "update mart.inspection_report set n = n + 1 where item = '(a)(2)(xv)'"),
        ("comebacks_are_listed", "update mart.comeback set shop_id = 'south' where job_id = 'J00'"),
        ("comebacks_are_listed", "delete from mart.comeback where job_id = 'J00'"),
        ("cycle_outcomes_sum", "update mart.cycle_outcome set n_waived = n_waived + 1"),
        ("files_balance", "update audit.files set n_accepted = 11"),
        ("first_retests_sum", "update tally.inspection_count set n_first_retest = n_first_retest + 1"),
        ("inspection_cells_total", "delete from core.visit where inspection_id = 'I00'"),
        ("keys_are_unique", "insert into mart.readiness select * from mart.readiness limit 1"),
        ("keys_are_unique", "insert into core.jobs select * from core.jobs limit 1"),
        (
            "keys_are_unique",
            "insert into core.inspection_record select * from core.inspection_record limit 1",
        ),
        ("lamp_and_codes_sum", "update mart.inspection_report set n = n + 1 where item = '(a)(2)(xxi)'"),
        ("lamp_and_codes_sum", "delete from mart.inspection_report where item = '(a)(2)(xxi)'"),
        ("no_rate_without_a_count", "update mart.readiness set n_inspections = null"),
        ("no_rate_without_a_count", "update mart.failure_rate set n_failures = -1"),
        ("bounds_hold_estimates", "update mart.failure_split set rate_ratio = 2, rate_ratio_low = 3"),
        ("parts_within_wholes", "update mart.failure_split set n_failures_compared = n_failures + 1"),
        ("keys_are_unique", "insert into mart.failure_split select * from mart.failure_split limit 1"),
        ("not_ready_is_an_overlay", "update mart.inspection_report set n = 0 where item = '(a)(2)(xxiii)'"),
        ("obd_verdicts_sum", "update mart.inspection_report set n = n + 1 where item = '(a)(2)(xi)'"),
        ("parts_within_wholes", "update mart.first_time_fix set n_comebacks = n_repairs + 1"),
        ("parts_within_wholes", "update mart.against_evidence set n_against = n_told + 1"),
        ("readiness_never_falls", "update mart.monitor_after_clear set pooled = 0 where share_ready = 0.9"),
        ("repairs_counted_once", "delete from mart.repair_check where job_id = 'J00'"),
        ("repairs_counted_once", "update mart.failure_rate set n_failures = n_failures + 1"),
        ("every_vehicle_in_service_is_listed", "delete from mart.vehicle_due where vehicle_id = 'V1'"),
        ("every_vehicle_in_service_is_listed", "update mart.vehicle_due set reason = null"),
        ("volumes_by_year_total", "update mart.inspection_station set n_initial = n_initial + 1"),
        ("station_volumes_total", "update mart.station_look set n = n + 1"),
    ],
)
def test_a_broken_promise_is_found(whole: GivenRows, check: str, damage: str) -> None:
    whole.con.execute(damage).fetchall()
    result = whole.check()[check]
    assert result.must_stop
    assert result.example


def test_every_check_says_when_there_is_nothing_to_judge(given: GivenRows) -> None:
    given.setting(None, None, None)
    _fill(given)
    assert {result.outcome for result in given.check().values()} == {"judged_nothing"}
