"""How often the estimates of a fleet of known truth hold it, over many seeds.

Run by hand: `uv run python -m tests.benchmarks.cover_known_fleet [SEEDS] [VEHICLES]` (default 20 fleets of 4,000).
Prints after each fleet what has come together so far; asserts nothing.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from tests.end_to_end.test_known_fleet import WORLD, covered, estimated, flagged, shops_covered
from tests.known_fleet import true_first_time_fix

RAISED = ("Model 003", "vent_valve")


def main(n_seeds: int, n_vehicles: int) -> None:
    truth = true_first_time_fix(np.random.default_rng(1000), WORLD, 400_000)
    lives, shops, n_found, n_other, n_accused = [], [], 0, 0, 0
    for seed in range(n_seeds):
        with tempfile.TemporaryDirectory() as place:
            tables = estimated(Path(place), seed, n_vehicles)
        found = flagged(tables["mart.failure_rate"])
        n_found += RAISED in found
        n_other += any(pair != RAISED for pair in found)
        lives.append(covered(tables["mart.component_life"]))
        shops.append(shops_covered(tables["mart.first_time_fix"], truth))
        life, shop = pl.concat(lives), pl.concat(shops)
        n_accused = shop.filter((pl.col("group") != "S005") & (pl.col("funnel") == "beyond_below")).height
        pooled = pl.col("model") == "*"
        print(
            f"{seed + 1} fleets: raised pair flagged in {n_found}, another in {n_other};"
            f" models: shape {life.filter(~pooled)['shape'].mean():.3f}, scale"
            f" {life.filter(~pooled)['scale'].mean():.3f} of {life.filter(~pooled).height};"
            f" all models: shape {life.filter(pooled)['shape'].mean():.3f}, scale"
            f" {life.filter(pooled)['scale'].mean():.3f} of {life.filter(pooled).height};"
            f" shops {shop['is_covered'].mean():.3f} of {shop.height}, accused beyond the worst {n_accused}",
            flush=True,
        )


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]]
    main(*(given + [20, 4000][len(given) :]))
