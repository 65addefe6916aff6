"""What a table tells of a rate that is compared with that of others: the columns of any such comparison."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import APART_Q
from pipeline.estimates.table_shape import why_missing
from pipeline.statistics.comparison import benjamini_hochberg
from pipeline.statistics.stratified_ratio import StratifiedRatio


def compared(found: StratifiedRatio, families: np.ndarray | None = None) -> dict[str, Any]:
    """Return ratio with bounds (NaN where infinite), p- and q-value, and whether the rate stands out above the others'.

    Parameters
    ----------
    families : label of what is corrected together for how many were looked at; None: all of `found`.
    """
    q_value = benjamini_hochberg(found.p_value, families)
    return {
        "rate_ratio": np.where(np.isfinite(found.ratio), found.ratio, np.nan),
        "rate_ratio_low": found.low,
        "rate_ratio_high": np.where(np.isfinite(found.high), found.high, np.nan),
        "p_value": found.p_value,
        "q_value": q_value,
        "stands_out": (q_value < APART_Q) & (found.ratio > 1),
    }


def why_no_ratio(nothing_compared: str, none_elsewhere: str) -> pl.Expr:
    """Say why a row has no ratio: nothing was compared, or the others had no event."""
    is_tested = pl.col("p_value").is_not_nan()
    return why_missing(
        (~is_tested, f"rate_ratio: {nothing_compared}"),
        (is_tested & pl.col("rate_ratio").is_nan(), f"rate_ratio: {none_elsewhere}"),
    )
