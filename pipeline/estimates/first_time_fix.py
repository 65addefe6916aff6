"""How many repairs held, group by group, and is that what their mix of work leads to expect?"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import FIRST_TIME_FIX
from pipeline.estimates.compared import compared
from pipeline.estimates.table_shape import as_table, empty_table, why_missing
from pipeline.statistics.funnel import as_survival, funnel
from pipeline.statistics.grouping import group_rows
from pipeline.statistics.intervals import Bounds, wilson_interval
from pipeline.statistics.standardization import UnitExpectations, expected_of_units
from pipeline.statistics.stratified_ratio import stratified_ratio
from pipeline.statistics.survival import bounds_at_the_ends, kaplan_meier

GROUPINGS = ("all", "shop", "technician", "model", "component", "verified", "evidence")
#: Groupings whose every group is held against the others together.
COMPARED = ("shop", "technician")
#: Groupings that are no draw of many alike: their limits are those of chance alone.
ALL_THERE_ARE = ("verified", "evidence")
#: What the expectation is made of: there it equals what came, and limits about it would place nobody anywhere.
EXPECTED_OF = ("model", "component")
OWN_EXPECTATION = "what is expected of a model or a component is its own comebacks"
REFERENCE = "all repairs are what the groups are held against"
NONE_FOLLOWED = "no repair was seen for the whole follow-up window"
#: Code of repairs whose group has no name: they stay in the reference and get no row.
_NAMELESS = -1


def first_time_fixes(repairs: pl.DataFrame, follow_up_days: int, level: float) -> pl.DataFrame:
    """Turn followed repairs into first-time fix with bounds, expectation and funnel, for every grouping.

    Parameters
    ----------
    repairs : rows of `tally.repair_follow_up`: shop, technician, model, component, verified, evidence,
        time_days [days], is_comeback, is_followed.
    follow_up_days : end of the follow-up window [days], that day included.
    level : level of the intervals, 0..1.

    Returns
    -------
    `mart.first_time_fix`. `all`, `model` and `component` have no funnel: the first is what the others are held
    against, and what is expected of the others adds up to what came.
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
            "greenwood_low": fit.low,
            "greenwood_high": fit.high,
            "expected": mix.expected_survival,
            "n_comebacks_expected": mix.expected,
            "observed": mix.observed,
        }
    ).filter(pl.col("code") != _NAMELESS)
    counted = _counts(frame.with_columns(code=groups)).join(estimates, on="code")
    counted = _with_bounds(counted, level).with_columns(by=pl.lit(by), reason=_reason(by))
    if by in COMPARED:
        counted = _against_the_others(counted, int(event.sum()), float(units.expected.sum()), level)
    return counted if by == "all" or by in EXPECTED_OF else _with_funnel(counted, by)


def _reason(by: str) -> pl.Expr:
    """Say for each number that is missing why it is."""
    return why_missing(
        (pl.col("n_followed") == 0, f"first_time_fix_naive: {NONE_FOLLOWED}"),
        (pl.lit(by == "all"), f"funnel: {REFERENCE}"),
        (pl.lit(by in EXPECTED_OF), f"funnel: {OWN_EXPECTATION}"),
    )


def _with_bounds(groups: pl.DataFrame, level: float) -> pl.DataFrame:
    """Bound both shares: Greenwood or, at 0 and 1, exact binomial on the followed repairs; Wilson on the followed."""
    followed, held = groups["n_followed"].to_numpy(), groups["n_held"].to_numpy()
    greenwood = Bounds(groups["greenwood_low"].to_numpy(), groups["greenwood_high"].to_numpy())
    low, high = bounds_at_the_ends(groups["first_time_fix"].to_numpy(), greenwood, followed, level)
    naive = wilson_interval(held, followed, level)
    return groups.with_columns(
        low=low, high=high, first_time_fix_naive_low=naive.low, first_time_fix_naive_high=naive.high
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
    widened = np.sqrt(1 + 4 * groups["n_comebacks_expected"].to_numpy() * limits.tau2)
    return groups.with_columns(
        pl.Series("funnel", shares.position.tolist(), pl.String),
        funnel_low=shares.inner.low,
        funnel_high=shares.inner.high,
        funnel_beyond_low=shares.outer.low,
        funnel_beyond_high=shares.outer.high,
        funnel_widened=widened,
    )


def _against_the_others(groups: pl.DataFrame, happened: int, expected: float, level: float) -> pl.DataFrame:
    """Ask of each group whether it has more or fewer comebacks than all other repairs with the same mix, chance alone
    allowed for.

    Limits of a funnel widen by what the others differ among themselves: two bad shops of seven hide behind one another.
    """
    own, own_expected = (
        groups[name].to_numpy().astype(float) for name in ("observed", "n_comebacks_expected")
    )
    rest, rest_expected = happened - own, np.maximum(expected - own_expected, 0.0)
    each = np.arange(groups.height)
    told = compared(stratified_ratio(own, own_expected, rest, rest_expected, each, groups.height, level))
    return groups.with_columns(
        comeback_ratio=told["rate_ratio"],
        comeback_ratio_low=told["rate_ratio_low"],
        comeback_ratio_high=told["rate_ratio_high"],
        p_value=told["p_value"],
        q_value=told["q_value"],
        comes_back_more=told["stands_out"] & np.isfinite(told["rate_ratio"]),
    )


def _codes(frame: pl.DataFrame, *columns: str) -> np.ndarray:
    """Number the distinct values of some columns in their order; a row with a missing one gets _NAMELESS."""
    numbered = frame.select(columns).unique().drop_nulls().sort(columns).with_row_index("code")
    joined = frame.select(columns).join(numbered, on=columns, how="left", maintain_order="left")
    return joined["code"].cast(pl.Int64).fill_null(_NAMELESS).to_numpy()
