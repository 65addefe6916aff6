"""`mart.proof_worth`: against statsmodels, with truth by simulation, and on degenerate input."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest
from statsmodels.duration.hazard_regression import PHReg

from pipeline.contract.tables import PROOF_CURVE, PROOF_WORTH
from pipeline.estimates import proof_worth

NO_COSTS = pl.DataFrame(schema={"job_id": str, "labor_h": float, "parts_cost": float, "currency": str})


def repairs(n: int, seed: int, ratio: float = 0.4) -> pl.DataFrame:
    """Repairs in 5 shops of unlike quality; the careful shops also record more: a confounder."""
    rng = np.random.default_rng(seed)
    shop, component = rng.integers(0, 5, n), rng.integers(0, 3, n)
    proved = rng.random(n) < 0.15 + 0.15 * shop
    rate = 0.004 * 1.4**component * 1.5 ** -shop.astype(float) * np.where(proved, ratio, 1.0)
    day = np.floor(rng.exponential(1 / rate)).astype(int)
    return pl.DataFrame(
        {
            "job_id": [f"J{i}" for i in range(n)],
            "shop": [f"S{s}" for s in shop],
            "model": ["Finch"] * n,
            "component": np.array(["fuel_cap", "purge_valve", "wiring"])[component],
            "verified": np.where(proved, "proved", "no_trace"),
            "evidence": ["cannot_say"] * n,
            "time_days": np.minimum(day, 90),
            "is_comeback": day <= 90,
            "is_followed": [True] * n,
        }
    )


def compared(frame: pl.DataFrame, costs: pl.DataFrame = NO_COSTS, name: str = "proved_or_not") -> dict:
    return proof_worth(frame, costs, 90, 0.95).worth.row(
        by_predicate=pl.col("comparison") == name, named=True
    )


def test_the_ratio_is_that_of_a_library_and_holds_the_truth() -> None:
    frame = repairs(3000, 1)
    row = compared(frame)
    x = np.column_stack(
        [frame["verified"] == "proved", frame["component"] == "purge_valve", frame["component"] == "wiring"]
    ).astype(float)
    other = PHReg(
        frame["time_days"].to_numpy() + 1.0,
        x,
        status=frame["is_comeback"].to_numpy().astype(int),
        strata=frame["shop"].to_numpy(),
        ties="efron",
    ).fit()
    assert row["hazard_ratio"] == pytest.approx(np.exp(other.params[0]), rel=1e-5)
    bounds = np.exp(other.params[0] + np.array([-1, 1]) * 1.959964 * other.bse[0])
    assert (row["hazard_ratio_low"], row["hazard_ratio_high"]) == pytest.approx(tuple(bounds), rel=1e-5)
    assert row["hazard_ratio_low"] < 0.4 < row["hazard_ratio_high"]


def test_shops_that_work_better_and_record_more_do_not_pass_for_proof() -> None:
    """No effect of proof: within shops the interval holds 1, although the plain shares differ."""
    row = compared(repairs(4000, 2, ratio=1.0))
    assert row["first_time_fix_with_low"] > row["first_time_fix_without_high"]
    assert row["hazard_ratio_low"] < 1 < row["hazard_ratio_high"]


def test_few_comebacks_among_many_parts_and_models_give_a_reason_and_no_ratio() -> None:
    """No effect of proof, 23 comebacks and 17 columns: the adjustment alone would find one now and then."""
    rng = np.random.default_rng(11)
    frame = repairs(200, 4, ratio=1.0).with_columns(
        component=pl.Series([f"part {i}" for i in rng.integers(0, 10, 200)]),
        model=pl.Series([f"model {i}" for i in rng.integers(0, 9, 200)]),
        verified=pl.Series(np.where(rng.random(200) < 0.15, "proved", "no_trace")),
        is_comeback=pl.Series(rng.random(200) < 0.15),
    )
    row = compared(frame)
    assert min(row["n_comebacks_with"], row["n_comebacks_without"]) > 0
    assert row["hazard_ratio"] is None
    assert row["comebacks_avoided"] is None
    assert row["n_comebacks_with"] + row["n_comebacks_without"] == 23
    assert row["reason"] == "23 comebacks are too few to tell proof from part and model: that wants 51"


def test_comebacks_avoided_and_what_they_cost() -> None:
    frame = repairs(3000, 1)
    back = frame.filter("is_comeback")["job_id"].to_list()
    costs = pl.DataFrame(
        {
            "job_id": back[:4],
            "labor_h": [1.0, 2.0, None, 3.0],
            "parts_cost": [10.0, 30.0, 500.0, None],
            "currency": ["USD", "USD", "CAD", "USD"],
        }
    )
    row = compared(frame, costs)
    avoided = row["n_comebacks_without"] * (1 - row["hazard_ratio"])
    assert row["comebacks_avoided"] == pytest.approx(avoided)
    assert row["comebacks_avoided_low"] < avoided < row["comebacks_avoided_high"]
    assert (row["n_labor_known"], row["labor_h_per_comeback"]) == (3, 2.0)
    assert (row["n_cost_known"], row["currency"], row["parts_cost_per_comeback"]) == (2, "USD", 20.0)
    assert row["hours_avoided"] == pytest.approx(2 * avoided)
    assert row["parts_cost_avoided_high"] == pytest.approx(20 * row["comebacks_avoided_high"])


def test_the_price_of_a_comeback_is_that_of_the_comebacks_compared() -> None:
    """Comebacks of repairs on neither side are counted nowhere in the row."""
    frame = repairs(3000, 1).with_columns(
        verified=pl.when(pl.int_range(3000) < 300).then(pl.lit("disproved")).otherwise("verified")
    )
    back = frame.filter("is_comeback").select(
        "job_id", labor_h=pl.lit(1.0) + (pl.col("verified") == "disproved")
    )
    costs = back.with_columns(parts_cost=pl.lit(None, pl.Float64), currency=pl.lit(None, pl.String))
    every, fewer = (compared(frame, costs, name) for name in ("proved_or_not", "proved_or_no_recording"))
    for row in (every, fewer):
        assert row["n_labor_known"] == row["n_comebacks_with"] + row["n_comebacks_without"]
    assert fewer["labor_h_per_comeback"] == 1.0
    assert every["labor_h_per_comeback"] > 1.0


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"verified": pl.lit("no_trace")}, "repairs of one side only"),
        ({"is_comeback": pl.lit(False)}, "no comeback on one of the two sides"),
        (
            {"is_comeback": pl.col("is_comeback") & (pl.col("verified") == "no_trace")},
            "no comeback on one of the two sides",
        ),
        (
            {"shop": pl.when(pl.col("verified") == "proved").then(pl.lit("A")).otherwise(pl.lit("B"))},
            "a covariate separates those with events from those without, or repeats another",
        ),
        (
            {"time_days": pl.lit(5), "is_comeback": pl.lit(True)},
            "nobody was at risk besides those with the event",
        ),
    ],
)
def test_what_cannot_be_compared_has_a_reason_and_no_number(change, reason) -> None:
    row = compared(repairs(300, 3).with_columns(**change))
    assert row["reason"] == reason
    assert row["hazard_ratio"] is None
    assert row["comebacks_avoided"] is None
    assert row["hours_avoided"] is None


def test_no_repairs_give_no_rows_and_a_shop_without_a_name_is_left_out() -> None:
    nothing = proof_worth(repairs(5, 1).clear(), NO_COSTS, 90, 0.95)
    assert nothing.worth.columns == list(PROOF_WORTH.column_names)
    assert nothing.curves.columns == list(PROOF_CURVE.column_names)
    assert compared(repairs(1, 1))["reason"] == "repairs of one side only"


def test_the_curve_ends_at_the_share_of_the_table() -> None:
    result = proof_worth(repairs(500, 4), NO_COSTS, 90, 0.95)
    row = result.worth.row(by_predicate=pl.col("comparison") == "proved_or_not", named=True)
    for side in ("with", "without"):
        curve = result.curves.filter(comparison="proved_or_not", side=side).sort("day")
        assert curve["share_without_comeback"][-1] == row[f"first_time_fix_{side}"]
        assert curve["day"].max() <= 90


@pytest.mark.parametrize("first_day", [0, 3])
def test_the_curve_begins_on_day_0_with_all_repairs(first_day: int) -> None:
    """Before the first day on which one ended none has come back; those that ended on day 0 count there."""
    days = [first_day, 10, 20, 90]
    known = repairs(8, 4).with_columns(
        verified=pl.Series(["proved", "no_trace"] * 4),
        time_days=pl.Series([day for day in days for _ in "ab"]),
        is_comeback=pl.Series([True] * 4 + [False] * 4),
    )
    curves = proof_worth(known, NO_COSTS, 90, 0.95).curves.filter(comparison="proved_or_not", side="with")
    assert curves["day"].to_list() == sorted({0, *days})
    assert curves["n_at_risk"].to_list() == ([4, 3, 2, 1] if first_day == 0 else [4, 4, 3, 2, 1])
    assert curves["share_without_comeback"].to_list() == pytest.approx(
        [0.75, 0.5, 0.5, 0.5] if first_day == 0 else [1, 0.75, 0.5, 0.5, 0.5]
    )
    assert curves["low"].null_count() == 0
    if first_day:  # none of four has come back: 0.025^(1/4)
        assert curves.select("low", "high").row(0) == pytest.approx((0.397635, 1.0), abs=5e-7)


def test_a_side_without_a_comeback_has_exact_bounds_of_the_repairs_followed_to_the_end() -> None:
    """Of nine proved repairs none came back: the share 1 stands beside what nine repairs can tell."""
    held = repairs(60, 4).with_columns(
        verified=pl.Series(["proved"] * 9 + ["no_trace"] * 51),
        is_comeback=pl.Series([False] * 9 + [True] * 20 + [False] * 31),
    )
    row = compared(held)
    assert (row["first_time_fix_with"], row["n_followed_with"]) == (1.0, 9)
    exact = binomtest(9, 9).proportion_ci(0.95, "exact")
    assert (row["first_time_fix_with_low"], row["first_time_fix_with_high"]) == pytest.approx(
        (exact.low, 1.0)
    )
