"""Whether a source's sensors can rest where it says: with the vent open a tank has the pressure of the air.

One recording that rests off zero shows a sensor that reads off. A source whose vehicles nearly all rest off it, far
and on the same side, made its gauge pressure with a barometer that is not the shop's own (one reduced to sea level is
off by 12 Pa for each meter of height), or writes another unit.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.source_limits import FAR_PA, FAR_SHARE, LEAST_TOLD, LEAST_VEHICLES
from pipeline.traces.compiled import Floats
from pipeline.traces.readings import Shown

VENTED_ZERO, IS_ZERO_DOUBTED = "vented_zero_pa", "is_zero_doubted"
SCHEMA: dict[str, type[pl.DataType]] = {
    "source_id": pl.String,
    "n_told": pl.Int64,
    "n_vehicles": pl.Int64,
    "median_zero_pa": pl.Float64,
    "n_far_off": pl.Int64,
    IS_ZERO_DOUBTED: pl.Boolean,
}


def vented_zero_pa(shown: Shown) -> Floats:
    """Return the reading [Pa] of each recording with the vent open; nan where it does not tell."""
    return np.where(shown.vented.is_zero_known > 0, shown.vented.zero, np.nan)


def counted() -> dict[str, pl.Expr]:
    """Return what SCHEMA says of one source, from vehicle_id and VENTED_ZERO of its recordings that tell."""
    n, n_vehicles, zero = pl.len(), pl.col("vehicle_id").n_unique(), pl.col(VENTED_ZERO)
    far = pl.max_horizontal((zero > FAR_PA).sum(), (zero < -FAR_PA).sum())
    is_doubted = (n >= LEAST_TOLD) & (n_vehicles >= LEAST_VEHICLES) & (far >= FAR_SHARE * n)
    return {
        "n_told": n,
        "n_vehicles": n_vehicles,
        "median_zero_pa": zero.median(),
        "n_far_off": far,
        IS_ZERO_DOUBTED: is_doubted,
    }
