"""Bounds of leak diameters by group; the rules stand in sql/tally/leak_bound.sql."""

from __future__ import annotations

import math

import pytest

from .conftest import GivenRows, at


@pytest.fixture
def traced(given: GivenRows) -> GivenRows:
    """One vehicle and one job with an EVAP code, another code and the EVAP code again."""
    given.add("vehicles", {"vehicle_id": "V1"})
    codes = ["P0442", "P0300", "P0442"]
    given.add(
        "jobs",
        {"job_id": "J1", "vehicle_id": "V1", "opened_at": at("2022-01-01T08:00"), "trouble_codes": codes},
    )
    return given


def result(
    trace_id: str, verdict: str, low, high, censoring: str, stage: str = "before_repair", job="J1"
) -> dict:
    return {
        "trace_id": trace_id,
        "job_id": job,
        "vehicle_id": "V1",
        "stage": stage,
        "verdict": verdict,
        "leak_diameter_low_mm": low,
        "leak_diameter_high_mm": high,
        "leak_censoring": censoring,
    }


def test_bounds_follow_the_censoring_and_are_rounded_outward(traced: GivenRows) -> None:
    traced.insert(
        "mart.trace_result",
        result("T1", "holds", None, 0.201, "left"),
        result("T2", "leak", 0.508, 0.611, "none"),
        result("T3", "gross_leak", 2.349, None, "right"),
        result("T4", "leak", 0.505, 0.612, "none"),
        result("T5", "leak", 0.7, 0.7, "none"),
        result("T6", "leak", None, None, "none"),
        result("T7", "no_vacuum", 0.1, 0.2, "none"),
        # Bounds that hold any size at all would count as too small and as too large.
        result("T8", "gross_leak", 0.004, None, "right"),
    )
    traced.run()
    rows = traced.rows("select low_mm, high_mm, n_traces from tally.leak_bound where \"by\" = 'all'")
    assert rows == [
        (0.0, pytest.approx(0.21), 1),
        (pytest.approx(0.50), pytest.approx(0.62), 2),
        (pytest.approx(0.69), pytest.approx(0.70), 1),
        (pytest.approx(2.34), math.inf, 1),
    ]


def test_what_was_found_asks_before_traces_alone(traced: GivenRows) -> None:
    traced.insert(
        "mart.trace_result",
        result("T1", "leak", 0.5, 0.6, "none"),
        result("T2", "holds", None, 0.2, "left", "after_repair"),
        result("T3", "leak", 0.5, 0.6, "none", "before_repair", None),
    )
    traced.run()
    rows = traced.rows('select "by", "group", sum(n_traces) from tally.leak_bound group by all order by all')
    assert rows == [
        ("all", "all", 3),
        ("component", "purge_valve", 1),
        ("model", "Finch", 2),
        ("stage", "after_repair", 1),
        ("stage", "before_repair", 2),
        ("trouble_code", "P0442", 1),
    ]
