"""Shops that differ by chance and by their mix of work alone are not accused; a worse one is found."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.estimates import first_time_fixes


def repairs(rng: np.random.Generator, n_shops: int, worse: float = 1.0) -> pl.DataFrame:
    """Repairs of shops with mixes of their own: some take nearly all the hard work; the first may be worse."""
    n = rng.integers(40, 400, n_shops)
    shop = np.repeat(np.arange(n_shops), n)
    hard = rng.random(len(shop)) < rng.uniform(0.05, 0.95, n_shops)[shop]
    rate = np.where(hard, 0.30, 0.05) * np.where(shop == 0, worse, 1.0) / 90
    day = np.ceil(rng.exponential(1 / rate)).astype(int)
    seen = np.where(rng.random(len(shop)) < 0.15, rng.integers(1, 90, len(shop)), 90)
    return pl.DataFrame(
        {
            "shop": [f"S{s:02}" for s in shop],
            "technician": pl.Series([None] * len(shop), dtype=pl.String),
            "model": ["Finch"] * len(shop),
            "component": np.where(hard, "wiring", "fuel_cap"),
            "verified": ["no_trace"] * len(shop),
            "evidence": ["cannot_say"] * len(shop),
            "time_days": np.minimum(day, seen),
            "is_comeback": day <= seen,
            "is_followed": (day <= seen) | (seen == 90),
        }
    )


def placed(rng: np.random.Generator, n_fleets: int, worse: float = 1.0) -> list[np.ndarray]:
    fixes = (first_time_fixes(repairs(rng, 12, worse), 90, 0.95) for _ in range(n_fleets))
    return [f.filter(pl.col("by") == "shop").sort("group")["funnel"].to_numpy() for f in fixes]


def test_a_shop_at_its_expected_rate_lies_inside_the_funnel_whatever_its_mix() -> None:
    """720 shops that differ in their mix alone: outside the 95 % limits at most 5 %, beyond the 99.8 % ones 0.4 %."""
    said = np.concatenate(placed(np.random.default_rng(7), 60))
    assert np.mean(said != "inside") <= 0.05
    assert np.mean([str(word).startswith("beyond") for word in said]) <= 0.004


def test_a_shop_that_is_truly_worse_is_found() -> None:
    """The hazard of a comeback 2.5 times that of the others, the mix its own."""
    said = np.array(placed(np.random.default_rng(8), 25, 2.5))
    assert np.mean(said[:, 0] == "beyond_below") >= 0.8
    assert np.mean(said[:, 1:] == "beyond_below") <= 0.01


def against_the_others(
    rng: np.random.Generator, n_fleets: int, bad: int, n_shops: int = 7
) -> list[pl.DataFrame]:
    """Fleets of a few shops, the first `bad` of them with the hazard of a comeback doubled."""
    fleets = []
    for _ in range(n_fleets):
        alike = repairs(rng, n_shops)
        shop = alike["shop"].str.slice(1).cast(pl.Int64)
        back = alike["time_days"].to_numpy()
        # Half of the time to a comeback is twice the hazard; the unfollowed stay as they are.
        hazard = np.where(alike["component"] == "wiring", 0.30, 0.05) * np.where(shop < bad, 2.0, 1.0) / 90
        day = np.ceil(rng.exponential(1 / hazard)).astype(int)
        seen = np.where(alike["is_followed"], 90, back)
        fleets.append(
            alike.with_columns(
                time_days=np.minimum(day, seen),
                is_comeback=day <= seen,
                is_followed=(day <= seen) | (seen == 90),
            )
        )
    return [first_time_fixes(f, 90, 0.95).filter(by="shop").sort("group") for f in fleets]


def test_two_bad_shops_of_seven_are_found_though_they_widen_each_others_limits() -> None:
    """Which the limits of the funnel do not: each is held against the others, of which the other bad one is one."""
    said = against_the_others(np.random.default_rng(9), 40, bad=2)
    named = np.array([f["comes_back_more"].to_list() for f in said])
    far = [((f["q_value"] < 0.05) & (f["comeback_ratio"] > 1)).to_list() for f in said]
    assert (named == np.array(far)).all()
    beyond = np.array([(f["funnel"] == "beyond_below").to_list() for f in said])
    assert named[:, :2].mean() >= 0.6
    assert beyond[:, :2].mean() <= 0.2
    assert named[:, 2:].mean() <= 0.01
    widened = np.array([f["funnel_widened"].to_list() for f in said])
    assert np.median(widened[:, :2]) > 1.5


def test_chance_alone_sets_hardly_a_shop_apart() -> None:
    """At a false-discovery rate of 5 % at most one fleet in twenty of alike shops names any."""
    said = against_the_others(np.random.default_rng(10), 120, bad=0)
    assert np.mean([(f["q_value"] < 0.05).any() for f in said]) <= 0.05
    covered = [(f["comeback_ratio_low"] <= 1) & (f["comeback_ratio_high"] >= 1) for f in said]
    assert np.mean([c.mean() for c in covered]) >= 0.95
