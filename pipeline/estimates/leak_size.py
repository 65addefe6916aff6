"""How large are the leaks, when each is known only to lie between bounds?"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.contract.tables import LEAK_SIZE, LEAK_SIZE_CURVE
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.standards.trouble_codes import nominal_size_mm
from pipeline.statistics.censored_sizes import Answer, SizeDistribution, median, share_over, size_distribution
from pipeline.statistics.lognormal import LognormalFit, lognormal_fit

#: Groups with fewer traces have their counts and no distribution: it would be one or two recordings.
FEWEST_TRACES = 5
TOO_FEW = f"fewer than {FEWEST_TRACES} traces"
OUTSIDE_TOLD = "the fitted median lies outside the sizes that could be told"


class LeakSizes(NamedTuple):
    """The two marts on leak size: one row per group, and the steps of each group's distribution."""

    sizes: pl.DataFrame
    curves: pl.DataFrame


def leak_sizes(bounds: pl.DataFrame, level: float) -> LeakSizes:
    """Turn bounds of diameters into distributions, medians and shares, group by group.

    Parameters
    ----------
    bounds : rows of `tally.leak_bound`: by, group, low_mm [mm], high_mm [mm, inf where too large to tell],
        n_traces.
    level : level of the bounds, 0..1.

    Returns
    -------
    LeakSizes : `mart.leak_size` (a missing number has its reason) and `mart.leak_size_curve` (steps with an
        upper end that the traces tell; the share that is left lies above the largest one).
    """
    if bounds.is_empty():
        return LeakSizes(empty_table(LEAK_SIZE), empty_table(LEAK_SIZE_CURVE))
    sizes, curves = [], []
    for (by, group), part in bounds.group_by("by", "group", maintain_order=True):
        nominal = nominal_size_mm(str(group)) if by == "trouble_code" else None
        row, curve = _one_group(part, level, nominal)
        sizes.append(row.with_columns(by=pl.lit(by), group=pl.lit(group)))
        curves.append(curve.with_columns(by=pl.lit(by), group=pl.lit(group)))
    return LeakSizes(
        as_table(pl.concat(sizes, how="diagonal_relaxed"), LEAK_SIZE),
        as_table(pl.concat(curves, how="diagonal_relaxed"), LEAK_SIZE_CURVE),
    )


def _one_group(
    part: pl.DataFrame, level: float, nominal: tuple[float, float] | None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    low, high, count = (part[name].to_numpy() for name in ("low_mm", "high_mm", "n_traces"))
    counts = pl.DataFrame(
        {
            "n_traces": [int(count.sum())],
            "n_below_detection": [int(count[low <= 0].sum())],
            "n_too_large": [int(count[np.isinf(high)].sum())],
            "nominal_mm": pl.Series([nominal and nominal[0]], dtype=pl.Float64),
        }
    )
    if count.sum() < FEWEST_TRACES:
        nothing = empty_table(LEAK_SIZE).clear(1).drop(counts.columns).with_columns(reason=pl.lit(TOO_FEW))
        return pl.concat([counts, nothing], how="horizontal"), empty_table(LEAK_SIZE_CURVE)
    sizes = size_distribution(low, high, count, level)
    smooth = lognormal_fit(low, high, count, level=level)
    return pl.concat([counts, _answers(sizes, smooth, nominal)], how="horizontal"), _curve(sizes, smooth)


def _answers(
    sizes: SizeDistribution, smooth: LognormalFit, nominal: tuple[float, float] | None
) -> pl.DataFrame:
    asked = {
        ("median_mm", "median_low_mm", "median_high_mm"): median(sizes),
        ("share_over_0_5_mm", "share_over_0_5_low", "share_over_0_5_high"): share_over(sizes, 0.5),
        ("share_over_1_0_mm", "share_over_1_0_low", "share_over_1_0_high"): share_over(sizes, 1.0),
    }
    over = share_over(sizes, nominal[0]) if nominal else Answer(np.nan, np.nan, np.nan, "")
    asked["share_over_nominal", "share_over_nominal_low", "share_over_nominal_high"] = over
    numbers = {name: value for names, a in asked.items() for name, value in zip(names, a[:3], strict=True)}
    reasons = [f"{names[0]}: {answer.reason}" for names, answer in asked.items() if answer.reason]
    reasons += [f"lognormal: {reason}" for reason in smooth.reason if reason]
    lognormal_median = _within_told(smooth.median.value, sizes)
    if np.isfinite(smooth.median.value[0]) and not np.isfinite(lognormal_median[0]):
        reasons.append(f"lognormal_median_mm: {OUTSIDE_TOLD}")
    row = {
        **numbers,
        "lognormal_median_mm": lognormal_median,
        "lognormal_sigma": smooth.sigma.value,
        "nominal_agreement": pl.Series([_agreement(sizes, over, nominal)], dtype=pl.String),
        "reason": pl.Series(["; ".join(reasons) or None], dtype=pl.String),
    }
    return pl.DataFrame(row)


def _agreement(sizes: SizeDistribution, over: Answer, nominal: tuple[float, float] | None) -> str | None:
    """Say where the median leak under a code surely lies: in the range that the code speaks of, below, or above."""
    if nominal is None:
        return None
    next_size = nominal[1]
    over_next = share_over(sizes, next_size) if np.isfinite(next_size) else Answer(0.0, 0.0, 0.0, "")
    if over.high < 0.5:
        return "smaller"
    if over_next.low > 0.5:
        return "larger"
    return "agrees" if over.low > 0.5 and over_next.high < 0.5 else "cannot_say"


def _within_told(median_mm: np.ndarray, sizes: SizeDistribution) -> np.ndarray:
    """Blank a median outside the sizes that could be told: there the curve's shape speaks, not the traces."""
    ends = np.concatenate([sizes.intervals.low, sizes.intervals.high])
    ends = ends[(ends > 0) & np.isfinite(ends)]
    return np.where((median_mm >= ends.min()) & (median_mm <= ends.max()), median_mm, np.nan)


def _curve(sizes: SizeDistribution, smooth: LognormalFit) -> pl.DataFrame:
    steps = pl.DataFrame(
        {
            "diameter_mm": sizes.right,
            "interval_low_mm": sizes.left,
            "share_at_most": sizes.share_at_most,
            "low": sizes.low,
            "high": sizes.high,
            "lognormal_share": smooth.share_at_most(sizes.right)[0],
        }
    )
    return steps.head(steps.height - sizes.is_tail_open)
