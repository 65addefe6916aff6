"""`mart.failure_split`: a model year, or a fleet, against the rest of its model at the same ages."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.contract.tables import FAILURE_SPLIT
from pipeline.contract.vocabulary import DAYS_PER_YEAR
from pipeline.estimates import failure_splits

YEARS, FLEETS, AGES = (2018, 2019, 2020), ("coast", "valley", None), range(4)


def lived(models: tuple[str, ...] = ("A", "B"), days: int = 20_000) -> pl.DataFrame:
    rows = [
        ("Arvo", model, year, fleet, age, 15 if age == 0 else 0, days)
        for model in models
        for year in YEARS
        for fleet in FLEETS
        for age in AGES
    ]
    names = ["make", "model", "model_year", "fleet_id", "age_year", "n_vehicles", "exposure_days"]
    return pl.DataFrame(rows, schema=names, orient="row")


def failing(exposure: pl.DataFrame, rate: pl.Expr, seed: int = 1) -> pl.DataFrame:
    """Draw failures of a vent valve at `rate` [per vehicle-year]."""
    mean = exposure.select(rate * pl.col("exposure_days") / DAYS_PER_YEAR).to_series().to_numpy()
    drawn = exposure.with_columns(
        component=pl.lit("vent_valve"), n_failures=np.random.default_rng(seed).poisson(mean)
    )
    return drawn.filter(pl.col("n_failures") > 0).drop("n_vehicles", "exposure_days")


def named(table: pl.DataFrame) -> list[tuple[object, ...]]:
    return table.filter("stands_out").select("by", "model", "group").rows()


def test_a_bad_model_year_of_one_model_is_named_and_nothing_else() -> None:
    exposure = lived()
    bad = (pl.col("model") == "A") & (pl.col("model_year") == 2020)
    found = failure_splits(exposure, failing(exposure, pl.when(bad).then(0.2).otherwise(0.05)), 0.95)
    assert tuple(found.columns) == FAILURE_SPLIT.column_names
    assert named(found) == [("model_year", "A", "2020")]
    row = found.filter("stands_out").row(0, named=True)
    assert row["rate_ratio_low"] <= 4 <= row["rate_ratio_high"]
    assert row["n_failures_compared"] / row["failures_expected"] == pytest.approx(row["rate_ratio"])
    assert row["vehicle_years"] == pytest.approx(12 * 20_000 / DAYS_PER_YEAR)
    assert row["n_vehicles"] == 45


def test_a_fleet_in_which_every_model_fails_a_little_more_is_found_over_all_models() -> None:
    """Each model alone would not show it."""
    exposure = lived(("A", "B", "C", "D", "E", "F"), 4000)
    rate = pl.when(pl.col("fleet_id") == "coast").then(0.12).otherwise(0.05)
    found = failure_splits(exposure, failing(exposure, rate), 0.95)
    assert ("fleet", "*", "coast") in named(found)
    pooled = found.filter(make="*", group="coast").row(0, named=True)
    assert (
        pooled["n_failures"]
        == found.filter(by="fleet", group="coast").filter(pl.col("make") != "*")["n_failures"].sum()
    )
    assert found.filter(by="model_year", make="*").is_empty()


def test_older_vehicles_that_fail_more_accuse_no_model_year() -> None:
    """Wear alone: the older model year is seen at higher ages, and fails more in all."""
    exposure = lived().filter(pl.col("age_year") + pl.col("model_year") - 2018 < 4)
    exposure = exposure.filter((pl.col("age_year") > 1) | (pl.col("model_year") != 2018))
    found = failure_splits(exposure, failing(exposure, 0.02 * 3.0 ** pl.col("age_year")), 0.95)
    rates = found.filter(by="model_year", model="A").sort("group")["rate_per_1000_vehicle_years"]
    assert rates[0] > 3 * rates[2]
    assert named(found.filter(by="model_year")) == []


def test_vehicles_without_a_fleet_are_on_neither_side_and_counted() -> None:
    exposure = lived(("A",))
    nobody = pl.when(pl.col("fleet_id").is_null()).then(3.0).otherwise(0.05)
    found = failure_splits(exposure, failing(exposure, nobody), 0.95).filter(by="fleet")
    assert set(found["group"]) == {"coast", "valley"}
    assert set(found["n_vehicles_left_out"]) == {45}
    assert named(found) == []
    assert found["failures_expected"].max() < 60


def test_q_is_corrected_over_all_rows_of_one_split() -> None:
    exposure = lived()
    found = failure_splits(exposure, failing(exposure, pl.lit(0.05)), 0.95)
    for of in (
        pl.col("by") == "model_year",
        (pl.col("by") == "fleet") & (pl.col("make") != "*"),
        (pl.col("by") == "fleet") & (pl.col("make") == "*"),
    ):
        rows = found.filter(of)
        q = stats.false_discovery_control(rows["p_value"].to_numpy())
        assert rows["q_value"].to_numpy() == pytest.approx(q)


def test_what_cannot_be_compared_says_why() -> None:
    exposure = lived(("A",)).filter(pl.col("model_year") == 2018, pl.col("fleet_id") == "coast")
    found = failure_splits(exposure, failing(exposure, pl.lit(0.2)), 0.95)
    assert found["p_value"].is_null().all()
    assert (
        found["reason"].to_list()
        == ["rate_ratio: no failure at an age at which this group and another of the model were in service"]
        * found.height
    )
    empty = failure_splits(lived().clear(), failing(lived(), pl.lit(0.2)).clear(), 0.95)
    assert empty.is_empty()


def test_ordinary_fleets_are_accused_no_more_often_than_three_corrections_at_5_percent_allow() -> None:
    """Model years, fleets of a model, fleets over all models: each has a chance of 5 % to name anybody at all."""
    exposure = lived(("A", "B", "C", "D"))
    accused = sum(
        bool(named(failure_splits(exposure, failing(exposure, pl.lit(0.06), seed), 0.95)))
        for seed in range(100)
    )
    assert accused <= 15


def test_the_order_of_the_counts_changes_no_digit() -> None:
    """Threads hand them on as they come; two runs of one lake give the same bytes."""
    exposure = lived(days=19_997)
    failures = failing(exposure, pl.lit(0.07))
    first = failure_splits(exposure, failures, 0.95)
    for seed in range(5):
        shuffled = (frame.sample(fraction=1.0, shuffle=True, seed=seed) for frame in (exposure, failures))
        again = failure_splits(*shuffled, 0.95)
        assert again.equals(first)
