"""Which inspection stations are unlike the others? A reason to look, never an accusation."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.stats import nbinom

from pipeline.contract.tables import INSPECTION_STATION, STATION_LOOK
from pipeline.estimates.table_shape import as_table, empty_table, floats
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

#: Rare habits: a station is compared with the others alone, since one that has the habit would hide in a mean that it
#: makes itself; only more than expected is a reason to look.
HABITS = ("soon_after_clear", "close_tests", "quick_retest")
#: Variance of the rate of a habit between ordinary stations, as a share of its square, is taken as at least this: they
#: differ by some 30 % for innocent reasons (our choice).
LEAST_SPREAD = 0.1
#: Records named behind a station that stands out.
MOST_IDS = 20

_COUNTS = ("station_id", "measure", "n", "of", "expected", "inspection_ids")


def station_look(by_stratum: pl.DataFrame, repeats: pl.DataFrame, level: float) -> pl.DataFrame:
    """Compare every station with what its model years, or chance, lead to expect.

    Parameters
    ----------
    by_stratum : rows of `tally.station_year_count` (its model year is the stratum) and `tally.station_habit_count`:
        station_id, measure, stratum, n, of, inspection_ids.
    repeats : rows of `tally.station_repeat_count`: station_id, measure, n, of, expected, inspection_ids.
    level : level of the Wilson intervals, 0..1.

    Returns
    -------
    `mart.station_look`. p-values allow for ordinary differences between stations, measured on the other
    stations. initial_failure and not_ready are two-sided; less of the other measures than expected is no reason
    to look (p = 1). Repeated readings are expected by chance, habits at the rates of the other stations; both
    are compared with the others alone, negative binomial. Not tested, so null: too few inspections, too few
    stations, nothing to expect.
    """
    parts = by_stratum.partition_by("measure", maintain_order=True)
    compared = [
        _compare_with_others(part) if part["measure"][0] in HABITS else _compare(_expect_by_stratum(part))
        for part in parts
    ]
    compared += [_compare_repeats(part) for part in repeats.partition_by("measure")]
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
    ).with_columns(inspection_ids=pl.when("stands_out").then(pl.col("inspection_ids").list.head(MOST_IDS)))
    return as_table(frame, STATION_LOOK)


def _expect_by_stratum(counts: pl.DataFrame) -> pl.DataFrame:
    mix = expected_counts(
        counts["n"].to_numpy(),
        counts["of"].to_numpy(),
        counts["stratum"].to_numpy(),
        counts["station_id"].to_numpy(),
    )
    expected = pl.DataFrame(
        {"station_id": pl.Series(mix.groups.tolist(), dtype=pl.String), "expected": mix.expected}
    )
    return (
        counts.group_by("station_id", "measure")
        .agg(pl.col("n", "of").sum(), pl.col("inspection_ids").explode().drop_nulls())
        .join(expected, on="station_id")
    )


def _compare(counts: pl.DataFrame) -> pl.DataFrame:
    counts = counts.select(_COUNTS).sort("station_id")
    tested = counts["of"].to_numpy() >= FEWEST_INSPECTIONS
    observed, expected = (floats(counts[c]) for c in ("n", "expected"))
    limits = funnel(observed, np.where(tested, expected, np.nan))
    n_tested = int(np.isfinite(limits.p_value).sum())
    p_value = np.maximum(limits.p_value, student_p_value(limits.z, n_tested))
    return counts.with_columns(p_value=np.where(n_tested >= FEWEST_STATIONS, p_value, np.nan))


def _compare_with_others(counts: pl.DataFrame) -> pl.DataFrame:
    """Expect of each station what the others do in its strata; p from a negative binomial spread as theirs."""
    others_n, others_of = ((pl.col(c).sum().over("stratum") - pl.col(c)) for c in ("n", "of"))
    expected = pl.when(others_of > 0).then(pl.col("of") * others_n / others_of)
    frame = (
        counts.with_columns(expected=expected.cast(pl.Float64))
        .group_by("station_id", "measure")
        .agg(
            pl.col("n", "of").sum(), pl.col("expected").sum(), pl.col("inspection_ids").explode().drop_nulls()
        )
        .select(_COUNTS)
        .sort("station_id")
    )
    return _with_p_value(frame)


def _compare_repeats(repeats: pl.DataFrame) -> pl.DataFrame:
    """Expect of each station what chance gives, raised to what the others show above chance, never lowered."""
    frame = repeats.select(_COUNTS).sort("station_id")
    frame = frame.with_columns(pl.col("expected").clip(lower_bound=FEWEST_REPEATS_EXPECTED))
    n, by_chance = (frame[c].cast(pl.Float64).fill_null(0.0).to_numpy() for c in ("n", "expected"))
    with np.errstate(invalid="ignore", divide="ignore"):
        above = (n.sum() - n) / (by_chance.sum() - by_chance)
    return _with_p_value(frame, by_chance * np.fmax(above, 1.0))


def _with_p_value(frame: pl.DataFrame, usual: np.ndarray | None = None) -> pl.DataFrame:
    """Add how often an ordinary station would count so many: negative binomial, spread as the others are."""
    n = frame["n"].to_numpy().astype(float)
    usual = frame["expected"].to_numpy() if usual is None else usual
    tested = (frame["of"].to_numpy() >= FEWEST_INSPECTIONS) & (usual > 0)
    size = 1 / _spread_of_others(n, usual)
    mean = np.maximum(usual, FEWEST_REPEATS_EXPECTED)
    p_value = np.where(n > usual, nbinom.sf(n - 1, size, size / (size + mean)), 1.0)
    known = tested if tested.sum() >= FEWEST_STATIONS else np.zeros(len(n), dtype=bool)
    return frame.with_columns(p_value=np.where(known, p_value, np.nan))


def _spread_of_others(n: np.ndarray, usual: np.ndarray) -> np.ndarray:
    """Variance of the other stations' rates as a share of its square, by moments, for each station left out.

    With r the others' n over their usual: (sum (n - r usual)^2 - r sum usual) / (r^2 sum usual^2), never below
    LEAST_SPREAD.
    """
    of_n, of_usual, squares, products, usual_squares = (
        v.sum() - v for v in (n, usual, n**2, n * usual, usual**2)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        r = of_n / of_usual
        apart = squares - 2 * r * products + r**2 * usual_squares - r * of_usual
        spread = apart / (r**2 * usual_squares)
    return np.where((of_n > 0) & (of_usual > 0), np.fmax(spread, LEAST_SPREAD), LEAST_SPREAD)


def inspection_station(by_year: pl.DataFrame, look: pl.DataFrame, level: float) -> pl.DataFrame:
    """Give every station its initial tests and failure rate by model year, and what is unusual about it.

    Parameters
    ----------
    by_year : rows of `tally.station_year_count`; those of initial_failure are used.
    look : `mart.station_look`.
    level : level of the Wilson intervals, 0..1.

    Returns
    -------
    `mart.inspection_station`: 40 CFR 51.366(a)(3) and (a)(4).
    """
    tests = by_year.filter(pl.col("measure") == "initial_failure").rename(
        {"n": "n_initial_fail", "of": "n_initial"}
    )
    year = pl.col("n_initial_fail").sum().over("model_year") / pl.col("n_initial").sum().over("model_year")
    low, high = wilson_interval(tests["n_initial_fail"].to_numpy(), tests["n_initial"].to_numpy(), level)
    unusual = look.group_by("station_id").agg(
        station_q_value=pl.col("q_value").min(),
        reasons_to_look=pl.col("measure").filter(pl.col("stands_out")).sort(),
    )
    frame = tests.with_columns(
        initial_failure_percent=100 * pl.col("n_initial_fail") / pl.col("n_initial"),
        low_percent=100 * low,
        high_percent=100 * high,
        year_percent=100 * year,
    ).join(unusual, on="station_id", how="left")
    return as_table(frame, INSPECTION_STATION)
