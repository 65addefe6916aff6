"""Is something new starting? Monthly failures against what exposure, age and the model's own past lead to expect."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from pipeline.contract.tables import ALARMS
from pipeline.contract.vocabulary import DAYS_PER_YEAR, POOLED
from pipeline.estimates.component_life import with_ages
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.grouping import Codes, Floats
from pipeline.statistics.shrinkage import gamma_poisson
from pipeline.statistics.watch import Usual, cusum, log_ratio, paid_limit, rise_start, usual_level

#: The level of a model is never held to be better known beforehand than so (gamma shape; 10 is about +-30 %).
LARGEST_SHAPE = 10.0
_GROUP = ["make", "model", "component"]


def alarms(
    stretches: pl.DataFrame, lives: pl.DataFrame, from_on: date, to_on: date, chance: float, ratio: float
) -> pl.DataFrame:
    """Run one chart for every component of every model over the months of the window.

    Parameters
    ----------
    stretches : rows of `tally.unit_life_count`.
    lives : `mart.component_life`; the rows of all models together say how failures go with age.
    from_on, to_on : the window.
    chance : chance of any false signal over all charts and months, 0..1.
    ratio : rise to look for, > 1.

    Returns
    -------
    `mart.alarms`, `model_year` left to `with_model_years`. Failures that return within the follow-up window count
    against the repair before them and not here. A component without a failure that is no return has no chart.
    """
    lived = _with_hazard(with_ages(stretches), lives)
    if lived.is_empty():
        return empty_table(ALARMS)
    groups = lived.select(_GROUP).unique().sort(_GROUP).with_row_index("code")
    lived = lived.join(groups, on=_GROUP)
    starts = _months(from_on, to_on)
    observed = _observed(lived, starts, groups.height)
    expected = _expected(lived, starts, to_on, groups.height)
    groups, observed, expected = _exposed(groups, observed, expected)
    if groups.is_empty():
        return empty_table(ALARMS)
    shape, rate = _prior(observed.sum(axis=1), expected.sum(axis=1), groups["component"].to_numpy())
    usual = usual_level(observed, expected, shape, rate)
    paid = paid_limit(groups.height, len(starts), chance)
    chart = cusum(log_ratio(observed, expected, usual, ratio), 0.0, paid.limit, paid.head_start)
    n_months = len(starts)
    frame = groups.select(pl.col(_GROUP).repeat_by(n_months).explode()).with_columns(
        month=pl.Series(starts * groups.height, dtype=pl.Date),
        observed=observed.ravel(),
        expected=usual.expected.ravel(),
        evidence=chart.value.ravel(),
        evidence_limit=pl.lit(paid.limit),
        is_signal=chart.is_signal.ravel(),
        **_rise(rise_start(chart), observed, expected, usual, starts),
        model_year=None,
        n_on_model_year=None,
        false_alarm_chance=pl.lit(chance),
        n_charts=pl.lit(groups.height),
        run_length_months=pl.lit(paid.run_length),
    )
    return as_table(frame, ALARMS)


def _rise(
    since: Codes, observed: Floats, expected: Floats, usual: Usual, starts: list[date]
) -> dict[str, pl.Series]:
    """Since when each chart rises, and what was seen and expected since; null where it does not."""
    rises = since >= 0
    first = np.maximum(since, 0)

    def summed(values: Floats) -> Floats:
        total = np.cumsum(values, axis=1)
        return total - np.take_along_axis(total - values, first, axis=1)

    level = np.take_along_axis(usual.shape / usual.rate, first, axis=1)
    months = pl.Series(starts, dtype=pl.Date)
    return {
        "rising_since": months.gather(first.ravel()).set(pl.Series(~rises.ravel()), None),
        "observed_since": pl.Series(np.where(rises, summed(observed), np.nan).ravel()).fill_nan(None),
        "expected_since": pl.Series(np.where(rises, summed(expected) * level, np.nan).ravel()),
    }


def _with_hazard(lived: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Join the pooled life of each component; a constant rate where it has no fit."""
    first = pl.col("n_failures") - pl.col("n_returns")
    pooled = lives.filter(pl.col("make") == POOLED, first > 0).select(
        "component",
        shape=pl.col("weibull_shape").fill_null(1.0),
        scale=pl.when(pl.col("weibull_shape").is_null())
        .then(pl.col("unit_years") / first)
        .otherwise(pl.col("weibull_scale_years")),
    )
    return lived.join(pooled, on="component", maintain_order="left")


def _months(from_on: date, to_on: date) -> list[date]:
    """First days of the window's months."""
    first, last = from_on.year * 12 + from_on.month - 1, to_on.year * 12 + to_on.month - 1
    return [date(n // 12, n % 12 + 1, 1) for n in range(first, last + 1)]


def _observed(lived: pl.DataFrame, starts: list[date], n_groups: int) -> Floats:
    failed = lived.filter("event")
    month = np.searchsorted(_days(pl.Series(starts)), _days(failed["end_on"]), side="right") - 1
    cell = failed["code"].to_numpy().astype(np.int64) * len(starts) + month
    n = np.bincount(cell, failed["n_units"].to_numpy(), n_groups * len(starts))
    return n.reshape(n_groups, len(starts)).astype(float)


def _expected(lived: pl.DataFrame, starts: list[date], to_on: date, n_groups: int) -> Floats:
    """Sum each group's hazard over each month, one boundary after the other."""
    code, n_units = lived["code"].to_numpy().astype(np.int64), lived["n_units"].to_numpy().astype(float)
    born, start, end = (_days(lived[c]) for c in ("born_on", "start_on", "end_on"))
    hazard, first = _hazard_by_age(lived, int((end - born).max()))

    def spent(day: Codes | int) -> Floats:
        return np.bincount(code, n_units * hazard[first + np.clip(day, start, end)], n_groups).astype(float)

    bounds = [*_days(pl.Series(starts[1:], dtype=pl.Date)), _days(pl.Series([to_on]))[0]]
    totals = np.stack([spent(start), *(spent(int(day)) for day in bounds)])
    return np.maximum(np.diff(totals, axis=0).T, 0.0)


def _hazard_by_age(lived: pl.DataFrame, oldest_days: int) -> tuple[Floats, Codes]:
    """Cumulative hazard of each life at every age in days, and where a row's own life is at day 0 of the epoch."""
    lives = lived.select("shape", "scale").unique(maintain_order=True).with_row_index("life")
    which = (
        lived.join(lives, on=["shape", "scale"], maintain_order="left")["life"].to_numpy().astype(np.int64)
    )
    ages = np.arange(oldest_days + 1) / DAYS_PER_YEAR
    hazard = (ages / lives["scale"].to_numpy()[:, None]) ** lives["shape"].to_numpy()[:, None]
    return hazard.ravel(), which * len(ages) - _days(lived["born_on"])


def _exposed(groups: pl.DataFrame, observed: Floats, expected: Floats) -> tuple[pl.DataFrame, Floats, Floats]:
    kept = expected.sum(axis=1) > 0
    return groups.filter(pl.Series(kept)), observed[kept], expected[kept]


def _prior(counts: Floats, expected: Floats, component: np.ndarray) -> tuple[Floats, Floats]:
    """How far models of one component differ from each other, as a gamma shape and rate for every chart."""
    fit = gamma_poisson(counts, expected, component)
    which = np.searchsorted(fit.groups, component)
    total = np.bincount(which, counts) / np.bincount(which, expected)
    known = np.where(np.isnan(fit.shape), LARGEST_SHAPE, fit.shape)
    shape = np.minimum(known, LARGEST_SHAPE)[which]
    return shape, shape / np.maximum(total[which], np.finfo(float).eps)


def _days(dates: pl.Series) -> Codes:
    return dates.cast(pl.Date).to_physical().to_numpy().astype(np.int64)
