"""Does one model year, or one fleet, of a model fail more than the others of that model, age for age?"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import FAILURE_SPLIT
from pipeline.contract.vocabulary import DAYS_PER_YEAR, POOLED
from pipeline.estimates.compared import compared, why_no_ratio
from pipeline.estimates.table_shape import as_table, floats
from pipeline.statistics.intervals import rate_interval
from pipeline.statistics.stratified_ratio import stratified_ratio

#: What splits a model, and the column that names the group.
SPLITS = {"model_year": "model_year", "fleet": "fleet_id"}
NOTHING_COMPARED = "no failure at an age at which this group and another of the model were in service"
NONE_ELSEWHERE = "no such failure of the other groups at the same ages"
_MODEL = ["make", "model"]
_PART = [*_MODEL, "component"]
_ROW = [*_PART, "group"]


def failure_splits(exposure: pl.DataFrame, failures: pl.DataFrame, level: float) -> pl.DataFrame:
    """Compare the failures of each group of a model with those of its other groups at the same ages.

    Parameters
    ----------
    exposure : rows of `tally.age_exposure`: make, model, model_year, fleet_id, age_year, n_vehicles,
        exposure_days [days].
    failures : rows of `tally.age_failure`: make, model, component, model_year, fleet_id, age_year, n_failures
        (no comebacks).
    level : level of the intervals, 0..1.

    Returns
    -------
    `mart.failure_split`. Vehicles without a group are on neither side. A part that never failed on a model has no row
    there. Rows of a fleet with make and model * compare it with the other fleets over all models, model by model.
    """
    frames = [_split(exposure, failures, by, column, level) for by, column in SPLITS.items()]
    frame = pl.concat(frames, how="vertical_relaxed").with_columns(
        reason=why_no_ratio(NOTHING_COMPARED, NONE_ELSEWHERE)
    )
    return as_table(frame, FAILURE_SPLIT)


def _split(
    exposure: pl.DataFrame, failures: pl.DataFrame, by: str, column: str, level: float
) -> pl.DataFrame:
    left_out = (
        exposure.filter(pl.col(column).is_null()).group_by(_MODEL).agg(left_out=pl.col("n_vehicles").sum())
    )
    lived, failed = (
        frame.filter(pl.col(column).is_not_null()).with_columns(group=pl.col(column).cast(pl.String))
        for frame in (exposure, failures)
    )
    lived = lived.group_by(*_MODEL, "group", "age_year").agg(pl.col("n_vehicles", "exposure_days").sum())
    failed = failed.group_by(*_ROW, "age_year").agg(pl.col("n_failures").sum())
    rows = _rows(lived, failed, left_out)
    cells = _cells(lived, failed)
    if by == "fleet":
        rows, cells = (pl.concat([frame, _over_models(frame)]) for frame in (rows, cells))
    rows = rows.sort(_ROW).with_row_index("row")
    return _with_statistics(rows.with_columns(by=pl.lit(by)), cells, level)


def _rows(lived: pl.DataFrame, failed: pl.DataFrame, left_out: pl.DataFrame) -> pl.DataFrame:
    """Every group of a model meets every part that failed on the model."""
    groups = lived.group_by(*_MODEL, "group").agg(pl.col("n_vehicles", "exposure_days").sum())
    counted = failed.group_by(_ROW).agg(pl.col("n_failures").sum())
    return (
        groups.join(failed.select(_PART).unique(), on=_MODEL)
        .join(counted, on=_ROW, how="left")
        .join(left_out, on=_MODEL, how="left")
        .select(
            *_ROW,
            "n_vehicles",
            "exposure_days",
            pl.col("n_failures").fill_null(0),
            pl.col("left_out").fill_null(0),
        )
    )


def _cells(lived: pl.DataFrame, failed: pl.DataFrame) -> pl.DataFrame:
    """Failures and exposure of every group, and of the others of its model, at each age at which the part failed."""
    age = [*_PART, "age_year"]
    whole = failed.group_by(age).agg(all_failures=pl.col("n_failures").sum())
    every = lived.group_by(*_MODEL, "age_year").agg(all_days=pl.col("exposure_days").sum())
    return (
        lived.join(whole, on=[*_MODEL, "age_year"])
        .join(every, on=[*_MODEL, "age_year"])
        .join(failed, on=[*_ROW, "age_year"], how="left")
        .with_columns(pl.col("n_failures").fill_null(0))
        .select(
            *_ROW,
            "n_failures",
            "exposure_days",
            others=pl.col("all_failures") - pl.col("n_failures"),
            others_days=pl.col("all_days") - pl.col("exposure_days"),
        )
    )


def _over_models(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows added up over all models; cells stay apart, each compared within its model."""
    pooled = frame.with_columns(make=pl.lit(POOLED), model=pl.lit(POOLED))
    if "others" in frame.columns:
        return pooled
    return pooled.group_by(_ROW).sum().select(frame.columns)


def _with_statistics(rows: pl.DataFrame, cells: pl.DataFrame, level: float) -> pl.DataFrame:
    # In an order of their own: the last digit of a sum must not depend on which thread came first.
    values = ["exposure_days", "others_days", "n_failures", "others"]
    cells = cells.join(rows.select("row", *_ROW), on=_ROW).sort("row", *values)
    days = rows["exposure_days"].to_numpy() / DAYS_PER_YEAR
    rate = rate_interval(rows["n_failures"].to_numpy(), days / 1000, level)
    found = stratified_ratio(
        floats(cells["n_failures"]),
        floats(cells["exposure_days"]),
        floats(cells["others"]),
        floats(cells["others_days"]),
        cells["row"].to_numpy().astype(np.int64),
        rows.height,
        level,
    )
    # Rows over all models ask another question and are corrected apart.
    told = compared(found, families=(rows["make"] == POOLED).to_numpy())
    return rows.with_columns(
        vehicle_years=days,
        rate_per_1000_vehicle_years=rate.value,
        low=rate.low,
        high=rate.high,
        n_failures_compared=found.n_own,
        failures_expected=found.expected,
        **told,
        n_vehicles_left_out=pl.col("left_out"),
    )
