"""How often does each component of each model fail, and is that unlike the rest of the fleet?"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.contract.tables import FAILURE_RATE
from pipeline.contract.vocabulary import APART_Q, DAYS_PER_YEAR
from pipeline.estimates.table_shape import as_table, floats, why_missing
from pipeline.statistics.comparison import benjamini_hochberg, conditional_rate_test
from pipeline.statistics.intervals import rate_interval
from pipeline.statistics.shrinkage import gamma_poisson

NO_EXPOSURE = "no vehicle of the model was in service inside the window"
NOTHING_TO_COMPARE = "no failure of the component on another model in service"
NO_DISTANCE = "no vehicle with two odometer readings inside the window and a distance between them"


def failure_rates(counts: pl.DataFrame, level: float) -> pl.DataFrame:
    """Turn counts and exposure into rates with bounds, shrunk rates and the test against the rest.

    Parameters
    ----------
    counts : rows of `tally.failure_count`: make, model, component, n_failures, n_comebacks, n_vehicles,
        exposure_days [days], vehicle_km [km], n_vehicles_km, n_failures_km.
    level : level of the intervals, 0..1.

    Returns
    -------
    `mart.failure_rate`. The rest of the fleet is every other model with exposure; a model without exposure
    has counts and no rate. `rate_ratio` is null where the rest has no exposure or no failures; such a model
    is still tested, and recurring when it alone fails too often to be chance.
    """
    frame = counts.with_columns(vehicle_years=pl.col("exposure_days") / DAYS_PER_YEAR)
    frame = _with_rates(frame, level)
    frame = _with_shrunk_rates(frame, level)
    frame = _with_comparison(frame)
    return as_table(frame.with_columns(reason=_reason()), FAILURE_RATE)


def _reason() -> pl.Expr:
    """Say for each number that is missing why it is."""
    alone = pl.col("rate_ratio").fill_nan(None).is_null()
    return why_missing(
        (pl.col("exposure_days") <= 0, f"rate: {NO_EXPOSURE}"),
        (alone & (pl.col("exposure_days") > 0), f"rate_ratio: {NOTHING_TO_COMPARE}"),
        (
            pl.col("rate_per_million_km").fill_nan(None).is_null(),
            f"rate_per_million_km: {NO_DISTANCE}",
        ),
    )


def _with_rates(frame: pl.DataFrame, level: float) -> pl.DataFrame:
    by_time = rate_interval(frame["n_failures"].to_numpy(), frame["vehicle_years"].to_numpy() / 1000, level)
    by_distance = rate_interval(floats(frame["n_failures_km"]), floats(frame["vehicle_km"]) / 1e6, level)
    return frame.with_columns(
        rate_per_1000_vehicle_years=by_time.value,
        low=by_time.low,
        high=by_time.high,
        rate_per_million_km=by_distance.value,
        low_per_million_km=by_distance.low,
        high_per_million_km=by_distance.high,
    )


def _with_shrunk_rates(frame: pl.DataFrame, level: float) -> pl.DataFrame:
    shrunk = gamma_poisson(
        frame["n_failures"].to_numpy(),
        frame["vehicle_years"].to_numpy() / 1000,
        frame["component"].to_numpy(),
        level,
    )
    return frame.with_columns(shrunk_rate=shrunk.mean, shrunk_low=shrunk.low, shrunk_high=shrunk.high)


def _with_comparison(frame: pl.DataFrame) -> pl.DataFrame:
    """Test every failure, and beside it those that are no comeback.

    Comebacks follow a failure, so counts with them scatter more than the test's Poisson law allows.
    """
    every = _against_the_rest(frame, pl.col("n_failures"))
    first = _against_the_rest(frame, pl.col("n_failures") - pl.col("n_comebacks"))
    return frame.with_columns(
        rate_ratio=every.ratio,
        p_value=every.p_value,
        q_value=every.q_value,
        is_recurring=every.is_recurring,
        q_value_without_comebacks=first.q_value,
        is_recurring_without_comebacks=first.is_recurring,
    )


class _Compared(NamedTuple):
    ratio: np.ndarray
    p_value: np.ndarray
    q_value: np.ndarray
    is_recurring: np.ndarray


def _against_the_rest(frame: pl.DataFrame, counted: pl.Expr) -> _Compared:
    exposed = pl.col("exposure_days") > 0
    own = frame.with_columns(counted=counted)
    rest = own.select(
        failures=pl.col("counted").filter(exposed).sum().over("component") - pl.col("counted"),
        days=pl.col("exposure_days").filter(exposed).sum().over("component") - pl.col("exposure_days"),
        is_exposed=exposed,
    )
    rest = rest.with_columns(pl.when("is_exposed").then(pl.col("failures", "days")))
    x, t = floats(own["counted"]), floats(own["exposure_days"])
    x_rest, t_rest = floats(rest["failures"]), floats(rest["days"])
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (x / t) / (x_rest / t_rest)
    p_value = conditional_rate_test(x, t, x_rest, t_rest)
    q_value = benjamini_hochberg(p_value)
    is_recurring = (q_value < APART_Q) & (ratio > 1)
    return _Compared(np.where(np.isfinite(ratio), ratio, np.nan), p_value, q_value, is_recurring)
