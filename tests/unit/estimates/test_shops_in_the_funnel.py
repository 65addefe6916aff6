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
