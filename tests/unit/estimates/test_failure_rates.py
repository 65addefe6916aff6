"""`mart.failure_rate` from counts, against scipy and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline.contract.tables import FAILURE_RATE
from pipeline.estimates import failure_rates


def counts(*rows: tuple[str, str, int, int], **more: object) -> pl.DataFrame:
    """Rows of (model, component, failures, exposure in days)."""
    frame = pl.DataFrame(rows, schema=["model", "component", "n_failures", "exposure_days"], orient="row")
    return frame.with_columns(
        make=pl.lit("Arvo"),
        n_comebacks=pl.lit(0),
        n_vehicles=pl.lit(10),
        vehicle_km=pl.lit(more.get("km"), pl.Float64),
        n_vehicles_km=pl.lit(more.get("n_km", 0)),
        n_failures_km=pl.lit(more.get("failures_km"), pl.Int64),
    )


FLEET = counts(
    ("A", "vent_valve", 30, 200_000),
    ("B", "vent_valve", 4, 150_000),
    ("C", "vent_valve", 6, 180_000),
    ("A", "fuel_cap", 3, 200_000),
    ("B", "fuel_cap", 0, 150_000),
    ("C", "fuel_cap", 5, 180_000),
)


def row(frame: pl.DataFrame, model: str, component: str = "vent_valve") -> dict[str, object]:
    return frame.row(by_predicate=(pl.col("model") == model) & (pl.col("component") == component), named=True)


def test_the_table_has_the_columns_of_the_contract() -> None:
    assert tuple(failure_rates(FLEET, 0.95).columns) == FAILURE_RATE.column_names


def test_rate_and_garwood_bounds() -> None:
    # Garwood, Biometrika 28 (1936): chi-square quantiles over twice the exposure.
    got = row(failure_rates(FLEET, 0.95), "A")
    years = 200_000 / 365.25
    assert got["vehicle_years"] == pytest.approx(years, rel=1e-12)
    assert got["rate_per_1000_vehicle_years"] == pytest.approx(30_000 / years, rel=1e-12)
    assert got["low"] == pytest.approx(1000 * stats.chi2.ppf(0.025, 60) / 2 / years, rel=1e-9)
    assert got["high"] == pytest.approx(1000 * stats.chi2.ppf(0.975, 62) / 2 / years, rel=1e-9)


def test_each_model_is_tested_against_all_others_of_its_component() -> None:
    got = failure_rates(FLEET, 0.95)
    tested = {}
    for component, total in (("vent_valve", 40), ("fuel_cap", 8)):
        for model, days in (("A", 200_000), ("B", 150_000), ("C", 180_000)):
            x = row(got, model, component)["n_failures"]
            tested[model, component] = stats.binomtest(x, total, days / 530_000).pvalue
    q = dict(zip(tested, multipletests(list(tested.values()), method="fdr_bh")[1], strict=True))
    for key, p in tested.items():
        assert row(got, *key)["p_value"] == pytest.approx(p, rel=1e-9)
        assert row(got, *key)["q_value"] == pytest.approx(q[key], rel=1e-9)
    assert row(got, "A")["rate_ratio"] == pytest.approx((30 / 200_000) / (10 / 330_000))
    assert got.filter(pl.col("is_recurring"))["model"].to_list() == ["A"]


def test_fewer_failures_than_the_rest_are_not_recurring() -> None:
    got = failure_rates(counts(("A", "canister", 40, 1000), ("B", "canister", 1, 1000)), 0.95)
    assert row(got, "B", "canister")["q_value"] < 0.05
    assert row(got, "B", "canister")["is_recurring"] is False


def test_shrunk_rates_lie_between_the_raw_and_the_pooled_rate() -> None:
    got = failure_rates(FLEET, 0.95)
    pooled = 1000 * 40 / (530_000 / 365.25)
    for model in "ABC":
        r = row(got, model)
        near, far = sorted((r["rate_per_1000_vehicle_years"], pooled))
        assert near < r["shrunk_rate"] < far
        assert r["shrunk_low"] < r["shrunk_rate"] < r["shrunk_high"]


def test_a_model_without_exposure_has_counts_and_no_rate_and_is_no_part_of_the_rest() -> None:
    got = failure_rates(
        counts(("A", "wiring", 3, 1000), ("B", "wiring", 2, 1000), ("C", "wiring", 7, 0)), 0.95
    )
    none = row(got, "C", "wiring")
    assert (none["n_failures"], none["vehicle_years"]) == (7, 0.0)
    for name in (
        "rate_per_1000_vehicle_years",
        "low",
        "high",
        "shrunk_rate",
        "rate_ratio",
        "p_value",
        "q_value",
    ):
        assert none[name] is None
    assert none["is_recurring"] is False
    assert row(got, "A", "wiring")["rate_ratio"] == pytest.approx(1.5)


def test_a_ratio_without_failures_elsewhere_is_null_and_the_model_is_still_recurring() -> None:
    got = failure_rates(counts(("A", "canister", 20, 1000), ("B", "canister", 0, 1000)), 0.95)
    alone = row(got, "A", "canister")
    assert alone["rate_ratio"] is None
    assert alone["is_recurring"] is True
    assert row(got, "B", "canister")["rate_ratio"] == 0.0


def test_a_model_whose_repairs_come_back_does_not_stand_out_without_them() -> None:
    """30 failures where 15 were to be expected, 16 of them comebacks: the parts fail no more often than elsewhere."""
    frame = counts(("A", "canister", 30, 1000), ("B", "canister", 60, 4000), ("C", "canister", 60, 4000))
    frame = frame.with_columns(n_comebacks=pl.when(pl.col("model") == "A").then(16).otherwise(0))
    got = row(failure_rates(frame, 0.95), "A", "canister")
    assert got["is_recurring"] is True
    assert got["is_recurring_without_comebacks"] is False
    p = stats.binomtest(14, 14 + 120, 1 / 9).pvalue
    rest = stats.binomtest(60, 60 + 74, 4 / 9).pvalue
    q = stats.false_discovery_control([p, rest, rest])[0]
    assert got["q_value_without_comebacks"] == pytest.approx(q, rel=1e-9)


def test_a_single_model_is_not_compared() -> None:
    got = row(failure_rates(counts(("A", "canister", 20, 1000)), 0.95), "A", "canister")
    assert (got["rate_ratio"], got["p_value"], got["q_value"], got["is_recurring"]) == (
        None,
        None,
        None,
        False,
    )


def test_rate_by_distance_rests_on_the_vehicles_whose_distance_is_known() -> None:
    frame = counts(("A", "canister", 9, 1000), km=2.5e6, n_km=7, failures_km=4)
    got = row(failure_rates(frame, 0.95), "A", "canister")
    assert got["n_vehicles_km"] == 7
    assert got["rate_per_million_km"] == pytest.approx(1.6)
    assert got["low_per_million_km"] == pytest.approx(stats.chi2.ppf(0.025, 8) / 2 / 2.5, rel=1e-9)
    assert got["high_per_million_km"] == pytest.approx(stats.chi2.ppf(0.975, 10) / 2 / 2.5, rel=1e-9)
    unknown = row(failure_rates(counts(("A", "canister", 9, 1000)), 0.95), "A", "canister")
    assert (unknown["vehicle_km"], unknown["rate_per_million_km"]) == (None, None)


def test_no_failures_at_all_give_no_rows() -> None:
    got = failure_rates(FLEET.clear(), 0.95)
    assert got.height == 0
    assert tuple(got.columns) == FAILURE_RATE.column_names


def test_no_number_is_nan() -> None:
    got = failure_rates(FLEET, 0.95)
    numbers = [v for r in got.select(pl.col(pl.Float64)).rows() for v in r if v is not None]
    assert len(numbers) > 50
    assert not any(math.isnan(v) or math.isinf(v) for v in numbers)


def test_a_fleet_where_nothing_is_special_is_flagged_no_more_often_than_stated() -> None:
    """60 fleets of 12 models and 5 components, one rate for each component: any flag in at most 5 % of them.

    The stated rate is that of false discoveries; where all are false it is the chance of any.
    """
    rng = np.random.default_rng(41)
    n_flagged = 0
    for _ in range(60):
        size = rng.integers(60, 7500, 12)
        rates = 0.01 + 0.004 * np.arange(5)
        found = rng.poisson(size[:, None] * rates)
        rows = [
            (f"M{m}", f"c{c}", int(found[m, c]), int(size[m] * 365.25)) for m in range(12) for c in range(5)
        ]
        n_flagged += bool(failure_rates(counts(*rows), 0.95)["is_recurring"].any())
    assert n_flagged <= 0.05 * 60
