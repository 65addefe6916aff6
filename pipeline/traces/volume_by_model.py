"""The gas volume of a recording, where its model's draws tell what lies beside the tank's ullage."""

from __future__ import annotations

import numpy as np

from pipeline.physics.volume import CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L
from pipeline.traces.model_norms import Norms
from pipeline.traces.sizes import VaporSpace, vapor_space
from pipeline.traces.taken import Taken, numbers_of


def volume_by_model(taken: Taken, norms: Norms) -> VaporSpace:
    """Return the batch's volumes, with their models' own extra volume where that is known."""
    extra = norms.norm["extra_volume_l"]
    is_told = np.isfinite(extra)
    return vapor_space(
        numbers_of(taken.headers, "fuel_tank_l"),
        numbers_of(taken.headers, "fuel_level_pct"),
        np.where(is_told, extra, CANISTER_AND_LINES_L),
        np.where(is_told, norms.spread["extra_volume_l"], CANISTER_AND_LINES_SD_L),
    )
