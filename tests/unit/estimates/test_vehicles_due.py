"""`mart.vehicle_due`: what the chance rests on, its value, the order of risk, and the advice."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from scipy.stats import lognorm

from pipeline.contract.tables import VEHICLE_DUE
from pipeline.estimates import after_clear, vehicles_due
from pipeline.estimates.after_clear import AfterClear
from pipeline.steps.model import ORDERS
from pipeline.warehouse.store import open_warehouse
from tests.unit.estimates.test_after_clear import counts

SCHEMA = {
    "vehicle_id": pl.String,
    "make": pl.String,
    "model": pl.String,
    "fleet_id": pl.String,
    "due_on": pl.Date,
    "as_of": pl.Date,
    "last_inspected_on": pl.Date,
    "last_verdict": pl.String,
    "evap_state": pl.String,
    "last_km_since_clear": pl.Float64,
    "cleared_on": pl.Date,
    "km_per_day": pl.Float64,
    "is_own_distance": pl.Boolean,
    "is_lamp_on": pl.Boolean,
    "open_faults": pl.List(pl.String),
}
USUAL = {
    "make": "Arvo",
    "model": "Finch",
    "due_on": date(2024, 1, 31),
    "as_of": date(2024, 1, 1),
    "last_inspected_on": date(2024, 1, 1),
    "last_verdict": "pass",
    "evap_state": "complete",
    "last_km_since_clear": 100.0,
    "km_per_day": 10.0,
    "is_own_distance": True,
    "is_lamp_on": False,
    "open_faults": [],
}
ARRIVALS = pl.DataFrame(
    {
        "make": ["Arvo"],
        "model": ["Finch"],
        "monitor": ["evap"],
        "n_inspections": [400],
        "not_ready_rate": [0.1],
        "low": [0.07],
        "high": [0.13],
    }
)


@pytest.fixture(scope="module")
def after() -> AfterClear:
    """A model whose median is 190 km and sigma 0.8, in 4000 looks; a second one beside it."""
    return after_clear(counts({"Finch": 4000, "Wren": 4000}), 0.95)


def listed(after: AfterClear, *given: dict[str, Any]) -> pl.DataFrame:
    states = [{"vehicle_id": f"V{i}", **USUAL, **row} for i, row in enumerate(given)]
    return vehicles_due(pl.DataFrame(states, schema=SCHEMA), ARRIVALS, after, 0.95)


def share(km: float) -> float:
    """The truth of the simulated model."""
    return float(lognorm.cdf(km, 0.8, scale=190.0))


def test_a_vehicle_seen_not_complete_is_judged_by_what_it_has_driven_since(after: AfterClear) -> None:
    """Not complete at 100 km, 30 days at 10 km: 1 - (1 - F(400)) / (1 - F(100))."""
    row = listed(after, {"evap_state": "not_complete"}).row(0, named=True)
    assert (row["basis"], row["km_at_due"]) == ("driven_on", 400.0)
    truth = 1 - (1 - share(400)) / (1 - share(100))
    assert row["chance_ready"] == pytest.approx(truth, abs=0.04)
    assert row["chance_low"] < row["chance_ready"] < row["chance_high"]
    assert row["n_behind"] == 4000
    assert row["advice"].startswith("Drive about")


def test_a_repair_since_the_last_inspection_starts_the_distance_anew(after: AfterClear) -> None:
    """Cleared 20 days before the date, 10 km a day."""
    row = listed(after, {"cleared_on": date(2024, 1, 11)}).row(0, named=True)
    assert (row["basis"], row["km_at_due"]) == ("cleared", 200.0)
    assert row["chance_ready"] == pytest.approx(share(200), abs=0.04)


def test_a_repaired_vehicle_is_told_no_better_chance_than_one_that_needed_none(after: AfterClear) -> None:
    """After 3800 km the curve of cleared vehicles is near 1; 1 in 10 of the model arrives not complete all the same."""
    row = listed(after, {"cleared_on": date(2023, 1, 16)}).row(0, named=True)
    assert (row["basis"], row["km_at_due"]) == ("cleared", 3800.0)
    assert (row["chance_ready"], row["chance_low"]) == (pytest.approx(0.9), pytest.approx(0.87))
    assert row["chance_high"] == pytest.approx(0.93)
    assert row["n_behind"] == 400


def test_what_nobody_can_drive_before_the_date_is_not_advised(after: AfterClear) -> None:
    """Three days left, some 490 km to the share of 90 %: 250 km a day are possible, one day is too short."""
    three, one = (
        listed(after, {"cleared_on": date(2023, 12, 31), "due_on": date(2024, 1, day)}).row(0, named=True)[
            "advice"
        ]
        for day in (4, 2)
    )
    assert three.startswith("Drive about ")
    assert one.startswith("Read the monitors before the date, or ask for a later date: about ")


def test_a_vehicle_with_nothing_against_it_has_the_share_of_its_model(after: AfterClear) -> None:
    """1 - not-ready rate, with its bounds turned about."""
    row = listed(after, {}).row(0, named=True)
    assert (row["basis"], row["chance_ready"]) == ("arrivals", pytest.approx(0.9))
    assert (row["chance_low"], row["chance_high"]) == (pytest.approx(0.87), pytest.approx(0.93))
    assert row["advice"] == "Nothing is known against it."


def test_faults_come_first_then_overdue_then_the_smaller_chance(after: AfterClear, tmp_path: Path) -> None:
    """The manager's order, as the warehouse ranks what it writes."""
    told = listed(
        after,
        {},
        {"evap_state": "not_complete"},
        {"due_on": date(2023, 12, 1)},
        {"open_faults": ["job J1 is open (purge_valve)"]},
        {"is_lamp_on": True, "due_on": date(2024, 1, 5)},
        {"due_on": None},
    )
    with open_warehouse(tmp_path / "warehouse.duckdb", read_only=False) as warehouse:
        warehouse.write(VEHICLE_DUE, [told[3:], told[:3]], ORDERS[VEHICLE_DUE.full_name])
        frame = warehouse.table(VEHICLE_DUE.full_name)
    assert frame["rank"].to_list() == [1, 2, 3, 4, 5, 6]
    assert frame["vehicle_id"].to_list() == ["V4", "V3", "V2", "V1", "V0", "V5"]
    by_id = {r["vehicle_id"]: r for r in frame.to_dicts()}
    assert by_id["V3"]["advice"] == "Repair first: job J1 is open (purge_valve)."
    assert by_id["V2"]["advice"].startswith("Overdue. ")
    assert by_id["V5"]["reason"] == "no due date in the register"
    assert by_id["V5"]["chance_ready"] is None


def test_a_monitor_that_never_runs_wants_a_look_and_not_more_distance(after: AfterClear) -> None:
    """Not complete at 9000 km, where nearly all of the model are."""
    row = listed(after, {"evap_state": "not_complete", "last_km_since_clear": 9000.0}).row(0, named=True)
    assert row["advice"].startswith("Find out why the EVAP monitor does not run: not complete 9000 km")


@pytest.mark.parametrize("missing", ["km_per_day", "last_km_since_clear"])
def test_an_unknown_distance_gives_no_chance_and_says_so(after: AfterClear, missing: str) -> None:
    """Null with a reason, never a filler."""
    row = listed(after, {"evap_state": "not_complete", missing: None}).row(0, named=True)
    assert row["chance_ready"] is None
    assert "is not known" in row["reason"]


def test_without_any_inspection_there_is_a_list_and_no_chance() -> None:
    """No curve, no arrivals: every vehicle is listed with its reason."""
    nothing = after_clear(counts({}).head(0), 0.95)
    states = pl.DataFrame([{"vehicle_id": "V1", **USUAL, "evap_state": "not_complete"}], schema=SCHEMA)
    row = vehicles_due(states, ARRIVALS.head(0), nothing, 0.95).row(0, named=True)
    assert row["chance_ready"] is None
    assert row["reason"]


def test_who_is_overdue_is_not_told_to_act_before_a_date_that_is_past(after: AfterClear) -> None:
    """The date is gone: what is to be done comes before the visit."""
    past = {"due_on": date(2023, 12, 1), "evap_state": "not_complete"}
    told = listed(after, past, past | {"km_per_day": None})["advice"].to_list()
    assert told[0].startswith("Overdue. Drive about ")
    assert told[1] == "Overdue. Read the monitors before you go: too little is known."
    assert not any("before the date" in advice for advice in told)


def test_a_vehicle_cleared_by_a_repair_is_not_said_to_have_been_seen_not_complete(after: AfterClear) -> None:
    """Its model has no distance at which 90 % are ready, and its last inspection found the monitor complete."""
    unreached = after._replace(evap=after.evap.with_columns(pooled_km_90=pl.lit(None, pl.Float64)))
    row = listed(unreached, {"cleared_on": date(2024, 1, 28)}).row(0, named=True)
    assert (row["basis"], row["evap_state"]) == ("cleared", "complete")
    assert row["chance_ready"] < 0.9
    assert row["advice"] == (
        "Read the monitors before the date: a repair cleared the codes, and the EVAP monitor may not have run since."
    )
