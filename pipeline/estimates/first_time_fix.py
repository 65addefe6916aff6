"""How many repairs held, group by group, and is that what their mix of work leads to expect?"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import FIRST_TIME_FIX
from pipeline.estimates.table_shape import as_table, empty_table, why_missing
from pipeline.statistics.funnel import as_survival, funnel
from pipeline.statistics.grouping import group_rows
from pipeline.statistics.standardization import UnitExpectations, expected_of_units
from pipeline.statistics.survival import kaplan_meier

GROUPINGS = ("all", "shop", "technician", "model", "component", "verified", "evidence")
#: Groupings that are no draw of many alike: their limits are those of chance alone.
ALL_THERE_ARE = ("verified", "evidence")
NO_BOUNDS = "no repair, or every repair, came back: Greenwood's formula has none there"
NONE_FOLLOWED = "no repair was seen for the whole follow-up window"
#: Code of repairs whose group has no name: they stay in the reference and get no row.
_NAMELESS = -1


def first_time_fixes(repairs: pl.DataFrame, follow_up_days: int, level: float) -> pl.DataFrame:
    """Turn followed repairs into first-time fix with bounds, expectation and funnel, for every grouping.

    Parameters
    ----------
    repairs : rows of `mart.repair_follow_up`: shop, technician, model, component, verified, evidence,
        time_days [days], is_comeback, is_followed.
    follow_up_days : end of the follow-up window [days], that day included.
    level : level of the intervals, 0..1.

    Returns
    -------
    `mart.first_time_fix`. Bounds are null where no repair or every repair came back (Greenwood has none);
    `all` has no funnel: it is what the others are held against.
    """
    if repairs.is_empty():
        return empty_table(FIRST_TIME_FIX)
    strata = _codes(repairs, "model", "component")
    units = expected_of_units(repairs["time_days"], repairs["is_comeback"], strata, follow_up_days)
    parts = [_one_grouping(repairs, by, units, follow_up_days, level) for by in GROUPINGS]
    return as_table(pl.concat(parts, how="diagonal_relaxed"), FIRST_TIME_FIX)


def _one_grouping(
    repairs: pl.DataFrame, by: str, units: UnitExpectations, follow_up_days: int, level: float
) -> pl.DataFrame:
    frame = repairs.with_columns(pl.lit("all").alias("group") if by == "all" else pl.col(by).alias("group"))
    groups = _codes(frame, "group")
    time, event = frame["time_days"].to_numpy(), frame["is_comeback"].to_numpy()
    fit = kaplan_meier(time, event, groups, at=follow_up_days, level=level)
    mix = units.in_groups(group_rows(groups, len(groups)))
    estimates = pl.DataFrame(
        {
            "code": fit.groups,
            "first_time_fix": fit.survival,
            "low": fit.low,
            "high": fit.high,
            "expected": mix.expected_survival,
            "n_comebacks_expected": mix.expected,
            "observed": mix.observed,
        }
    ).filter(pl.col("code") != _NAMELESS)
    counted = _counts(frame.with_columns(code=groups)).join(estimates, on="code")
    counted = counted.with_columns(reason=_reason())
    return (counted if by == "all" else _with_funnel(counted, by)).with_columns(by=pl.lit(by))


def _reason() -> pl.Expr:
    """Say for each number that is missing why it is."""
    return why_missing(
        (pl.col("low").fill_nan(None).is_null(), f"bounds: {NO_BOUNDS}"),
        (pl.col("n_followed") == 0, f"first_time_fix_naive: {NONE_FOLLOWED}"),
    )


def _counts(frame: pl.DataFrame) -> pl.DataFrame:
    held = pl.col("is_followed") & ~pl.col("is_comeback")
    return (
        frame.filter(pl.col("code") != _NAMELESS)
        .group_by("code", "group")
        .agg(
            n_repairs=pl.len(),
            n_comebacks=pl.col("is_comeback").sum(),
            n_followed=pl.col("is_followed").sum(),
            n_held=held.sum(),
        )
        .with_columns(first_time_fix_naive=pl.col("n_held") / pl.col("n_followed"))
        .sort("code")
    )


def _with_funnel(groups: pl.DataFrame, by: str) -> pl.DataFrame:
    limits = funnel(
        groups["observed"].to_numpy(),
        groups["n_comebacks_expected"].to_numpy(),
        allows_dispersion=by not in ALL_THERE_ARE,
    )
    shares = as_survival(limits, groups["expected"].to_numpy())
    return groups.with_columns(
        pl.Series("funnel", shares.position.tolist(), pl.String),
        funnel_low=shares.inner.low,
        funnel_high=shares.inner.high,
        funnel_beyond_low=shares.outer.low,
        funnel_beyond_high=shares.outer.high,
    )


def _codes(frame: pl.DataFrame, *columns: str) -> np.ndarray:
    """Number the distinct values of some columns in their order; a row with a missing one gets _NAMELESS."""
    numbered = frame.select(columns).unique().drop_nulls().sort(columns).with_row_index("code")
    joined = frame.select(columns).join(numbered, on=columns, how="left", maintain_order="left")
    return joined["code"].cast(pl.Int64).fill_null(_NAMELESS).to_numpy()
