"""Answers of one parameter a row, as a scan tool polls them: which sample does each belong to?"""

from __future__ import annotations

import polars as pl

from pipeline.contract.fields import SAMPLES
from pipeline.lake.reading import Reading

#: A value that was told longer ago [s] is not known any more: pollers come round within two or three seconds, and a
#: draw takes some ten (judgement).
CARRIED_S = 5.0
_PRESSURES = ("tank_pressure_pa", "tank_pressure_abs_kpa")
_RECORDING = ("file", "trace_id")


def with_samples_of_polled(reading: Reading, decoded: dict[str, pl.Series]) -> None:
    """Leave a row for each answer of tank pressure, with what the answers around it told of purge and engine.

    Where a recording answers one parameter a row, its sample is the row that answers the pressure: it takes the value
    that was told last, or before anything was told the next one, no more than CARRIED_S away. The rows that told those
    values are no samples, and go. Rows of which anything cannot be read, and recordings that never answer a pressure,
    stay as they are, to be refused with their reason. Changes `reading`.

    Parameters
    ----------
    reading : samples, whose fields bear what their own row told
    decoded : what the answers of each row told, null where they did not
    """
    told = [name for name in SAMPLES.names if name in decoded and name not in _PRESSURES]
    pressures = [decoded[name] for name in _PRESSURES if name in decoded]
    if not pressures or not told:
        return
    rows = reading.records.select(*_RECORDING, "t_s", *told).with_columns(
        is_sample=pl.any_horizontal(series.is_not_null() for series in pressures),
        is_answer=pl.any_horizontal(series.is_not_null() for series in decoded.values()),
        **{f"answers {name}": decoded[name].is_not_null() for name in told},
    )
    is_polled = {name: _in_recording(pl.col(f"answers {name}") & ~pl.col("is_sample")) for name in told}
    carried = rows.select(
        pl.when(is_polled[name]).then(_carried(name)).otherwise(name).alias(name) for name in told
    )
    is_spent = pl.col("is_answer") & ~pl.col("is_sample") & _in_recording(pl.col("is_sample"))
    stays = rows.select(~is_spent).to_series() | _is_misread(reading)
    reading.records = reading.records.with_columns(carried).filter(stays)
    reading.came = reading.came.filter(stays)


def _is_misread(reading: Reading) -> pl.Series:
    place = ("file", "row")
    misread = reading.misread.select(place).unique().with_columns(is_misread=pl.lit(True))
    told = reading.records.select(place).join(misread, on=place, how="left", maintain_order="left")
    return told["is_misread"].fill_null(False)


def _in_recording(flag: pl.Expr) -> pl.Expr:
    return flag.any().over(_RECORDING)


def _carried(name: str) -> pl.Expr:
    """Return a row's own value, else the last, else the next, where that is near enough."""
    told_at = pl.when(pl.col(name).is_not_null()).then("t_s")
    last, next_ = told_at.forward_fill().over(_RECORDING), told_at.backward_fill().over(_RECORDING)
    value = pl.col(name)
    return (
        pl.when(pl.col("t_s") - last <= CARRIED_S)
        .then(value.forward_fill().over(_RECORDING))
        .when(last.is_null() & (next_ - pl.col("t_s") <= CARRIED_S))
        .then(value.backward_fill().over(_RECORDING))
    )
