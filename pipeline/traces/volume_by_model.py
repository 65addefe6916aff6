"""The gas volume of a recording, where its model's draws tell what lies beside the tank's ullage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.physics.volume import CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L
from pipeline.settings import Settings
from pipeline.traces.model_norms import Norms
from pipeline.traces.sizes import size_leaks, vapor_space
from pipeline.traces.taken import Taken, numbers_of


def told_by_model(taken: Taken, norms: Norms, settings: Settings) -> Taken:
    """Return the batch with sizes that rest on its models' own extra volume, where it is known."""
    extra, extra_sd = norms.norm["extra_volume_l"], norms.spread["extra_volume_l"]
    is_told = np.isfinite(extra) & taken.sizes.volume.is_tank_known
    if not is_told.any():
        return taken
    volume = vapor_space(
        numbers_of(taken.headers, "fuel_tank_l"),
        numbers_of(taken.headers, "fuel_level_pct"),
        np.where(is_told, extra, CANISTER_AND_LINES_L),
        np.where(is_told, extra_sd, CANISTER_AND_LINES_SD_L),
    )
    air = taken.air
    sizes = size_leaks(
        taken.fit,
        taken.shown,
        volume,
        air.pressure_pa,
        air.temperature_c,
        air.is_known,
        air.is_temperature_known,
        settings.discharge_coefficient,
        settings.level,
    )
    return replace(taken, sizes=sizes)
