"""`mart.first_time_fix` from followed repairs, against lifelines and published survival."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from lifelines import KaplanMeierFitter
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from pipeline.contract.tables import FIRST_TIME_FIX
from pipeline.estimates import first_time_fixes
from tests.remission import RELAPSED, SIX_MP


def repairs(days: list[int], events: list[bool], **groups: object) -> pl.DataFrame:
    columns = {
        "shop": "north",
        "technician": None,
        "model": "Finch",
        "component": "purge_valve",
        "verified": "no_trace",
        "evidence": "cannot_say",
    } | groups
    frame = pl.DataFrame({"time_days": days, "is_comeback": events})
    filled = {
        name: pl.Series(name, value if isinstance(value, list) else [value] * len(days), pl.String)
        for name, value in columns.items()
    }
    followed = pl.Series("is_followed", [e or d >= 90 for d, e in zip(days, events, strict=True)])
    return frame.with_columns(followed, *filled.values())


def row(frame: pl.DataFrame, by: str, group: str) -> dict[str, object]:
    return frame.row(by_predicate=(pl.col("by") == by) & (pl.col("group") == group), named=True)


def test_published_survival_is_found_where_the_naive_share_is_not() -> None:
    # Each patient is a "repair" here.
    # S(16) = 0.627 (NAG g12aac example results); log-log bounds 0.3675-0.8049 (lifelines, R survival).
    within = [bool(e) and t <= 16 for t, e in zip(SIX_MP, RELAPSED, strict=True)]
    got = row(first_time_fixes(repairs([min(t, 16) for t in SIX_MP], within), 16, 0.95), "all", "all")
    assert got["first_time_fix"] == pytest.approx(0.627451, abs=5e-7)
    assert (got["low"], got["high"]) == (pytest.approx(0.367511, abs=5e-7), pytest.approx(0.804912, abs=5e-7))
    assert (got["n_repairs"], got["n_comebacks"]) == (21, 7)


def test_every_group_equals_lifelines() -> None:
    rng = np.random.default_rng(3)
    shops = rng.choice(["east", "north", "west"], 400).tolist()
    came_back = rng.exponential(300, 400).astype(int)
    seen = rng.integers(20, 200, 400)
    days = np.minimum(np.minimum(came_back, seen), 90)
    events = came_back <= np.minimum(seen, 90)
    got = first_time_fixes(repairs(days.tolist(), events.tolist(), shop=shops), 90, 0.95)
    for shop in ("east", "north", "west"):
        mine = np.array(shops) == shop
        fitter = KaplanMeierFitter(alpha=0.05).fit(days[mine], events[mine])
        bounds = fitter.confidence_interval_survival_function_.loc[:90].iloc[-1]
        r = row(got, "shop", shop)
        assert r["n_repairs"] == mine.sum()
        assert r["n_comebacks"] == events[mine].sum()
        assert r["first_time_fix"] == pytest.approx(fitter.predict(90), abs=1e-9)
        assert (r["low"], r["high"]) == (pytest.approx(bounds.iloc[0]), pytest.approx(bounds.iloc[1]))


def test_day_90_counts_and_ties_put_comebacks_before_censorings() -> None:
    got = row(
        first_time_fixes(repairs([90, 90, 90, 90], [True, False, False, False]), 90, 0.95), "all", "all"
    )
    assert got["first_time_fix"] == pytest.approx(0.75)
    assert got["first_time_fix_naive"] == pytest.approx(0.75)


def test_the_naive_share_rests_on_followed_repairs_alone() -> None:
    got = row(
        first_time_fixes(repairs([10, 90, 90, 30], [True, False, False, False]), 90, 0.95), "all", "all"
    )
    assert (got["n_repairs"], got["n_followed"], got["n_comebacks"]) == (4, 3, 1)
    assert got["first_time_fix_naive"] == pytest.approx(2 / 3)
    assert got["first_time_fix"] == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("followed", "low"),
    [(20, 1 - 0.1684), (1, 0.025), (0, 0.0)],  # 0 of 20: Newcombe (1998) table I, method 5; 1: by hand
)
def test_no_comeback_is_bounded_by_the_repairs_followed_to_the_end(followed: int, low: float) -> None:
    days = [90] * followed + [40] * 3
    got = row(first_time_fixes(repairs(days, [False] * len(days)), 90, 0.95), "all", "all")
    assert (got["first_time_fix"], got["high"], got["n_followed"]) == (1.0, 1.0, followed)
    assert got["low"] == pytest.approx(low, abs=5e-5)


def test_where_all_came_back_the_repairs_that_could_be_followed_bound_the_share() -> None:
    """17 of 18 came back and the last was lost early: the share is 0, and 17 trials without a success bound it."""
    frame = repairs([*range(20, 37), 5], [True] * 17 + [False])
    got = row(first_time_fixes(frame, 90, 0.95), "all", "all")
    assert (got["first_time_fix"], got["low"], got["n_followed"]) == (0.0, 0.0, 17)
    assert got["high"] == pytest.approx(binomtest(0, 17).proportion_ci(0.95, "exact").high)


def test_the_naive_share_has_wilson_bounds() -> None:
    got = row(first_time_fixes(repairs([10, 90, 90, 90, 30], [True, *[False] * 4]), 90, 0.95), "all", "all")
    assert got["n_followed"] == 4
    bounds = (got["first_time_fix_naive_low"], got["first_time_fix_naive_high"])
    assert bounds == pytest.approx(proportion_confint(3, 4, method="wilson"))


def test_a_model_and_a_component_are_in_no_funnel_and_the_reason_is_given() -> None:
    parts = ["wiring", "canister", "fuel_cap", "vent_valve"] * 10
    days = [10, 90, 90, 90] * 5 + [90] * 20
    got = first_time_fixes(repairs(days, [d == 10 for d in days], component=parts), 90, 0.95)
    for r in got.filter(pl.col("by").is_in(["model", "component"])).to_dicts():
        assert r["n_comebacks_expected"] == pytest.approx(r["n_comebacks"])
        assert r["funnel"] is r["funnel_low"] is r["funnel_beyond_high"] is None
        assert r["reason"] == "funnel: what is expected of a model or a component is its own comebacks"


def test_a_repair_without_a_technician_is_in_no_technician_group_but_in_the_reference() -> None:
    frame = repairs([10, 90, 90, 90], [True, False, False, False], technician=["t1", "t1", None, None])
    got = first_time_fixes(frame, 90, 0.95)
    assert got.filter(pl.col("by") == "technician")["group"].to_list() == ["t1"]
    # By hand: hazard of the stratum 1/4 on day 10, so each of the two repairs expects 0.25 comebacks.
    assert row(got, "technician", "t1")["n_comebacks_expected"] == pytest.approx(0.5)
    assert row(got, "technician", "t1")["expected"] == pytest.approx(0.75)


def test_expected_over_all_equals_observed_and_all_has_no_funnel() -> None:
    frame = repairs(
        [5, 90, 30, 90], [True, False, True, False], component=["wiring", "wiring", "canister", "canister"]
    )
    got = row(first_time_fixes(frame, 90, 0.95), "all", "all")
    assert got["n_comebacks_expected"] == pytest.approx(2)
    assert got["funnel"] is None
    assert got["funnel_low"] is None


def test_only_the_shop_whose_repairs_come_back_is_beyond_its_funnel() -> None:
    rng = np.random.default_rng(11)
    shops, days, events = [], [], []
    for number in range(8):
        bad = number == 5
        came_back = rng.exponential(150 if bad else 800, 300).astype(int)
        days += np.minimum(came_back, 90).tolist()
        events += (came_back <= 90).tolist()
        shops += [f"shop {number}"] * 300
    got = first_time_fixes(repairs(days, events, shop=shops), 90, 0.95).filter(pl.col("by") == "shop")
    assert got.filter(pl.col("funnel") == "beyond_below")["group"].to_list() == ["shop 5"]
    assert set(got.filter(pl.col("group") != "shop 5")["funnel"]) <= {"inside", "above"}
    limits = ["funnel_beyond_low", "funnel_low", "expected", "funnel_high", "funnel_beyond_high"]
    for values in got.select(limits).rows():
        assert list(values) == sorted(values)


def test_no_repairs_give_no_rows() -> None:
    got = first_time_fixes(repairs([], []), 90, 0.95)
    assert got.height == 0
    assert tuple(got.columns) == FIRST_TIME_FIX.column_names
