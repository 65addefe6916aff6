"""At what age does each component of each model fail, is it wear or chance, and what will be needed next?"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.contract.tables import COMPONENT_LIFE, COMPONENT_LIFE_CURVE
from pipeline.contract.vocabulary import DAYS_PER_YEAR, POOLED
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.comparison import benjamini_hochberg
from pipeline.statistics.forecast import count_quantile, prediction_interval, weibull_forecast
from pipeline.statistics.grouping import Floats
from pipeline.statistics.hazard_curve import hazard_curve
from pipeline.statistics.intervals import Estimate
from pipeline.statistics.life import WeibullLife, weibull_life

HORIZONS_DAYS = (90, 365)
#: A failure on the day its unit came under observation counts half a day: a Weibull has no place for age 0.
SAME_DAY = 0.5
#: Curves keep so many ages, evenly spread over the failures.
MAX_AGES = 40
NO_TIME = "no unit was under observation for a whole day"
NO_FORECAST = "too little is known of the life for a forecast"
_GROUP = ("make", "model", "component")
#: Columns that add up over units that lived alike.
_TOTALS = ("n_units", "unseen_days")


class ComponentLives(NamedTuple):
    """The two marts on life: one row per component of a model, and its failures by age."""

    lives: pl.DataFrame
    curves: pl.DataFrame


def component_lives(
    stretches: pl.DataFrame,
    in_service: pl.DataFrame,
    counts: pl.DataFrame,
    level: float,
    service_level: float,
) -> ComponentLives:
    """Fit a life to each component of each model and of all models together, and forecast from it.

    Parameters
    ----------
    stretches : rows of `tally.unit_life_count`: make, model, component, born_on, start_on, end_on, is_failure,
        is_return, n_units, unseen_days [days of all units].
    in_service : rows of `tally.unit_in_service`: make, model, component, age_days [days], n_units.
    counts : rows of `tally.failure_count`: make, model, component, n_failures, n_replaced, n_vehicles.
    level : level of the bounds, 0..1.
    service_level : chance that the stocked parts last, 0..1.

    Returns
    -------
    ComponentLives : `mart.component_life` (a missing number has its reason) and `mart.component_life_curve`.

    Notes
    -----
    Within the follow-up window of a repair of the same component a failure counts against that repair, and the part
    is not under observation. The forecast counts it: the failures expected of the ages, times the share of
    time under observation, times failures per failure that is no return.
    """
    if counts.is_empty():
        return ComponentLives(empty_table(COMPONENT_LIFE), empty_table(COMPONENT_LIFE_CURVE))
    groups = _with_pooled(counts.select(*_GROUP, "n_vehicles", "n_failures", "n_replaced"))
    groups = groups.group_by(_GROUP).sum().sort(_GROUP).with_row_index("code")
    lived = _coded(with_ages(stretches).drop("born_on", "start_on", "end_on"), groups)
    lived = lived.with_columns(has_time=(pl.col("age") - pl.col("entry") > SAME_DAY).any().over("code"))
    fit = _fit(lived.filter("has_time"), groups.height, level)
    frame = pl.concat([groups, _life_columns(lived, fit, groups, level)], how="horizontal")
    frame = _with_forecasts(frame, fit, _coded(in_service, groups), level, service_level)
    frame = frame.with_columns(reason=_reasons(frame, fit, lived), service_level=pl.lit(service_level))
    return ComponentLives(as_table(frame, COMPONENT_LIFE), _curves(lived, groups, fit, level))


def _with_pooled(frame: pl.DataFrame) -> pl.DataFrame:
    everyone = frame.with_columns(make=pl.lit(POOLED), model=pl.lit(POOLED))
    return pl.concat([frame, everyone])


def with_ages(stretches: pl.DataFrame) -> pl.DataFrame:
    """Ages [days] at the start and end of each stretch; a failure on the first day counts half a day.

    `event`: the stretch ended with a failure of the part.
    """
    entry = (pl.col("start_on") - pl.col("born_on")).dt.total_days().cast(pl.Float64)
    age = (pl.col("end_on") - pl.col("born_on")).dt.total_days().cast(pl.Float64)
    aged = stretches.with_columns(entry=entry, age=age, event=pl.col("is_failure") & ~pl.col("is_return"))
    on_first_day = pl.col("event") & (pl.col("age") <= pl.col("entry"))
    return aged.with_columns(
        age=pl.when(on_first_day).then(pl.col("entry") + SAME_DAY).otherwise(pl.col("age"))
    )


def _coded(frame: pl.DataFrame, groups: pl.DataFrame) -> pl.DataFrame:
    """Give each row the number of its group; all models together have rows of their own, one for units alike."""
    numbered = groups.select(*_GROUP, pl.col("code").cast(pl.Int64))
    own = frame.join(numbered, on=_GROUP, how="inner", maintain_order="left").drop("make", "model")
    totals = [name for name in _TOTALS if name in frame.columns]
    alike = [name for name in frame.columns if name not in ("make", "model", *totals)]
    everyone = frame.group_by(alike, maintain_order=True).agg(pl.col(totals).sum())
    pooled = numbered.filter(pl.col("make") == POOLED, pl.col("model") == POOLED).drop("make", "model")
    everyone = everyone.join(pooled, on="component", how="inner", maintain_order="left")
    return pl.concat([own, everyone.select(own.columns)])


def _fit(lived: pl.DataFrame, n_groups: int, level: float) -> WeibullLife:
    """Fit every group, in years; groups without a stretch under observation get an empty row of their own.

    Ages go in as half days: whole numbers, which add up to few rows without being sorted.
    """
    code = np.concatenate([lived["code"].to_numpy(), np.arange(n_groups)])
    nothing = np.zeros(n_groups)
    fit = weibull_life(
        np.concatenate([lived["age"].to_numpy(), nothing + 1]) / SAME_DAY,
        np.concatenate([lived["event"].to_numpy(), nothing > 0]),
        code,
        np.concatenate([lived["entry"].to_numpy(), nothing]) / SAME_DAY,
        level,
        np.concatenate([lived["n_units"].to_numpy(), nothing]),
    )
    scale, b10 = (Estimate(*(v * SAME_DAY / DAYS_PER_YEAR for v in e)) for e in (fit.scale, fit.b10))
    return replace(fit, scale=scale, b10=b10)


def _life_columns(lived: pl.DataFrame, fit: WeibullLife, groups: pl.DataFrame, level: float) -> pl.DataFrame:
    n_groups = groups.height
    code, n_units = lived["code"].to_numpy(), lived["n_units"].to_numpy()

    def counted(column: str) -> Floats:
        return np.bincount(code, lived[column].to_numpy() * n_units, n_groups).astype(float)

    days = (lived["age"] - lived["entry"]).to_numpy() * n_units
    pattern = fit.pattern()
    says_more = np.isin(pattern, ("early", "wear_out")) & ~(fit.p_constant < 1 - level)
    pattern[says_more] = "unclear"
    return pl.DataFrame(
        {
            "n_returns": counted("is_return"),
            "n_left_out": groups["n_failures"].to_numpy() - counted("is_failure"),
            "unit_years": np.bincount(code, days, n_groups) / DAYS_PER_YEAR,
            **_bounded("weibull_shape", "", fit.shape),
            **_bounded("weibull_scale", "_years", fit.scale),
            **_bounded("b10", "_years", fit.b10),
            "p_constant": np.where(fit.reason == "", fit.p_constant, np.nan),
            "q_constant": benjamini_hochberg(
                np.where(fit.reason == "", fit.p_constant, np.nan),
                # Lives of models, and of all models together, are looked at apart.
                families=(groups["make"] == POOLED).to_numpy(),
            ),
            "pattern": pl.Series(pattern.tolist(), dtype=pl.String),
            "n_known": counted("is_failure"),
            "unseen_years": np.bincount(code, lived["unseen_days"].to_numpy(), n_groups) / DAYS_PER_YEAR,
        }
    )


def _bounded(name: str, unit: str, estimate: tuple[Floats, Floats, Floats]) -> dict[str, Floats]:
    value, low, high = estimate
    return {f"{name}{unit}": value, f"{name}_low{unit}": low, f"{name}_high{unit}": high}


def _with_forecasts(
    frame: pl.DataFrame, fit: WeibullLife, units: pl.DataFrame, level: float, service_level: float
) -> pl.DataFrame:
    code, n_units = units["code"].to_numpy(), units["n_units"].to_numpy()
    age = units["age_days"].to_numpy() / DAYS_PER_YEAR
    frame = frame.with_columns(n_in_service=np.bincount(code, n_units, frame.height))
    replaced, of = frame["n_replaced"].to_numpy(), frame["n_failures"].to_numpy()
    # Share of failures that take a part, by Jeffreys' mean, and the variance of its logarithm.
    share = (replaced + 0.5) / (of + 1.0)
    share_variance = (1 - share) / (share * (of + 2.0))
    # Failures per failure that is no return, and the variance of its logarithm.
    first_failures = np.maximum(fit.n_events, 1.0)
    per_first = np.maximum(frame["n_known"].to_numpy() / first_failures, 1.0)
    return_variance = (per_first - 1) / (per_first**2 * first_failures)
    seen = frame["unit_years"].to_numpy()
    seen_share = seen / np.maximum(seen + frame["unseen_years"].to_numpy(), 1e-9)
    for days in HORIZONS_DAYS:
        first = weibull_forecast(
            age, days / DAYS_PER_YEAR, code, fit.shape.value, fit.scale.value, fit.covariance, n_units
        )
        mean = first.mean * per_first * seen_share
        error = np.sqrt(first.log_error**2 + return_variance)
        low, high = prediction_interval(mean, error, level)
        parts = count_quantile(mean * share, np.sqrt(error**2 + share_variance), service_level)
        frame = frame.with_columns(
            pl.Series(f"failures_next_{days}_days", np.where(np.isnan(low), np.nan, mean)),
            pl.Series(f"failures_next_{days}_days_low", low).fill_nan(None),
            pl.Series(f"failures_next_{days}_days_high", high).fill_nan(None),
            pl.Series(f"parts_for_{days}_days", parts).fill_nan(None),
        )
    return frame.with_columns(n_failures=pl.col("n_known"))


def _reasons(frame: pl.DataFrame, fit: WeibullLife, lived: pl.DataFrame) -> pl.Series:
    no_forecast = frame["failures_next_90_days"].is_nan().to_list()
    no_time = set(lived.filter(~pl.col("has_time"))["code"].to_list())
    reasons = [
        NO_TIME if code in no_time else str(reason) or (NO_FORECAST if is_missing else None)
        for code, (reason, is_missing) in enumerate(zip(fit.reason, no_forecast, strict=True))
    ]
    return pl.Series(reasons, dtype=pl.String)


def _curves(lived: pl.DataFrame, groups: pl.DataFrame, fit: WeibullLife, level: float) -> pl.DataFrame:
    """Failures by age of every group that has a fit, at up to MAX_AGES ages."""
    age, event, code, entry, n_units = (
        lived[name].to_numpy() for name in ("age", "event", "code", "entry", "n_units")
    )
    curve = hazard_curve(age / SAME_DAY, event, code, entry / SAME_DAY, n_units, level)
    if not len(curve.age):
        return empty_table(COMPONENT_LIFE_CURVE)
    which = curve.group.astype(int)
    shape, scale = fit.shape.value[which], fit.scale.value[which]
    since, at = (v * SAME_DAY / DAYS_PER_YEAR for v in (curve.since, curve.age))
    frame = pl.DataFrame(
        {
            "code": pl.Series(which, dtype=pl.UInt32),
            "age_years": at,
            "n_at_risk": curve.n_at_risk,
            "n_failures": curve.n_events,
            "since_years": since,
            "failures_per_unit": curve.hazard,
            "low": curve.low,
            "high": curve.high,
            "weibull_failures_per_unit": (at / scale) ** shape - (since / scale) ** shape,
        }
    )
    frame = frame.filter(np.isfinite(shape)).with_columns(pl.col("n_failures").cum_sum().over("code"))
    return as_table(_thinned(frame).join(groups, on="code").drop("n_failures_right"), COMPONENT_LIFE_CURVE)


def _thinned(frame: pl.DataFrame) -> pl.DataFrame:
    """Keep the last age of each of MAX_AGES equal parts of a group's failures."""
    part = ((pl.col("n_failures") * MAX_AGES) / pl.col("n_failures").max()).ceil().over("code")
    return frame.with_columns(part=part).group_by("code", "part", maintain_order=True).last()
