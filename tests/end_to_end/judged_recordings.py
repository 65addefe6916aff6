"""What the measurement says of another author's recordings, beside what is true of them."""

from __future__ import annotations

import polars as pl

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces


def judge(samples: pl.DataFrame, headers: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """Measure the recordings; `truth` of a row is the true verdict, `is_right` whether it or `also_fair` was found."""
    result = measure_traces(as_accepted(samples), headers, Settings())
    said = result.select(
        *("trace_id", "verdict", "confidence", "evidence", "leak_censoring"),
        pl.col("^leak_diameter.*$", "^leak_area_per_volume.*$"),
    )
    both = truth.rename({"verdict": "truth"}).join(said, on="trace_id", how="left")
    is_right = pl.col("truth") == pl.col("verdict")
    if "also_fair" in both.columns:
        is_right |= pl.col("also_fair").eq_missing(pl.col("verdict"))
    return both.with_columns(is_right=is_right)


def as_accepted(samples: pl.DataFrame) -> pl.DataFrame:
    """Leave out the samples of a clock that was set back until it has passed what it showed before, as a run does: it
    refuses them, with their reason, before anything is measured."""
    before = pl.col("t_s").cum_max().shift(1).over("trace_id")
    return samples.filter(before.is_null() | (pl.col("t_s") > before))


def sized_leaks(
    judged: pl.DataFrame, least_mm: float, below_mm: float, size: str = "leak_diameter_mm"
) -> pl.DataFrame:
    """Return the leaks that were found as such and given a `size`, of true diameters in a band."""
    return judged.filter(
        pl.all_horizontal(pl.col("truth", "verdict") == "leak")
        & (pl.col("diameter_mm") >= least_mm)
        & (pl.col("diameter_mm") < below_mm)
        & pl.col(size).is_not_null()
    )


def worst(judged: pl.DataFrame) -> str:
    """Say which verdicts were wrong, how often, and of which recordings: the message of a test that fails."""
    wrong = (
        judged.filter(~pl.col("is_right"))
        .group_by("truth", "verdict")
        .agg(pl.len(), pl.col("trace_id").head(4))
    )
    return str(wrong.sort("len", descending=True).to_dicts())
