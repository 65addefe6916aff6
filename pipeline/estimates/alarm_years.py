"""On which model year are most failures of a chart that rises?"""

from __future__ import annotations

import polars as pl

_GROUP = ["make", "model", "component"]


def with_model_years(charts: pl.DataFrame, failed: pl.DataFrame) -> pl.DataFrame:
    """Say for the last month of each chart, and for months of a signal, which model year has most of the failures.

    Parameters
    ----------
    charts : rows of `mart.alarms`.
    failed : rows of `tally.failure_day`: make, model, component, model_year, failed_on, n_failures.

    Returns
    -------
    `mart.alarms` with `model_year` and `n_on_model_year`: null in other months, without a rise, and where no model
    year has more than half of `observed_since`.
    """
    last = pl.col("month") == pl.col("month").max().over(_GROUP)
    told = charts.filter(last | pl.col("is_signal"), pl.col("observed_since") > 0)
    after = told.select(*_GROUP, "month", "rising_since", "observed_since")
    by_year = (
        after.join(failed, on=_GROUP)
        .filter(pl.col("failed_on").is_between(pl.col("rising_since"), pl.col("month").dt.month_end()))
        .group_by(*_GROUP, "month", "observed_since", "model_year")
        .agg(n_on_model_year=pl.col("n_failures").sum().cast(pl.Int64))
        .filter(pl.col("n_on_model_year") * 2 > pl.col("observed_since"))
    )
    found = by_year.select(*_GROUP, "month", pl.col("model_year").cast(pl.Int64), "n_on_model_year")
    return (
        charts.drop("model_year", "n_on_model_year")
        .join(found, on=[*_GROUP, "month"], how="left", maintain_order="left")
        .select(charts.columns)
    )
