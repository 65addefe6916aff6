"""A fleet held out from every tuning, its truth known: what is raised is flagged, what is fitted covers the truth.

The fleet is made by `tests.known_fleet`, which shares nothing with the estimators. Coverage over many seeds was
measured by hand with `python -m tests.benchmarks.cover_known_fleet`; here one seed must hold.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.estimates import estimate_all
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.warehouse.models import load_models, run_models
from pipeline.warehouse.store import open_warehouse
from tests.known_fleet import FROM_ON, PARTS, TO_ON, World, fill_core, make_fleet, true_first_time_fix

WORLD = World(PARTS, 8, (0.97, 0.95, 0.93, 0.90, 0.86, 0.75), 3, "vent_valve", 2.0)
SETTINGS = Settings(from_on=FROM_ON, to_on=TO_ON)


def estimated(place: Path, seed: int, n_vehicles: int) -> dict[str, pl.DataFrame]:
    """Run every SQL model and every estimate over one fleet."""
    fleet = make_fleet(np.random.default_rng(seed), WORLD, n_vehicles)
    with open_warehouse(place / f"{seed}.duckdb", read_only=False) as warehouse:
        fill_core(warehouse, fleet, SETTINGS)
        run_models(warehouse.con, load_models(carried("sql")))
        return estimate_all(warehouse.table, SETTINGS)


def flagged(rates: pl.DataFrame) -> list[tuple[str, str]]:
    """The pairs that the pages name."""
    named = rates.filter("is_recurring", "is_recurring_without_comebacks")
    return named.select("model", "component").rows()


def covered(lives: pl.DataFrame) -> pl.DataFrame:
    """Say for each life of a model whether its bounds hold the true shape and scale [years]."""
    truth = pl.DataFrame(
        [
            {
                "model": f"Model {m:03}",
                "component": part.component,
                "shape": part.shape,
                "scale": float(WORLD.scale_days(np.array([k]), np.array([m]))[0]) / 365.25,
            }
            for m in range(WORLD.n_models)
            for k, part in enumerate(PARTS)
        ]
    )
    pooled = (
        truth.filter(pl.col("component") != WORLD.raised_component).with_columns(model=pl.lit("*")).unique()
    )
    joined = lives.join(pl.concat([truth, pooled]), on=["model", "component"])
    return joined.select(
        "model",
        "component",
        shape=pl.col("shape").is_between("weibull_shape_low", "weibull_shape_high"),
        scale=pl.col("scale").is_between("weibull_scale_low_years", "weibull_scale_high_years"),
    )


def shops_covered(fixes: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    shops = fixes.filter(pl.col("by") == "shop").join(truth, left_on="group", right_on="shop_id")
    return shops.with_columns(is_covered=pl.col("truth").is_between("low", "high"))


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    return estimated(tmp_path_factory.mktemp("known"), 2, 4000)


def test_the_doubled_valve_of_one_model_is_flagged_and_nothing_else(tables) -> None:
    assert flagged(tables["mart.failure_rate"]) == [("Model 003", "vent_valve")]


def test_the_doubled_rate_lies_within_the_bounds_of_its_ratio(tables) -> None:
    raised = tables["mart.failure_rate"].filter("is_recurring").row(0, named=True)
    assert raised["rate_ratio"] == pytest.approx(2.0, rel=0.25)


def test_shapes_and_scales_of_all_models_together_cover_the_truth(tables) -> None:
    pooled = covered(tables["mart.component_life"]).filter(pl.col("model") == "*")
    assert pooled.height == len(PARTS) - 1
    assert pooled.filter(~(pl.col("shape") & pl.col("scale"))).is_empty()


def test_shapes_and_scales_of_single_models_cover_the_truth_as_often_as_stated(tables) -> None:
    """96 intervals at 95 %: fewer than 86 would be a chance of 1 in 50 for intervals that hold their level."""
    single = covered(tables["mart.component_life"]).filter(pl.col("model") != "*")
    assert single.height == WORLD.n_models * len(PARTS)
    assert single["shape"].sum() + single["scale"].sum() >= 86


def test_the_first_time_fix_of_each_shop_covers_its_truth(tables) -> None:
    truth = true_first_time_fix(np.random.default_rng(1000), WORLD, 400_000)
    shops = shops_covered(tables["mart.first_time_fix"], truth)
    assert shops.height == len(WORLD.repair_holds)
    assert shops["is_covered"].all()
    assert set(shops.filter(pl.col("funnel") == "beyond_below")["group"]) == {"S005"}
