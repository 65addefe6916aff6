"""The gas volume that a held pressure fills."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.orifice import Array

#: What counts as gas beside the ullage [l], and how far it is known. Common practice, no source: a canister of 1.5 to
#: 4 l is about two thirds void, and the lines and the dome above the full mark add about as much again; the dome, which
#: a nominal size leaves out, may be anything up to a tenth of the tank, and walls of plastic that give by half a
#: milliliter per liter and kilopascal (order of magnitude, from memory) count as much as a twentieth of it. Tanks of
#: seven other authors held 2 to 19 l beside their ullage, half of them 5 l or less.
CANISTER_AND_LINES_L = 3.5
CANISTER_AND_LINES_SD_L = 4.0
#: How far a nominal tank size [share] and a fuel gauge [share of the tank] are known. Common practice.
TANK_SIZE_SD = 0.02
FUEL_LEVEL_SD = 0.025
#: Without a fuel level every fill from nearly empty to nearly full is as likely.
_UNKNOWN_FILL = 0.5
_UNKNOWN_FILL_SD = 0.25


def vapor_volume_l(
    fuel_tank_l: ArrayLike,
    fuel_level_pct: ArrayLike,
    canister_l: ArrayLike = CANISTER_AND_LINES_L,
    canister_sd_l: ArrayLike = CANISTER_AND_LINES_SD_L,
) -> tuple[Array, Array]:
    """Return the vapor volume and its standard deviation.

    V = tank * (1 - fill) + canister and lines. A missing fuel level counts as half full, known to a quarter of
    the tank.

    Parameters
    ----------
    fuel_tank_l : nominal tank size [l], > 0; nan where unknown.
    fuel_level_pct : fuel level [%], 0 to 100; nan where unknown.
    canister_l, canister_sd_l : void of canister and lines, and how far it is known [l].

    Returns
    -------
    Volume [l] and its standard deviation [l]; nan where the tank size is unknown.
    """
    tank, level = np.asarray(fuel_tank_l, float), np.asarray(fuel_level_pct, float)
    known = np.isfinite(level)
    fill = np.where(known, np.clip(level, 0, 100) / 100, _UNKNOWN_FILL)
    fill_sd = np.where(known, FUEL_LEVEL_SD, _UNKNOWN_FILL_SD)
    ullage = tank * (1 - fill)
    spread = np.hypot(np.hypot(tank * fill_sd, ullage * TANK_SIZE_SD), canister_sd_l)
    return ullage + np.asarray(canister_l, float), spread
