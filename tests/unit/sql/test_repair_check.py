"""Is a repair proved, and does the evidence support it? The rules stand in sql/mart/repair_check.sql."""

from __future__ import annotations

import pytest

from pipeline.contract.tables import REPAIR_CHECK

from .conftest import GivenRows, at


def record(
    given: GivenRows, trace_id: str, stage: str, verdict: str, recorded: str = "2023-01-01T09:00", **more
) -> None:
    more = {"confidence": None if verdict == "not_judged" else 0.95} | more
    header = {"trace_id": trace_id, "job_id": "J1", "vehicle_id": "V1", "stage": stage}
    given.add("traces", header | {"recorded_at": at(recorded)})
    given.insert("mart.trace_result", header | {"verdict": verdict} | more)


def sized(low: float | None, high: float | None) -> dict[str, float | None]:
    middle = None if low is None or high is None else (low + high) / 2
    return {"leak_diameter_mm": middle, "leak_diameter_low_mm": low, "leak_diameter_high_mm": high}


@pytest.fixture
def repaired(given: GivenRows) -> GivenRows:
    """One vehicle with one purge valve replaced."""
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add("jobs", {"job_id": "J1", "vehicle_id": "V1", "opened_at": at("2023-01-01T08:00")})
    return given


def verified(given: GivenRows) -> object:
    given.run()
    return given.rows("select verified from mart.repair_check")[0][0]


def test_without_an_after_trace_there_is_no_trace(repaired: GivenRows) -> None:
    record(repaired, "T1", "before_repair", "leak", **sized(0.9, 1.1))
    record(repaired, "T2", "routine", "holds")
    assert verified(repaired) == "no_trace"


@pytest.mark.parametrize(
    ("verdict", "size", "expected"),
    [
        ("holds", sized(None, 0.2), "proved"),
        ("leak", sized(0.6, 0.8), "disproved"),
        ("leak", sized(0.3, 0.4), "proved"),  # smaller than before, and than the monitor looks for
        ("leak", sized(0.4, 0.7), "not_proved"),  # may be either side of 0.5 mm
        ("leak", sized(None, None), "not_proved"),
        ("gross_leak", sized(2.0, None), "disproved"),
        ("no_vacuum", {}, "disproved"),
        ("vent_restricted", {}, "disproved"),
        ("sensor_flat", {}, "disproved"),
        ("not_judged", {}, "not_proved"),
    ],
)
def test_the_after_trace_proves_the_repair_or_not(repaired: GivenRows, verdict, size, expected) -> None:
    record(repaired, "T1", "before_repair", "leak", **sized(0.9, 1.1))
    record(repaired, "T2", "after_repair", verdict, **size)
    assert verified(repaired) == expected


def test_a_small_leak_that_was_there_before_proves_nothing(repaired: GivenRows) -> None:
    record(repaired, "T1", "before_repair", "leak", **sized(0.3, 0.45))
    record(repaired, "T2", "after_repair", "leak", **sized(0.28, 0.4))
    assert verified(repaired) == "not_proved"


@pytest.mark.parametrize(("confidence", "expected"), [(0.9, "proved"), (0.89, "not_proved")])
def test_a_system_that_holds_by_less_than_nine_in_ten_proves_nothing(repaired, confidence, expected) -> None:
    record(repaired, "T1", "before_repair", "purge_passes_closed")
    record(repaired, "T2", "after_repair", "holds", confidence=confidence)
    assert verified(repaired) == expected


@pytest.mark.parametrize(("before", "expected"), [("holds", "not_proved"), ("not_judged", "proved")])
def test_a_system_that_held_before_the_repair_too_proves_nothing(repaired, before, expected) -> None:
    """A lead technician's nine parts that were replaced for a false alarm had all been proved."""
    record(repaired, "T1", "before_repair", before)
    record(repaired, "T2", "after_repair", "holds")
    assert verified(repaired) == expected


def test_the_last_judged_trace_counts(repaired: GivenRows) -> None:
    record(repaired, "T1", "after_repair", "leak", "2023-01-01T10:00", **sized(0.9, 1.1))
    record(repaired, "T3", "after_repair", "holds", "2023-01-01T11:00")
    record(repaired, "T2", "after_repair", "not_judged", "2023-01-01T12:00")
    assert verified(repaired) == "proved"
    assert repaired.rows("select after_trace_id, after_verdict from mart.repair_check") == [("T3", "holds")]


@pytest.mark.parametrize(
    ("component", "verdict", "suspects", "expected"),
    [
        ("purge_valve", "no_vacuum", ["purge_valve", "vapor_line"], "yes"),
        ("fuel_cap", "no_vacuum", ["purge_valve", "vapor_line"], "no"),
        ("fuel_cap", "holds", [], "no"),  # a cap is replaced because it leaks, and nothing leaked
        ("purge_valve", "holds", [], "cannot_say"),  # a valve can stick now and then
        ("purge_valve", "leak", [], "cannot_say"),
        ("purge_valve", "leak", None, "cannot_say"),
        ("purge_valve", "not_judged", ["purge_valve"], "cannot_say"),
        ("other", "leak", ["fuel_cap"], "cannot_say"),
    ],
)
def test_the_before_trace_supports_the_component_or_not(
    given: GivenRows, component, verdict, suspects, expected
) -> None:
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "jobs",
        {"job_id": "J1", "vehicle_id": "V1", "opened_at": at("2023-01-01T08:00"), "component": component},
    )
    record(given, "T1", "before_repair", verdict, suspects=suspects)
    given.run()
    assert given.rows("select evidence_agrees from mart.repair_check") == [(expected,)]


def test_the_table_has_the_columns_and_types_of_the_contract(repaired: GivenRows) -> None:
    repaired.run()
    described = [(name, type_) for name, type_, *_ in repaired.rows("describe mart.repair_check")]
    assert described == [(c.name, c.type) for c in REPAIR_CHECK.columns]
