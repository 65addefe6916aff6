"""Whether a source's vent command can be what it says: no vacuum stands in a tank whose vent is open, shop after shop.

One recording in which vacuum comes under an open vent shows a restricted vent path. A source in which most do, and the
vent is never commanded shut before a draw, records the command the wrong way round, or not at all.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.source_limits import UNDER_OPEN_VENT_N, UNDER_OPEN_VENT_SHARE
from pipeline.traces.compiled import Floats
from pipeline.traces.readings import Shown
from pipeline.traces.signs import FLOWING_PA, MIN_DRAW_S, OPEN_VACUUM_PA

VACUUM_UNDER_OPEN_VENT, IS_VENT_DOUBTED = "vacuum_under_open_vent", "is_vent_doubted"
SCHEMA: dict[str, type[pl.DataType]] = {
    "source_id": pl.String,
    "n_told": pl.Int64,
    "n_vacuum_under_open_vent": pl.Int64,
    IS_VENT_DOUBTED: pl.Boolean,
}


def vacuum_under_open_vent(shown: Shown) -> Floats:
    """Return 1 where vacuum came though the vent was commanded open throughout, 0 where it was commanded shut before a
    draw, or purge flowed through the open vent without vacuum; nan where a recording does not tell."""
    vented = shown.vented
    with np.errstate(invalid="ignore"):
        was_shut = shown.draw.seconds >= MIN_DRAW_S
        flows_freely = -vented.flowing_above < FLOWING_PA
        came = vented.open_vacuum > OPEN_VACUUM_PA
    return np.select([was_shut, came, flows_freely], [0.0, 1.0, 0.0], np.nan)


def counted() -> dict[str, pl.Expr]:
    """Return what SCHEMA says of one source, from VACUUM_UNDER_OPEN_VENT of its recordings that tell."""
    n, n_open = pl.len(), pl.col(VACUUM_UNDER_OPEN_VENT).sum()
    return {
        "n_told": n,
        "n_vacuum_under_open_vent": n_open,
        IS_VENT_DOUBTED: (n_open >= UNDER_OPEN_VENT_N) & (n_open >= UNDER_OPEN_VENT_SHARE * n),
    }
