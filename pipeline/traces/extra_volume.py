"""How much gas a model's system holds beside its tank's ullage: canister, lines, and the room above the full mark.

A draw takes its time in proportion to the gas volume. Over many fills of one model, volume over flow runs in a straight
line against the ullage; where that line meets zero lies what the nominal size of the tank leaves out.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.physics.volume import CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L
from pipeline.traces.compiled import Floats
from pipeline.traces.view import MAD_TO_SD

#: So many draws of a model tell of it.
MIN_DRAWS = 12
#: What the line may be off by however many draws there are [l]: on the models of three other authors it came out -0.1,
#: 0.5 and 2.9 l high, and why is not understood.
_LINE_SD_L = 1.5
#: Flows of a model scatter by no less than this [share]; a draw that lies farther off than so many of its standard
#: deviations counts no more than one that lies there.
_LEAST_SCATTER, _MOST_SCATTER = 0.02, 0.33
_FAR = 1.5
_LEAST_L, _MOST_L = 0.5, 30.0
_ROUNDS = 30


def extra_volumes(draws: pl.DataFrame) -> pl.DataFrame:
    """Return what the draws of each model tell of its volume beside the ullage.

    Parameters
    ----------
    draws : make, model, ullage_l [l] (nominal tank size less fuel), purge_flow_l_min [l/min], as read with
        CANISTER_AND_LINES_L beside the ullage; null where a recording does not tell.

    Returns
    -------
    make, model, extra_volume_l [l], its standard error extra_volume_l_spread [l] and the number of draws
    extra_volume_l_n: of models with MIN_DRAWS draws whose flows scatter by less than a third.
    """
    told = draws.select("make", "model", "ullage_l", "purge_flow_l_min").drop_nulls()
    rows = []
    for (make, model), mine in told.group_by("make", "model"):
        if mine.height >= MIN_DRAWS:
            ullage = mine["ullage_l"].to_numpy()
            minutes = (ullage + CANISTER_AND_LINES_L) / mine["purge_flow_l_min"].to_numpy()
            extra, error = extra_volume_l(ullage, minutes)
            if np.isfinite(extra):
                rows.append((make, model, extra, error, mine.height))
    names = ("make", "model", "extra_volume_l", "extra_volume_l_spread", "extra_volume_l_n")
    kinds = (pl.String, pl.String, pl.Float64, pl.Float64, pl.Int64)
    return pl.DataFrame(rows, schema=dict(zip(names, kinds, strict=True)), orient="row")


def extra_volume_l(ullage_l: Floats, minutes: Floats) -> tuple[float, float]:
    """Return the extra volume of a model and its standard error [l].

    The mode of log(minutes) = log(ullage + extra) - log(flow) with scatter (Huber's weights), and of what is known of
    canisters and lines in general (`physics.volume`), which stands where fills hardly differ. nan where the flows
    scatter so much that something else than the volume decides how fast a draw goes.

    Parameters
    ----------
    ullage_l : of each draw [l]. minutes : gas volume over purge flow at full duty of the same [min].
    """
    logs, extra = np.log(minutes), CANISTER_AND_LINES_L
    before = 1 / CANISTER_AND_LINES_SD_L**2
    for _ in range(_ROUNDS):
        off = logs - np.log(ullage_l + extra)
        off = off - np.median(off)
        scatter = max(MAD_TO_SD * float(np.median(np.abs(off))), _LEAST_SCATTER)
        if scatter > _MOST_SCATTER:
            return np.nan, np.nan
        weight = 1 / np.maximum(np.abs(off) / (_FAR * scatter), 1.0)
        slope = 1 / (ullage_l + extra)
        slope = slope - np.average(slope, weights=weight)
        told = float(np.sum(weight * slope**2)) / scatter**2
        if not told > 0:
            return CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L
        share = 1 / (1 + told * _LINE_SD_L**2)
        pull = share * float(np.sum(weight * slope * off)) / scatter**2
        step = (pull + before * (CANISTER_AND_LINES_L - extra)) / (share * told + before)
        extra = min(max(extra + step, _LEAST_L), _MOST_L)
        if abs(step) < 1e-3:
            break
    return extra, float(1 / np.sqrt(share * told + before))
