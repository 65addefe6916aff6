"""Habits of stations, readings that repeat, and results that the rule does not give."""

from __future__ import annotations

import pytest

from .conftest import GivenRows, at
from .test_inspections import visit


@pytest.fixture
def inspected(given: GivenRows) -> GivenRows:
    given.add("vehicles", *({"vehicle_id": f"V{i}"} for i in range(1, 5)))
    return given


def habit(given: GivenRows, measure: str) -> list[tuple]:
    given.run()
    return given.rows(
        'select station_id, stratum, n, "of", inspection_ids from tally.station_habit_count'
        f" where measure = '{measure}'"
    )


def test_soon_after_a_clear_counts_first_visits_below_80_km(inspected: GivenRows) -> None:
    """The retest of the same cycle, driven or not, is no habit of the station."""
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", "fail", distance_since_clear_km=79.0),
        visit("I2", "2022-01-05", "pass", distance_since_clear_km=5.0),
        visit("I3", "2022-01-01", "pass", vehicle_id="V2", distance_since_clear_km=80.0),
    )
    assert habit(inspected, "soon_after_clear") == [("S1", 2012, 1, 2, ["I1"])]


def test_close_tests_are_of_different_vehicles_on_one_day(inspected: GivenRows) -> None:
    """Begun 2 minutes apart; a second try on the same vehicle does not count; the day has four tests."""
    times = {"I1": ("V1", "09:00"), "I2": ("V2", "09:02"), "I3": ("V2", "09:04"), "I4": ("V3", "09:30")}
    inspected.add(
        "inspections",
        *(
            visit(i, "2022-01-01", "pass", vehicle_id=v, inspected_at=at(f"2022-01-01T{t}"))
            for i, (v, t) in times.items()
        ),
    )
    assert habit(inspected, "close_tests") == [("S1", 4, 1, 3, ["I2"])]


@pytest.mark.parametrize(("later", "n"), [("09:59", 1), ("10:00", 0)])
def test_a_quick_retest_passes_within_the_hour_with_monitors_completed(
    inspected: GivenRows, later: str, n: int
) -> None:
    """40 CFR 85.2222(c)(1) sends the vehicle driving; 59 minutes count, 60 do not."""
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", "return", monitors_not_ready=["evap", "catalyst"]),
        visit("I2", "2022-01-01", "pass", monitors_not_ready=[], inspected_at=at(f"2022-01-01T{later}")),
    )
    assert habit(inspected, "quick_retest") == [("S1", 0, n, 1, ["I2"] if n else None)]


def test_a_distance_repeats_whatever_the_bytes_say(inspected: GivenRows) -> None:
    """Same distance and warm-ups on two vehicles, other bytes; counters at zero say nothing."""
    same = {"warmups_since_clear": 20, "distance_since_clear_km": 400.0}
    zero = {"warmups_since_clear": 0, "distance_since_clear_km": 0.0}
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", monitor_status_hex="0007E500", **same),
        visit("I2", "2022-01-02", vehicle_id="V2", monitor_status_hex="0007E504", **same),
        visit("I3", "2022-01-03", vehicle_id="V3", monitor_status_hex="0007E504", **zero),
        visit("I4", "2022-01-03", vehicle_id="V4", monitor_status_hex="0007E504", **zero),
    )
    inspected.run()
    rows = inspected.rows('select measure, n, "of" from tally.station_repeat_count order by 1')
    assert rows == [("repeated_distance", 2, 2), ("repeated_record", 2, 4)]


def test_a_recorded_result_that_the_rule_does_not_give_is_listed_with_its_clause(
    inspected: GivenRows,
) -> None:
    """The second visit still not complete fails by the rule (85.2222(c)(1)), though recorded as a return."""
    clause = {"judged_base": "fail", "judged_clause": "40 CFR 85.2222(d)(4)"}
    late = {"judged_base": "return", "judged_clause": "40 CFR 85.2222(c)(1)"}
    inspected.add(
        "inspections",
        visit("I1", "2022-01-01", "pass", **clause),
        visit("I2", "2022-01-01", "return", vehicle_id="V2", **late),
        visit("I3", "2022-01-09", "return", vehicle_id="V2", **late),
        visit("I4", "2022-01-01", vehicle_id="V3", **clause),
        visit("I5", "2022-01-01", "fail", vehicle_id="V4"),
    )
    inspected.run()
    found = inspected.rows("select inspection_id, recorded, judged, clause from mart.inspection_disagreement")
    assert found == [
        ("I1", "pass", "fail", "40 CFR 85.2222(d)(4)"),
        ("I3", "return", "fail", "40 CFR 85.2222(c)(1): again not ready at the return visit"),
    ]
