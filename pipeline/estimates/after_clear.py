"""How far must a vehicle be driven after a clear until its monitors are complete?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.contract.tables import MONITOR_AFTER_CLEAR, READINESS_AFTER_CLEAR
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.current_status import ALL_SHOW, NONE_SHOWS, NOT_REACHED, status_quantiles
from pipeline.statistics.status_curve import StatusCurves, status_curves

SHARES = (0.5, 0.8, 0.9)
#: With fewer vehicles the likelihood ratio is far from its limit law, and a model has no distance of its own.
FEWEST_VEHICLES = 20
TOO_FEW = f"fewer than {FEWEST_VEHICLES} vehicles"
#: A counter counts whole steps: a reading of 12 km is 12 to 13 km, and the curve takes its middle.
HALF_A_STEP = 0.5
#: Where both counters end (SAE J1979 PIDs 31 and 30, recalled from memory).
COUNTER_ENDS = {"distance_km": 65535, "warmups": 255}
#: What the floor says of units and sizes, said of vehicles and of km or warm-ups.
SAID = {
    ALL_SHOW: "every vehicle had it complete: the reading lies below the smallest at which one was looked at",
    NONE_SHOWS: "no vehicle had it complete",
    NOT_REACHED: "so large a share is not reached at any reading at which one was looked at",
}
TOO_WIDE = "the pooled curve cannot tell: its bounds leave what the counter can count"

_MODEL = ("make", "model")


@dataclass(frozen=True)
class EvapCurve:
    """The EVAP monitor's pooled curves by distance, and the index of each (make, model) in them."""

    curves: StatusCurves
    models: pl.DataFrame


class AfterClear(NamedTuple):
    """The two marts, and the EVAP curve from which a vehicle's chance is read."""

    evap: pl.DataFrame
    monitors: pl.DataFrame
    curve: EvapCurve | None


def after_clear(counts: pl.DataFrame, level: float) -> AfterClear:
    """Estimate the readings after a clear at which 50, 80 and 90 % of each model have each monitor complete.

    Parameters
    ----------
    counts : rows of `tally.after_clear_count`: make, model, monitor, counter, reading, n, n_ready.
    level : level of the bounds, 0.5..0.999.

    Returns
    -------
    AfterClear : `mart.readiness_after_clear`, `mart.monitor_after_clear`; a missing number has its reason.
    """
    if counts.is_empty():
        return AfterClear(empty_table(READINESS_AFTER_CLEAR), empty_table(MONITOR_AFTER_CLEAR), None)
    parts, curve = [], None
    for (monitor, counter), part in counts.group_by("monitor", "counter", maintain_order=True):
        models = part.select(_MODEL).unique().sort(_MODEL).with_row_index("place")
        placed = part.join(models, on=_MODEL)
        curves = status_curves(
            placed["reading"].to_numpy() + HALF_A_STEP, placed["n_ready"], placed["n"], placed["place"]
        )
        if (monitor, counter) == ("evap", "distance_km"):
            curve = EvapCurve(curves, models)
        parts.append(_readings(placed, models, curves, level))
    monitors = pl.concat(parts)
    return AfterClear(_evap_table(monitors), as_table(monitors, MONITOR_AFTER_CLEAR), curve)


def _readings(placed: pl.DataFrame, models: pl.DataFrame, curves: StatusCurves, level: float) -> pl.DataFrame:
    """Give one row per model and share; `placed` holds one monitor and one counter."""
    own = status_quantiles(placed["reading"], placed["n_ready"], placed["n"], placed["place"], SHARES, level)
    pooled = curves.quantile(SHARES, level)
    told = pooled.high < COUNTER_ENDS[placed["counter"][0]]
    counted = (
        placed.group_by("place")
        .agg(
            pl.col("monitor", "counter").first(),
            n_vehicles=pl.col("n").sum(),
            n_not_ready=(pl.col("n") - pl.col("n_ready")).sum(),
            n_saturated=pl.col("n").filter(pl.col("reading").is_infinite()).sum(),
        )
        .join(models, on="place")
        .sort("place")
    )
    few = counted["n_vehicles"].to_numpy() < FEWEST_VEHICLES
    rows = []
    for j, share in enumerate(SHARES):
        reading, low, high = (np.where(few, np.nan, v[:, j]) for v in own.size)
        rows.append(
            counted.with_columns(
                share_ready=pl.lit(share),
                reading=reading,
                low=low,
                high=high,
                reason=pl.Series(np.where(few, TOO_FEW, own.reason[:, j]).tolist(), dtype=pl.String).replace(
                    SAID
                ),
                **{
                    f"pooled{end}": np.where(told[:, j], np.maximum(v[:, j] - HALF_A_STEP, 0.0), np.nan)
                    for end, v in zip(("", "_low", "_high"), pooled, strict=True)
                },
                pooled_reason=pl.Series([curves.reason or ("" if t else TOO_WIDE) for t in told[:, j]]),
            )
        )
    blank = [pl.col(c).replace("", None) for c in ("reason", "pooled_reason")]
    return pl.concat(rows).with_columns(pl.col(pl.Float64).fill_nan(None)).with_columns(blank)


def _evap_table(monitors: pl.DataFrame) -> pl.DataFrame:
    """Lay the EVAP rows out as one row per model."""
    evap = monitors.filter(pl.col("monitor") == "evap")
    by_km = evap.filter(pl.col("counter") == "distance_km")
    models = evap.select(_MODEL).unique()
    wide = models.join(
        by_km.filter(pl.col("share_ready") == SHARES[-1]).select(
            *_MODEL, "n_vehicles", "n_not_ready", "reason", *_renamed("pooled_km_90", "pooled")
        ),
        on=_MODEL,
        how="left",
    )
    for counter, name in (("distance_km", "km"), ("warmups", "warmups")):
        for share in SHARES:
            one = evap.filter((pl.col("counter") == counter) & (pl.col("share_ready") == share))
            wide = wide.join(
                one.select(*_MODEL, *_renamed(f"{name}_{100 * share:.0f}", "reading", "low", "high")),
                on=_MODEL,
                how="left",
            )
    return as_table(wide, READINESS_AFTER_CLEAR)


def _renamed(name: str, value: str, low: str = "", high: str = "") -> tuple[pl.Expr, ...]:
    columns = (value, low or f"{value}_low", high or f"{value}_high")
    return tuple(pl.col(c).alias(name + end) for c, end in zip(columns, ("", "_low", "_high"), strict=True))
