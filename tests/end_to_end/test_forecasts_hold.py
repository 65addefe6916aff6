"""Forecasts of fleets of known truth, cut a year before their end, hold what then came as often as they state.

Many more fleets were measured by hand with `python -m tests.benchmarks.cover_forecast`.
"""

from __future__ import annotations

import polars as pl
import pytest
from scipy import stats

from tests.benchmarks.cover_forecast import HORIZONS_DAYS, held

SEEDS = range(1000, 1005)
#: so unlikely a share of missed bounds would be by chance, at either end
CHANCE = 0.001


@pytest.fixture(scope="module")
def told() -> pl.DataFrame:
    return pl.concat([held(seed, 4000) for seed in SEEDS])


@pytest.mark.parametrize("days", HORIZONS_DAYS)
def test_bounds_miss_one_forecast_in_twenty(told: pl.DataFrame, days: int) -> None:
    of = told.filter(pl.col("days") == days)
    assert of.height == 48 * len(SEEDS)
    missed = int((~of["is_held"]).sum())
    fewest, most = stats.binom.ppf([CHANCE, 1 - CHANCE], of.height, 0.05)
    assert fewest <= missed <= most


@pytest.mark.parametrize("days", HORIZONS_DAYS)
def test_stock_for_a_service_level_lasts_at_least_so_often(told: pl.DataFrame, days: int) -> None:
    of = told.filter(pl.col("days") == days)
    assert int((~of["lasts"]).sum()) <= stats.binom.ppf(1 - CHANCE, of.height, 0.05)
