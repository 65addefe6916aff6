"""Whether a source's pressures can be in the unit that they are read in: draws move a tank's pressure by kilopascals.

One recording without any vacuum shows a purge valve that stays shut, or a leak too large to hold. A source in which no
draw of any vehicle ever moves the pressure writes another unit: kilopascals read as pascals are a thousandth of it. So
does one whose draws move it many times less, or more, than the same models' draws elsewhere, and as many times more
slowly, or faster: inches of mercury read as inches of water are a fourteenth.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.source_limits import (
    DRAWS_S,
    LEAST_TOLD,
    LEAST_VEHICLES,
    MOST_TIMES,
    SMALL_PA,
    USUAL_PA,
)
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.extra_volume import MODEL
from pipeline.traces.readings import Shown
from pipeline.traces.signs import ENGINE_RUNS_RPM

SOURCE = "source_id"
DRAWN_SPAN, DRAWN_RATE, IS_PRESSURE_DOUBTED = "drawn_span_pa", "drawn_rate_pa_s", "is_pressure_doubted"
#: So many draws of a model tell what is usual of it in a source.
_LEAST_OF_MODEL = 4
#: Gross leaks move the pressure less: of spans the upper quartile counts.
_SOUND = 0.75
_IS_COMPARED = pl.col("span_ratio").is_not_null() & pl.col("rate_ratio").is_not_null()
SCHEMA: dict[str, type[pl.DataType]] = {
    "source_id": pl.String,
    "n_drawn": pl.Int64,
    "n_vehicles": pl.Int64,
    "greatest_span_pa": pl.Float64,
    "n_compared": pl.Int64,
    "span_ratio": pl.Float64,
    "rate_ratio": pl.Float64,
    IS_PRESSURE_DOUBTED: pl.Boolean,
}


def drawn_span_pa(shown: Shown) -> Floats:
    """Return the span of the pressure [Pa] of each recording with a draw, nan for the others."""
    return np.where(_is_drawn(shown), shown.sensor.span, np.nan)


def drawn_rate_pa_s(shown: Shown) -> Floats:
    """Return how fast each draw moved the pressure [Pa/s], nan where there was none."""
    return np.where(_is_drawn(shown), shown.draw.rate, np.nan)


def _is_drawn(shown: Shown) -> Flags:
    """Say whose purge was open behind the shut vent while the engine ran, for so long that vacuum comes."""
    with np.errstate(invalid="ignore"):
        return (shown.draw.seconds >= DRAWS_S) & ~(shown.draw.rpm < ENGINE_RUNS_RPM)


def compared(told: pl.DataFrame) -> pl.DataFrame:
    """Return the recordings with span_ratio and rate_ratio: a draw's, by what is usual of its model in other sources
    (the median of these sources' own); null where it moved nothing, as a flat sensor, or where no other source has
    _LEAST_OF_MODEL draws of the model that did."""
    key = [*MODEL, SOURCE]
    span, rate = (
        pl.when(pl.col(DRAWN_RATE).fill_nan(None) > 0).then(name) for name in (DRAWN_SPAN, DRAWN_RATE)
    )
    by_source = (
        told.filter(span > 0, pl.all_horizontal(pl.col(key).is_not_null()))
        .group_by(key)
        .agg(n=pl.len(), usual_span=span.quantile(_SOUND), usual_rate=rate.median())
    )
    pairs = by_source.select(key).join(
        by_source.filter(pl.col("n") >= _LEAST_OF_MODEL), on=MODEL, suffix="_other"
    )
    others = (
        pairs.filter(pl.col(SOURCE) != pl.col(f"{SOURCE}_other"))
        .group_by(key)
        .agg(pl.col("usual_span", "usual_rate").median())
    )
    ratios = told.join(others, on=key, how="left", maintain_order="left").with_columns(
        span_ratio=span / pl.col("usual_span"), rate_ratio=rate / pl.col("usual_rate")
    )
    return ratios.drop("usual_span", "usual_rate")


def counted() -> dict[str, pl.Expr]:
    """Return what SCHEMA says of one source, from vehicle_id, DRAWN_SPAN and what `compared` told of its recordings
    with such a draw."""
    n, n_vehicles, greatest = pl.len(), pl.col("vehicle_id").n_unique(), pl.col(DRAWN_SPAN).max()
    is_small = (n >= LEAST_TOLD) & (n_vehicles >= LEAST_VEHICLES) & (greatest < SMALL_PA)
    span_ratio = pl.col("span_ratio").filter(_IS_COMPARED).quantile(_SOUND)
    rate_ratio = pl.col("rate_ratio").filter(_IS_COMPARED).median()
    return {
        "n_drawn": n,
        "n_vehicles": n_vehicles,
        "greatest_span_pa": greatest,
        "n_compared": _IS_COMPARED.sum(),
        "span_ratio": span_ratio,
        "rate_ratio": rate_ratio,
        IS_PRESSURE_DOUBTED: is_small | _is_odd(span_ratio, rate_ratio).fill_null(False),
    }


def _is_odd(span_ratio: pl.Expr, rate_ratio: pl.Expr) -> pl.Expr:
    """Say whether a source moves the pressure of its models as no other does, and as is less usual than theirs."""
    n_vehicles = pl.col("vehicle_id").filter(_IS_COMPARED).n_unique()
    tells = (_IS_COMPARED.sum() >= LEAST_TOLD) & (n_vehicles >= LEAST_VEHICLES)
    is_more = pl.min_horizontal(span_ratio, rate_ratio) > MOST_TIMES
    is_less = pl.max_horizontal(span_ratio, rate_ratio) < 1 / MOST_TIMES
    own = (pl.col(DRAWN_SPAN).filter(_IS_COMPARED).quantile(_SOUND) / USUAL_PA).log()
    return tells & (is_more | is_less) & (own.abs() > (own - span_ratio.log()).abs())
