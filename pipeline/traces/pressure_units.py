"""Whether a source's pressures can be in the unit that they are read in: draws move a tank's pressure by kilopascals.

One recording without any vacuum shows a purge valve that stays shut, or a leak too large to hold. A source in which no
draw of any vehicle ever moves the pressure writes another unit: kilopascals read as pascals are a thousandth of it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.traces.compiled import Floats
from pipeline.traces.readings import Shown
from pipeline.traces.signs import ENGINE_RUNS_RPM

DRAWN_SPAN, IS_PRESSURE_DOUBTED = "drawn_span_pa", "is_pressure_doubted"
#: A purge that is open for so long [s] brings vacuum.
_DRAWS_S = 3.0
#: Targets of a draw are 1 to 4 kPa (common practice). Read as pascals, that is 1 to 4 in kPa, 4 to 16 in inches of
#: water, 8 to 30 in mm of mercury, 10 to 40 in hPa: less than this [Pa].
SMALL_PA = 100.0
#: A source is doubted where so many draws, of so many vehicles, stay below that and none does not (judgement: one test
#: in five or ten finds no vacuum).
_LEAST_N, _LEAST_VEHICLES = 8, 3
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
        is_drawn = (shown.draw.seconds >= _DRAWS_S) & ~(shown.draw.rpm < ENGINE_RUNS_RPM)
    return np.where(is_drawn, shown.sensor.span, np.nan)


def counted() -> dict[str, pl.Expr]:
    """Return what SCHEMA says of one source, from vehicle_id and DRAWN_SPAN of its recordings with such a draw."""
    n, n_vehicles, greatest = pl.len(), pl.col("vehicle_id").n_unique(), pl.col(DRAWN_SPAN).max()
    return {
        "n_drawn": n,
        "n_vehicles": n_vehicles,
        "greatest_span_pa": greatest,
        IS_PRESSURE_DOUBTED: (n >= _LEAST_N) & (n_vehicles >= _LEAST_VEHICLES) & (greatest < SMALL_PA),
    }
