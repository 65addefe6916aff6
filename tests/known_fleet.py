"""Fleets whose truth is known, made by a process of their own: units wear, fail, are repaired, and some repairs fail.

Nothing here is shared with `pipeline.simulate`, and no estimator was tuned on it. A component of a vehicle has
Weibull life; a job opens when it fails and closes up to three days later; a replacement starts a new unit, any
other action leaves the unit as old as it was; a repair that fails comes back within the follow-up window.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.contract.tables import TRACE_RESULT
from pipeline.settings import Settings
from pipeline.steps.judge import JUDGED_COLUMNS
from pipeline.steps.model import prepare
from pipeline.warehouse.store import Warehouse, kind_columns

FROM_ON, TO_ON = date(2022, 1, 1), date(2024, 12, 31)
DAYS_PER_YEAR = 365.25
#: Days after the repair that failed within which it shows: exponential, mean 25, never beyond 80.
RETURN_MEAN_DAYS, RETURN_MOST_DAYS = 25.0, 80.0


@dataclass(frozen=True)
class Part:
    """Life of one component: Weibull shape [1] and scale [years], share of repairs that replace it [1]."""

    component: str
    shape: float
    scale_years: float
    replaced: float = 0.7


#: Six parts of known life: wear, chance and both kinds of repair.
PARTS = (
    Part("vent_valve", 1.8, 11.0, 0.9),
    Part("purge_valve", 1.0, 13.0, 0.8),
    Part("canister", 2.6, 13.0, 0.9),
    Part("tank_seal", 2.2, 14.0, 0.0),
    Part("fuel_cap", 1.0, 16.0, 0.6),
    Part("vapor_line", 1.4, 15.0, 0.3),
)


@dataclass(frozen=True)
class World:
    """What is true: parts, models, shops with their chance that a repair holds, and one raised hazard."""

    parts: tuple[Part, ...]
    n_models: int
    repair_holds: tuple[float, ...]
    raised_model: int | None = None
    raised_component: str = ""
    ratio: float = 1.0

    def scale_days(self, part: np.ndarray, model: np.ndarray) -> np.ndarray:
        """Scale [days] of each unit: a hazard raised by `ratio` is a scale shortened by ratio^(-1/shape)."""
        shapes = np.array([p.shape for p in self.parts])
        scales = np.array([p.scale_years for p in self.parts]) * DAYS_PER_YEAR
        names = np.array([p.component for p in self.parts])
        is_raised = (names[part] == self.raised_component) & (model == self.raised_model)
        return scales[part] * np.where(is_raised, self.ratio ** (-1 / shapes[part]), 1.0)


@dataclass(frozen=True)
class Fleet:
    """Rows of core.vehicles and core.jobs."""

    vehicles: pl.DataFrame
    jobs: pl.DataFrame


def _day(on: date) -> int:
    return (on - date(1970, 1, 1)).days


def make_fleet(
    rng: np.random.Generator, world: World, n_vehicles: int, years_of_sales: float = 12.0
) -> Fleet:
    """Make a fleet sold evenly over the years before TO_ON, with every job since each vehicle's first day."""
    last = _day(TO_ON)
    model = rng.integers(0, world.n_models, n_vehicles)
    sold = rng.integers(last - int(years_of_sales * DAYS_PER_YEAR), last - 30, n_vehicles)
    leaves = sold + rng.exponential(30 * DAYS_PER_YEAR, n_vehicles).astype(int)
    n_parts = len(world.parts)
    vehicle, part = np.repeat(np.arange(n_vehicles), n_parts), np.tile(np.arange(n_parts), n_vehicles)
    until = np.minimum(leaves, last)[vehicle] + 0.99
    rounds = list(_lives(rng, world, vehicle, part, model[vehicle], sold[vehicle].astype(float), until))
    jobs = {name: np.concatenate([r[name] for r in rounds]) for name in rounds[0]}
    return Fleet(_vehicles(model, sold, leaves, last), _jobs(rng, world, jobs))


def _lives(rng, world, vehicle, part, model, born, until):
    """Yield the jobs of every unit's first failure, then its second, until all are beyond their time."""
    shapes, replaced = np.array([(p.shape, p.replaced) for p in world.parts]).T
    holds = np.array(world.repair_holds)
    at, failed = born.copy(), np.zeros(len(born), bool)
    while len(vehicle):
        shape, scale = shapes[part], world.scale_days(part, model)
        opened = born + scale * (((at - born) / scale) ** shape + rng.exponential(size=len(at))) ** (
            1 / shape
        )
        soon = at + np.minimum(rng.exponential(RETURN_MEAN_DAYS, len(at)), RETURN_MOST_DAYS)
        opened = np.where(failed, np.minimum(soon, opened), opened)
        seen = opened < until
        vehicle, part, model, born, until, opened = (
            a[seen] for a in (vehicle, part, model, born, until, opened)
        )
        closed = opened + rng.uniform(0.05, 3.0, len(opened))
        shop = (vehicle + (rng.random(len(vehicle)) < 0.3) * rng.integers(0, len(holds), len(vehicle))) % len(
            holds
        )
        is_new = rng.random(len(vehicle)) < replaced[part]
        failed = rng.random(len(vehicle)) > holds[shop]
        yield {
            "vehicle": vehicle,
            "part": part,
            "opened": opened,
            "closed": closed,
            "shop": shop,
            "new": is_new,
        }
        born, at = np.where(is_new, closed, born), closed


def _instants(days: np.ndarray) -> pl.Series:
    micros = (days * 86_400_000_000).astype(np.int64)
    return pl.Series(micros).cast(pl.Datetime("us", "UTC"))


def _dates(days: np.ndarray) -> pl.Series:
    return pl.Series(days.astype(np.int32)).cast(pl.Date)


def _vehicles(model, sold, leaves, last) -> pl.DataFrame:
    n = len(model)
    frame = pl.DataFrame(
        {
            "vehicle_id": [f"V{i:07}" for i in range(n)],
            "make": [f"Make {m % 7}" for m in model],
            "model": [f"Model {m:03}" for m in model],
            "in_service_on": _dates(sold),
            "out_of_service_on": _dates(np.where(leaves <= last, leaves, 0)),
        }
    )
    year = pl.col("in_service_on").dt.year().cast(pl.Int64)
    out = pl.col("out_of_service_on")
    return frame.with_columns(
        year.alias("model_year"), pl.when(out > date(1970, 1, 1)).then(out).alias("out_of_service_on")
    )


def _jobs(rng, world, jobs) -> pl.DataFrame:
    n = len(jobs["vehicle"])
    order = np.argsort(jobs["opened"], kind="stable")
    jobs = {name: values[order] for name, values in jobs.items()}
    vehicles = pl.Series([f"V{i:07}" for i in range(int(jobs["vehicle"].max()) + 1)])
    names = pl.Series([p.component for p in world.parts])
    shops = pl.Series([f"S{i:03}" for i in range(len(world.repair_holds))])
    other = np.where(rng.random(n) < 0.5, "repaired", "cleaned")
    return pl.DataFrame(
        {
            "job_id": pl.int_range(n, eager=True).cast(pl.String).str.zfill(8),
            "shop_id": shops.gather(jobs["shop"]),
            "technician_id": shops.gather(jobs["shop"])
            + "-"
            + pl.Series(rng.integers(0, 5, n)).cast(pl.String),
            "vehicle_id": vehicles.gather(jobs["vehicle"]),
            "opened_at": _instants(jobs["opened"]),
            "closed_at": _instants(jobs["closed"]),
            "component": names.gather(jobs["part"]),
            "action": np.where(jobs["new"], "replaced", other),
        }
    )


def fill_core(warehouse: Warehouse, fleet: Fleet, settings: Settings) -> None:
    """Put a fleet into core.*, with no recording and no inspection, and prepare the window and settings."""
    for name in ("vehicles", "jobs", "traces", "inspections"):
        more = JUDGED_COLUMNS if name == "inspections" else ()
        warehouse.create(f"core.{name}", kind_columns(ALL_KINDS[name], *more))
    warehouse.append("core.vehicles", fleet.vehicles)
    warehouse.append("core.jobs", fleet.jobs)
    warehouse.write(TRACE_RESULT, pl.DataFrame(schema=dict.fromkeys(TRACE_RESULT.column_names, pl.String)))
    prepare(warehouse, settings)


def true_first_time_fix(
    rng: np.random.Generator, world: World, n_vehicles: int, follow_up_days: int = 90
) -> pl.DataFrame:
    """Share of repairs that no job of the same vehicle follows within the window, by shop, from a fleet of its own.

    Every repair counted was followed to the end of its window, on a vehicle that stayed in service: nothing is
    estimated, the share is counted. A job opened before a repair was closed is part of the same visit and no comeback.
    """
    fleet = make_fleet(rng, world, n_vehicles)
    later = fleet.jobs.select("vehicle_id", next_at="opened_at").sort("next_at")
    followed = (
        fleet.jobs.join(fleet.vehicles.select("vehicle_id", "out_of_service_on"), on="vehicle_id")
        .with_columns(last=pl.min_horizontal(pl.col("out_of_service_on").fill_null(TO_ON), pl.lit(TO_ON)))
        .filter(
            pl.col("closed_at").dt.date() >= FROM_ON,
            pl.col("closed_at").dt.date() <= pl.col("last") - pl.duration(days=follow_up_days),
        )
        .sort("closed_at")
        .join_asof(
            later,
            left_on="closed_at",
            right_on="next_at",
            by="vehicle_id",
            strategy="forward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
    )
    days = (pl.col("next_at").dt.date() - pl.col("closed_at").dt.date()).dt.total_days()
    held = days.is_null() | (days > follow_up_days)
    return followed.group_by("shop_id").agg(truth=held.mean(), n_truth=pl.len()).sort("shop_id")
