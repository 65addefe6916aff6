"""The smallest and strangest fleets through every model, estimate and check: nulls and a reason, no exception."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, datetime, timedelta

import polars as pl
import pytest

from pipeline.contract.tables import MARTS
from pipeline.estimates import estimate_all
from pipeline.settings import Settings
from tests.unit.sql.conftest import GivenRows, at

#: Tables whose `reason` speaks of these numbers: a row without the number says why.
EXPLAINED = {
    "mart.failure_rate": ("rate_per_1000_vehicle_years", "rate_ratio", "rate_per_million_km"),
    "mart.failure_split": ("rate_ratio",),
    "mart.replacement_unit": ("rate_ratio",),
    "mart.first_time_fix": ("low", "first_time_fix_naive"),
    "mart.component_life": ("weibull_shape", "weibull_scale_years", "failures_next_90_days"),
    "mart.leak_size": ("median_mm", "share_over_0_5_mm", "share_over_1_0_mm"),
    "mart.proof_worth": ("hazard_ratio",),
}


def vehicles(n: int, **more: object) -> list[dict[str, object]]:
    return [{"vehicle_id": f"V{i}"} | more for i in range(n)]


def job(
    number: int, vehicle: int, opened: datetime, days: float | None = 1, **more: object
) -> dict[str, object]:
    closed = None if days is None else opened + timedelta(days=days)
    names = {"job_id": f"J{number}", "vehicle_id": f"V{vehicle}"}
    return names | {"opened_at": opened, "closed_at": closed} | more


DAY = at("2023-05-01T09:00")

FLEETS: dict[str, tuple[list[dict[str, object]], list[dict[str, object]]]] = {
    "no jobs": (vehicles(3), []),
    "no vehicles and no jobs": ([], []),
    "nothing was repaired": (vehicles(3), [job(i, i, DAY, action="none") for i in range(3)]),
    "nothing was found": (vehicles(3), [job(i, i, DAY, component="none_found") for i in range(3)]),
    "one vehicle, one failure": (vehicles(1), [job(0, 0, DAY)]),
    "one vehicle that fails every month": (
        vehicles(1),
        [job(i, 0, DAY + timedelta(days=30 * i)) for i in range(8)],
    ),
    "everything on one instant": (vehicles(20), [job(i, i, DAY, 0) for i in range(20)]),
    "everything on one instant of one vehicle": (vehicles(1), [job(i, 0, DAY, 0) for i in range(9)]),
    "on the day each vehicle went into service": (
        vehicles(5, in_service_on=date(2023, 5, 1)),
        [job(i, i, DAY) for i in range(5)],
    ),
    "zero exposure: in service after the window": (
        vehicles(5, in_service_on=date(2024, 6, 1)),
        [job(i, i, DAY) for i in range(5)],
    ),
    "zero exposure: out of service before the window": (
        vehicles(5, out_of_service_on=date(2020, 6, 1)),
        [job(i, i, DAY) for i in range(5)],
    ),
    "no job ever closed": (vehicles(5), [job(i, i, DAY, None) for i in range(5)]),
    "closed on the last day: every repair censored": (
        vehicles(5),
        [job(i, i, at("2023-12-30T09:00")) for i in range(5)],
    ),
    "every repair comes back": (
        vehicles(6),
        [job(2 * i + k, i, DAY + timedelta(days=20 * k)) for i in range(6) for k in range(2)],
    ),
    "two models, each with its own part": (
        [v | {"model": f"Finch {i % 2}"} for i, v in enumerate(vehicles(8))],
        [job(i, i, DAY, component=("fuel_cap", "wiring")[i % 2]) for i in range(8)],
    ),
}


#: Fleets in which something does stand out: twenty failures in one month after none, all failures at one age.
STAND_OUT = (
    "everything on one instant",
    "on the day each vehicle went into service",
    "two models, each with its own part",
)


@pytest.fixture(params=FLEETS, ids=str, scope="module")
def modeled(request: pytest.FixtureRequest) -> Iterator[tuple[str, GivenRows, dict[str, pl.DataFrame]]]:
    given = GivenRows()
    of_vehicles, of_jobs = FLEETS[request.param]
    for kind, rows in (("vehicles", of_vehicles), ("jobs", of_jobs)):
        if rows:
            given.add(kind, *rows)
    given.run()
    tables = estimate_all(given.warehouse.table, Settings())
    for table in MARTS:
        if table.full_name in tables:
            given.warehouse.write(table, tables[table.full_name])
    yield request.param, given, tables
    given.con.close()


def test_every_number_is_one_or_missing_with_a_reason(modeled) -> None:
    """No infinite or invented number, no negative count, bounds around their value, and all checks hold."""
    _, given, tables = modeled
    for name, table in tables.items():
        for column in table.select(pl.col(pl.Float64)):
            assert all(math.isfinite(x) for x in column.drop_nulls()), (name, column.name)
        for column in table.select("^n_.*$"):
            assert all(x >= 0 for x in column.drop_nulls()), (name, column.name)
    for name, columns in EXPLAINED.items():
        for column in columns:
            silent = tables[name].filter(pl.col(column).is_null() & pl.col("reason").is_null())
            assert silent.is_empty(), (name, column)
    assert [r.sentence() for r in given.check().values() if r.must_stop] == []


def test_too_little_accuses_nobody(modeled) -> None:
    """A handful of vehicles raises no flag on a model, a shop or a month, unless what it shows is flagrant."""
    fleet, _, tables = modeled
    signals = tables["mart.alarms"]["is_signal"].any()
    patterns = set(tables["mart.component_life"]["pattern"].drop_nulls()) - {"unclear", "random"}
    assert tables["mart.first_time_fix"].filter(pl.col("funnel").str.starts_with("beyond")).is_empty()
    assert (signals or bool(patterns)) == (fleet in STAND_OUT)
