"""One look at each vehicle after a clear: which visit counts, and at which reading."""

from __future__ import annotations

from .conftest import GivenRows, at

#: core.after_clear with the names behind its numbers
LOOKED_AT = (
    "from core.after_clear join core.visit using (vehicle_no, place)"
    " join core.inspections using (inspection_id)"
)


def look(
    inspection_id: str, vehicle: str, day: str, km: float | None, warmups: int | None = 20, **more
) -> dict:
    return {
        "inspection_id": inspection_id,
        "vehicle_id": vehicle,
        "inspected_at": at(f"{day}T09:00"),
        "test_result": "pass",
        "distance_since_clear_km": km,
        "warmups_since_clear": warmups,
        "monitors_supported": ["evap", "catalyst"],
        "monitors_not_ready": [],
        "monitor_status_hex": "00 07 E5 00",
    } | more


def test_the_first_visit_soonest_after_a_clear_counts_once(given: GivenRows) -> None:
    """A retest never counts; of two cycles the one with the smaller distance does."""
    given.add("vehicles", {"vehicle_id": "V1"})
    given.add(
        "inspections",
        look("I1", "V1", "2022-01-01", 900.0),
        look("I2", "V1", "2022-09-01", 300.0, test_result="return", monitors_not_ready=["evap"]),
        look("I3", "V1", "2022-09-09", 50.0),
    )
    given.run()
    assert given.rows(f"select inspection_id, distance_km {LOOKED_AT}") == [("I2", 300.0)]
    counted = given.rows("select monitor, counter, reading, n, n_ready from tally.after_clear_count")
    assert ("evap", "distance_km", 298.9, 1, 0) in counted  # exp(5.70): steps of 1 % from 200 km on
    assert ("catalyst", "warmups", 20.0, 1, 1) in counted


def test_a_counter_at_its_end_is_endless_and_an_unknown_one_is_left_out(given: GivenRows) -> None:
    """65535 km and 255 warm-ups mean "at least"."""
    given.add("vehicles", {"vehicle_id": "V1"}, {"vehicle_id": "V2"})
    given.add(
        "inspections", look("I1", "V1", "2022-01-01", 65535.0, 255), look("I2", "V2", "2022-01-01", None, 3)
    )
    given.run()
    rows = given.rows(f"select vehicle_id, distance_km, warmups {LOOKED_AT} order by 1")
    assert rows == [("V1", float("inf"), float("inf")), ("V2", None, 3.0)]


def test_readings_that_three_vehicles_share_are_no_reading_of_theirs(given: GivenRows) -> None:
    """Two alike may be chance, three are left out; freshly cleared counters are alike by nature."""
    given.add("vehicles", *({"vehicle_id": f"V{i}"} for i in range(8)))
    shared = [look(f"S{i}", f"V{i}", "2022-01-01", 444.0) for i in range(3)]
    pair = [look(f"P{i}", f"V{i}", "2022-01-01", 555.0) for i in (3, 4)]
    fresh = [look(f"F{i}", f"V{i}", "2022-01-01", 0.0, 0) for i in (5, 6, 7)]
    given.add("inspections", *shared, *pair, *fresh)
    given.run()
    kept = given.rows(f"select inspection_id {LOOKED_AT} order by 1")
    assert [r[0] for r in kept] == ["F5", "F6", "F7", "P3", "P4"]
