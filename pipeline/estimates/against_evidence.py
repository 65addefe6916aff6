"""How often was a part repaired that the recording before it does not support? By shop, and over all of them."""

from __future__ import annotations

import polars as pl

from pipeline.contract.tables import AGAINST_EVIDENCE
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.intervals import wilson_interval


def against_evidence(shops: pl.DataFrame, level: float) -> pl.DataFrame:
    """Bound each shop's share of repairs against the recording before them.

    Parameters
    ----------
    shops : rows of `tally.evidence_count`: shop_id, n_told, n_against.
    level : level of the intervals, 0..1.

    Returns
    -------
    `mart.against_evidence`: a row for all shops together and one for each; none where nothing was told.
    """
    if shops.is_empty():
        return empty_table(AGAINST_EVIDENCE)
    counted = pl.col("n_told", "n_against")
    everyone = shops.select(counted.sum()).select(
        by=pl.lit("all"), group=pl.lit("all"), n_told="n_told", n_against="n_against"
    )
    each = shops.select(pl.lit("shop").alias("by"), pl.col("shop_id").alias("group"), counted)
    counts = pl.concat([everyone, each], how="vertical_relaxed")
    bounds = wilson_interval(counts["n_against"].to_numpy(), counts["n_told"].to_numpy(), level)
    shares = counts.with_columns(
        share_against=pl.col("n_against") / pl.col("n_told"), low=bounds.low, high=bounds.high
    )
    return as_table(shares, AGAINST_EVIDENCE)
