"""`mart.recurrence` against the valve seats of a published fleet, and degenerate input."""

from __future__ import annotations

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.contract.tables import RECURRENCE
from pipeline.estimates import recurrence
from tests.published.test_statistics_life import read_valve_seats


def tables(ends: dict, events: list, entry: int = 0) -> tuple[pl.DataFrame, pl.DataFrame]:
    vehicles = pl.DataFrame(
        [
            {"vehicle_id": str(i), "make": "Arvo", "model": "Finch", "entry_days": entry, "end_days": end}
            for i, end in ends.items()
        ],
        schema={"vehicle_id": str, "make": str, "model": str, "entry_days": int, "end_days": int},
    )
    failures = pl.DataFrame(
        [{"vehicle_id": str(i), "component": "vent_valve", "age_days": age} for i, age in events],
        schema={"vehicle_id": str, "component": str, "age_days": int},
    )
    return vehicles, failures


def test_valve_seats() -> None:
    """W. Nelson, Technometrics 37 (1995) 147-157: 41 engines, 48 replacements; limits by R survfit and surpyval."""
    end, unit, when = read_valve_seats()
    ends = dict(enumerate(end.astype(int).tolist()))
    events = list(zip(unit.tolist(), when.astype(int).tolist(), strict=True))
    table = recurrence(*tables(ends, events), 0.95)
    assert sorted(table["model"].unique()) == ["*", "Finch"]
    own = table.filter(model="Finch")
    last = own.row(-1, named=True)
    assert (last["age_days"], last["n_at_risk"], last["n_failures"]) == (653, 9, 48)
    assert last["failures_per_vehicle"] == pytest.approx(1.542688, abs=1e-6)
    assert (last["low"], last["high"]) == pytest.approx((1.038286, 2.292129), abs=1e-6)
    same = [c for c in table.columns if c not in ("make", "model")]
    assert_frame_equal(own.select(same), table.filter(model="*").select(same))


def test_a_failure_on_the_day_the_window_found_the_vehicle_counts() -> None:
    table = recurrence(*tables({1: 900, 2: 900}, [(1, 400)], entry=400), 0.95)
    assert table.filter(model="Finch")["failures_per_vehicle"].to_list() == [0.5]


def test_a_curve_is_read_where_a_tenth_of_the_vehicles_and_ten_are_left() -> None:
    """Of 200 vehicles 20 are a tenth, the 20 of the longest observation: the one that ends first of them ends at 1905
    days. The steps just before it and the last one stay, however thin the curve is kept."""
    ends = {i: 10 * i + 5 for i in range(1, 201)} | {200: 3000}
    events = [(i, 10 * i) for i in range(1, 191)] + [(200, 1904), (200, 1906), (200, 2990)]
    table = recurrence(*tables(ends, [(i, age) for i, age in events]), 0.95).filter(model="*")
    assert table["read_to_days"].unique().to_list() == [10 * 181 + 5]
    assert table["age_days"].is_in([10 * 181, 2990]).sum() == 2
    few = recurrence(*tables({i: 500 + i for i in range(9)}, [(1, 100)]), 0.95)
    assert few["read_to_days"].to_list() == [None, None]
    ten = recurrence(*tables({i: 500 + i for i in range(10)}, [(1, 100)]), 0.95)
    assert ten["read_to_days"].to_list() == [500, 500]


@pytest.mark.parametrize(
    ("ends", "events"), [({}, []), ({1: 500}, []), ({1: 500}, [(2, 100)]), ({1: 500}, [(1, 800)])]
)
def test_nothing_seen_gives_no_rows(ends, events) -> None:
    table = recurrence(*tables(ends, events), 0.95)
    assert table.columns == list(RECURRENCE.column_names)
    assert table.is_empty()


def test_a_single_vehicle_has_no_bounds() -> None:
    row = recurrence(*tables({1: 500}, [(1, 100), (1, 300)]), 0.95).filter(model="Finch").row(-1, named=True)
    assert (row["failures_per_vehicle"], row["low"], row["high"]) == (2.0, None, None)
