"""How often the forecasts of a fleet of known truth hold what then happens, over many seeds.

Run by hand: `uv run python -m tests.benchmarks.cover_forecast [SEEDS] [VEHICLES]` (default 20 fleets of 4,000). Each
fleet is cut a year before its end: what was opened later is not shown, nor which vehicle leaves later. Counted are
the failures of the vehicles in service at the cut, model by component, and the parts that they take. Prints after
each fleet what has come together so far; asserts nothing.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.estimates import component_lives
from pipeline.settings import Settings
from pipeline.warehouse.models import run_models
from pipeline.warehouse.store import open_warehouse
from tests.benchmarks.false_flags import needed_models
from tests.end_to_end.test_known_fleet import WORLD
from tests.known_fleet import FROM_ON, TO_ON, Fleet, fill_core, make_fleet

CUT_ON = TO_ON - timedelta(days=365)
HORIZONS_DAYS = (90, 365)


def shown(fleet: Fleet, cut_on: date) -> Fleet:
    """What the records hold on the evening of a day."""
    vehicles = fleet.vehicles.filter(pl.col("in_service_on") <= cut_on).with_columns(
        out_of_service_on=pl.when(pl.col("out_of_service_on") <= cut_on).then("out_of_service_on")
    )
    jobs = fleet.jobs.filter(pl.col("opened_at").dt.date() <= cut_on).with_columns(
        closed_at=pl.when(pl.col("closed_at").dt.date() <= cut_on).then("closed_at")
    )
    return Fleet(vehicles, jobs)


def came(fleet: Fleet, cut_on: date, days: int) -> pl.DataFrame:
    """Failures, and parts taken, within so many days after the cut, of the vehicles in service then."""
    last = pl.col("out_of_service_on")
    there = fleet.vehicles.filter(pl.col("in_service_on") <= cut_on, last.is_null() | (last > cut_on))
    opened = pl.col("opened_at").dt.date()
    later = fleet.jobs.filter(opened > cut_on, opened <= cut_on + timedelta(days=days))
    counted = later.join(there.select("vehicle_id", "make", "model"), on="vehicle_id")
    return counted.group_by("make", "model", "component").agg(
        came=pl.len(), taken=(pl.col("action") == "replaced").sum()
    )


def held(seed: int, n_vehicles: int) -> pl.DataFrame:
    """One row per forecast of a fleet: whether its bounds, and its stock, held."""
    fleet = make_fleet(np.random.default_rng(seed), WORLD, n_vehicles)
    settings = Settings(from_on=FROM_ON, to_on=CUT_ON)
    with (
        tempfile.TemporaryDirectory() as place,
        open_warehouse(Path(place) / "w", read_only=False) as warehouse,
    ):
        fill_core(warehouse, shown(fleet, CUT_ON), settings)
        run_models(warehouse.con, needed_models())
        lives = component_lives(
            *(warehouse.table(f"tally.{n}") for n in ("unit_life_count", "unit_in_service", "failure_count")),
            settings.level,
            settings.stock_service_level,
        ).lives.filter(pl.col("model") != "*")
    parts = []
    for days in HORIZONS_DAYS:
        told = lives.join(came(fleet, CUT_ON, days), on=["make", "model", "component"], how="left")
        n, taken = pl.col("came").fill_null(0), pl.col("taken").fill_null(0)
        name = f"failures_next_{days}_days"
        parts.append(
            told.filter(pl.col(name).is_not_null()).select(
                "component",
                days=pl.lit(days),
                expected=pl.col(name),
                came=n,
                is_held=n.is_between(f"{name}_low", f"{name}_high"),
                is_above=n > pl.col(f"{name}_high"),
                lasts=taken <= pl.col(f"parts_for_{days}_days"),
            )
        )
    return pl.concat(parts)


def main(n_seeds: int, n_vehicles: int) -> None:
    rows = []
    for seed in range(n_seeds):
        rows.append(held(seed, n_vehicles))
        told = pl.concat(rows)
        for (days,), of in told.group_by("days", maintain_order=True):
            print(
                f"{seed + 1} fleets, {days} days: held {of['is_held'].mean():.3f}, above {of['is_above'].mean():.3f}"
                f" of {of.height}; stock lasts {of['lasts'].mean():.3f}; came {of['came'].sum()} of"
                f" {of['expected'].sum():.0f} expected",
                flush=True,
            )
    print(
        told.group_by("days", "component").agg(
            pl.col("is_held", "lasts").mean(), pl.col("came", "expected").sum()
        )
    )


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]]
    main(*(given + [20, 4000][len(given) :]))
