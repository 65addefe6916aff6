"""Does it come back on the same vehicle? Failures per vehicle by age, component by component."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import RECURRENCE
from pipeline.contract.vocabulary import POOLED
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.grouping import Floats
from pipeline.statistics.recurrence import greatest_age_with, mean_cumulative_function

#: Curves keep so many ages, evenly spread over the failures.
MAX_AGES = 60
#: A vehicle is observed from the morning of the day on which the window found it.
MORNING = 0.5
#: A curve is read where this share of the vehicles, and so many, are still under observation. Further on a failure more
#: or less decides: ten fleets of known truth (DEVELOPERS.md, "Recurrence").
READ_SHARE, READ_LEAST = 0.1, 10


def recurrence(vehicles: pl.DataFrame, failures: pl.DataFrame, level: float) -> pl.DataFrame:
    """Estimate the mean cumulative number of failures per vehicle by age.

    Parameters
    ----------
    vehicles : rows of `core.vehicle_age`: vehicle_id, make, model, entry_days, end_days [days].
    failures : rows of `core.failure_age`: vehicle_id, component, age_days [days].
    level : level of the bounds, 0..1.

    Returns
    -------
    `mart.recurrence`, for every model and for all together. Bounds are null where a single vehicle is at risk or
    all had the same; a component of a model that never failed has no rows. The last failure up to `read_to_days` is
    always among the ages.
    """
    if vehicles.is_empty() or failures.is_empty():
        return empty_table(RECURRENCE)
    models = vehicles.select("make", "model").unique().sort("make", "model").with_row_index("group")
    numbered = vehicles.join(models, on=["make", "model"]).with_row_index("unit")
    events = failures.join(numbered.select("vehicle_id", "unit"), on="vehicle_id")
    everyone = pl.DataFrame({"group": [models.height], "make": [POOLED], "model": [POOLED]})
    names = pl.concat([models, everyone], how="vertical_relaxed")
    read_to = _read_to(numbered)
    parts = [
        _one_component(numbered, of, read_to, level).with_columns(component=pl.lit(component))
        for (component,), of in events.group_by("component")
    ]
    if not parts:
        return empty_table(RECURRENCE)
    frame = pl.concat(parts).join(names.with_columns(pl.col("group").cast(pl.Int64)), on="group")
    return as_table(frame, RECURRENCE)


def _observed(vehicles: pl.DataFrame) -> tuple[Floats, Floats]:
    """Give the ages [days] after which, and up to which, each vehicle was under observation."""
    entry = np.maximum(vehicles["entry_days"].to_numpy() - MORNING, 0.0)
    return entry, vehicles["end_days"].to_numpy().astype(float)


def _read_to(vehicles: pl.DataFrame) -> pl.DataFrame:
    """Find for every model, and for all together (the group after the last), up to which age its curves are read."""
    groups = [of for _, of in vehicles.sort("group").group_by("group", maintain_order=True)]
    ages = []
    for of in (*groups, vehicles):
        entry, end = _observed(of)
        ages.append(greatest_age_with(end, entry, max(READ_LEAST, READ_SHARE * of.height)))
    frame = pl.DataFrame({"group": np.arange(len(ages)), "read_to_days": ages})
    return frame.with_columns(pl.col("read_to_days").fill_nan(None))


def _one_component(
    vehicles: pl.DataFrame, events: pl.DataFrame, read_to: pl.DataFrame, level: float
) -> pl.DataFrame:
    """Follow every vehicle twice: in its own model, and among all."""
    n, all_together = vehicles.height, read_to.height - 1
    entry, end = _observed(vehicles)
    own = vehicles["group"].to_numpy().astype(np.int64)
    unit, age = events["unit"].to_numpy().astype(np.int64), events["age_days"].to_numpy().astype(float)
    curve = mean_cumulative_function(
        np.tile(end, 2),
        np.concatenate([unit, unit + n]),
        np.tile(age, 2),
        np.concatenate([own, np.full(n, all_together)]),
        np.tile(entry, 2),
        level,
    )
    frame = pl.DataFrame(
        {
            "group": np.asarray(curve.group, np.int64),
            "age_days": curve.age,
            "n_at_risk": curve.n_at_risk,
            "n_failures": curve.n_events,
            "failures_per_vehicle": curve.mean,
            "low": curve.low,
            "high": curve.high,
        }
    )
    frame = frame.with_columns(pl.col("n_failures").cum_sum().over("group"))
    frame = frame.join(read_to, on="group", maintain_order="left")
    is_read = pl.col("age_days") <= pl.col("read_to_days")
    part = ((pl.col("n_failures") * MAX_AGES) / pl.col("n_failures").max()).ceil().over("group")
    return (
        frame.group_by("group", part.alias("part"), is_read.alias("is_read"), maintain_order=True)
        .last()
        .select(frame.columns)
    )
