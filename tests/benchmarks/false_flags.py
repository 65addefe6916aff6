"""How often a fleet in which nothing is special raises a flag, from jobs to tables, over many fleets.

Run by hand: `uv run python -m tests.benchmarks.false_flags [FLEETS] [VEHICLES] [SHARE]` (default 100 fleets of 4,000
vehicles; a repair holds with a chance of SHARE, 0.9, at every shop). Prints the share of fleets with a flag, by table,
and for the failure rates also what it would be without the comebacks among the failures; asserts nothing.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.estimates import alarms, component_lives, failure_rates, first_time_fixes
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.warehouse.models import Model, load_models, run_models
from pipeline.warehouse.store import Warehouse, open_warehouse
from tests.known_fleet import FROM_ON, PARTS, TO_ON, World, fill_core, make_fleet

NEEDED = (
    "tally.failure_count",
    "tally.unit_life_count",
    "tally.unit_in_service",
    "tally.repair_follow_up",
)
SETTINGS = Settings(from_on=FROM_ON, to_on=TO_ON)


def needed_models() -> list[Model]:
    """The models that the flags rest on, and theirs in turn."""
    every = {model.full_name: model for model in load_models(carried("sql"))}
    kept: set[str] = set()
    todo = list(NEEDED)
    while todo:
        name = todo.pop()
        if name in every and name not in kept:
            kept.add(name)
            todo.extend(every[name].reads)
    return [every[name] for name in sorted(kept)]


def flags(warehouse: Warehouse) -> dict[str, int]:
    """Count the flags of one fleet, by table."""
    counts = warehouse.table("tally.failure_count")
    stretches = warehouse.table("tally.unit_life_count")
    first = counts.with_columns(n_failures=pl.col("n_failures") - pl.col("n_comebacks"))
    lives = component_lives(stretches, warehouse.table("tally.unit_in_service"), counts, 0.95, 0.95).lives
    charts = alarms(stretches, lives, FROM_ON, TO_ON, SETTINGS.alarm_chance, SETTINGS.alarm_ratio)
    fixes = first_time_fixes(warehouse.table("tally.repair_follow_up"), SETTINGS.follow_up_days, 0.95)
    is_beyond = pl.col("funnel").str.starts_with("beyond")
    return {
        "recurring": failure_rates(counts, 0.95)["is_recurring"].sum(),
        "recurring, comebacks left out": failure_rates(first, 0.95)["is_recurring"].sum(),
        "alarm": charts["is_signal"].sum(),
        "shop beyond the 99.8 % limits": fixes.filter(is_beyond, pl.col("by") == "shop").height,
    }


def main(n_fleets: int, n_vehicles: int, holds: float) -> None:
    world = World(PARTS, 8, (holds,) * 12)
    models = needed_models()
    found: dict[str, list[int]] = {}
    with tempfile.TemporaryDirectory() as place:
        for seed in range(n_fleets):
            path = Path(place) / f"{seed}.duckdb"
            with open_warehouse(path, read_only=False) as warehouse:
                fill_core(warehouse, make_fleet(np.random.default_rng(seed), world, n_vehicles), SETTINGS)
                run_models(warehouse.con, models)
                for name, n in flags(warehouse).items():
                    found.setdefault(name, []).append(n)
            path.unlink()
    for name, numbers in found.items():
        any_flag = np.array(numbers) > 0
        print(f"{name:32} in {any_flag.mean():6.1%} of {n_fleets} fleets, {sum(numbers)} flags")


if __name__ == "__main__":
    asked = [float(text) for text in sys.argv[1:]] + [100, 4000, 0.9][len(sys.argv) - 1 :]
    main(int(asked[0]), int(asked[1]), asked[2])
