"""Whether a source's pressures can be in the unit that they are read in: draws move a tank's pressure by kilopascals.

One recording without any vacuum shows a purge valve that stays shut, or a leak too large to hold. A source in which no
draw of any vehicle ever moves the pressure writes another unit: kilopascals read as pascals are a thousandth of it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.source_limits import DRAWS_S, LEAST_TOLD, LEAST_VEHICLES, SMALL_PA
from pipeline.traces.compiled import Floats
from pipeline.traces.readings import Shown
from pipeline.traces.signs import ENGINE_RUNS_RPM

DRAWN_SPAN, IS_PRESSURE_DOUBTED = "drawn_span_pa", "is_pressure_doubted"
SCHEMA: dict[str, type[pl.DataType]] = {
    "source_id": pl.String,
    "n_drawn": pl.Int64,
    "n_vehicles": pl.Int64,
    "greatest_span_pa": pl.Float64,
    IS_PRESSURE_DOUBTED: pl.Boolean,
}


def drawn_span_pa(shown: Shown) -> Floats:
    """Return the span of the pressure [Pa] of each recording whose purge was open behind the shut vent while the engine
    ran, for so long that vacuum comes; nan for the others."""
    with np.errstate(invalid="ignore"):
        is_drawn = (shown.draw.seconds >= DRAWS_S) & ~(shown.draw.rpm < ENGINE_RUNS_RPM)
    return np.where(is_drawn, shown.sensor.span, np.nan)


def counted() -> dict[str, pl.Expr]:
    """Return what SCHEMA says of one source, from vehicle_id and DRAWN_SPAN of its recordings with such a draw."""
    n, n_vehicles, greatest = pl.len(), pl.col("vehicle_id").n_unique(), pl.col(DRAWN_SPAN).max()
    return {
        "n_drawn": n,
        "n_vehicles": n_vehicles,
        "greatest_span_pa": greatest,
        IS_PRESSURE_DOUBTED: (n >= LEAST_TOLD) & (n_vehicles >= LEAST_VEHICLES) & (greatest < SMALL_PA),
    }
