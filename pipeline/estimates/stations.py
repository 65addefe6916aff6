"""Which inspection stations are unlike the others? A reason to look, never an accusation."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import STATION_LOOK
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.comparison import benjamini_hochberg
from pipeline.statistics.funnel import funnel, student_p_value
from pipeline.statistics.intervals import wilson_interval
from pipeline.statistics.standardization import expected_counts

#: A station stands out below this false-discovery rate: wider than is usual, since people act on a name.
STANDS_OUT_Q = 0.01
#: Stations with fewer inspections are shown and not tested: a handful of them says nothing of a station.
FEWEST_INSPECTIONS = 30
#: With fewer stations than this there is no telling how much ordinary stations differ, and none is tested.
FEWEST_STATIONS = 5
#: Repeats expected of a station by chance are taken as at least this many: a sample without any match
#: elsewhere does not make one repeat impossible.
FEWEST_REPEATS_EXPECTED = 0.5

_COUNTS = ("station_id", "measure", "n", "of", "expected")


def station_look(by_year: pl.DataFrame, repeats: pl.DataFrame, level: float) -> pl.DataFrame:
    """Compare every station with what its model years, or chance, lead to expect.

    Parameters
    ----------
    by_year : rows of `mart.station_year_count`: station_id, measure, model_year, n, of.
    repeats : rows of `mart.station_repeat_count`: station_id, n, of, expected.
    level : level of the Wilson intervals, 0..1.

    Returns
    -------
    `mart.station_look`. p-values allow for ordinary differences between stations, measured on the other
    stations. initial_failure and not_ready are two-sided; fewer repeated records than expected are no reason
    to look (p = 1). Not tested, so null: too few inspections, too few stations, nothing to expect.
    """
    measures = [_expect_by_year(part) for part in by_year.partition_by("measure", maintain_order=True)]
    measures.append(_expect_by_chance(repeats))
    compared = [_compare(part.select(_COUNTS)) for part in measures if part.height]
    if not compared:
        return empty_table(STATION_LOOK)
    frame = pl.concat(compared, how="vertical_relaxed")
    q_value = benjamini_hochberg(frame["p_value"].to_numpy())
    low, high = wilson_interval(frame["n"].to_numpy(), frame["of"].to_numpy(), level)
    frame = frame.with_columns(
        share=pl.col("n") / pl.col("of"),
        low=low,
        high=high,
        ratio=pl.when(pl.col("expected") > 0).then(pl.col("n") / pl.col("expected")),
        q_value=q_value,
        stands_out=q_value < STANDS_OUT_Q,
    )
    return as_table(frame, STATION_LOOK)


def _expect_by_year(counts: pl.DataFrame) -> pl.DataFrame:
    mix = expected_counts(
        counts["n"].to_numpy(),
        counts["of"].to_numpy(),
        counts["model_year"].to_numpy(),
        counts["station_id"].to_numpy(),
    )
    expected = pl.DataFrame(
        {"station_id": pl.Series(mix.groups.tolist(), dtype=pl.String), "expected": mix.expected}
    )
    return (
        counts.group_by("station_id", "measure").agg(pl.col("n", "of").sum()).join(expected, on="station_id")
    )


def _expect_by_chance(repeats: pl.DataFrame) -> pl.DataFrame:
    return repeats.with_columns(
        pl.lit("repeated_record").alias("measure"),
        pl.col("expected").clip(lower_bound=FEWEST_REPEATS_EXPECTED),
    )


def _compare(counts: pl.DataFrame) -> pl.DataFrame:
    counts = counts.sort("station_id")
    tested = counts["of"].to_numpy() >= FEWEST_INSPECTIONS
    observed, expected = (counts[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("n", "expected"))
    limits = funnel(observed, np.where(tested, expected, np.nan))
    n_tested = int(np.isfinite(limits.p_value).sum())
    p_value = np.maximum(limits.p_value, student_p_value(limits.z, n_tested))
    is_one_sided = counts["measure"].to_numpy() == "repeated_record"
    p_value = np.where(is_one_sided & (observed <= expected) & ~np.isnan(p_value), 1.0, p_value)
    return counts.with_columns(p_value=np.where(n_tested >= FEWEST_STATIONS, p_value, np.nan))
