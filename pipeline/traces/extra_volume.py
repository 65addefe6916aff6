"""How much gas a model's system holds beside its tank's ullage, and at which duty its purge valve begins to open.

A draw takes its time in proportion to the gas volume. Over many fills of one model, volume over flow runs in a straight
line against the ullage; where that line meets zero lies what the nominal size of the tank leaves out: canister, lines,
and the room above the full mark. Small volumes are drawn at small duties, and a valve that opens only from some duty on
makes them slow: the two are told together.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.physics.volume import CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L
from pipeline.traces.compiled import Floats
from pipeline.traces.view import MAD_TO_SD

#: So many draws of a model tell of it.
MIN_DRAWS = 12
#: Valves begin to open at a duty of 0 to 6 % (common practice); one that opens later is believed when its draws say so.
OPENS_PCT, OPENS_SD_PCT = 3.0, 3.0
#: No valve is believed to open later than this share of the duty that nine tenths of its draws had.
_MOST_SHARE = 0.7
#: What the line may be off by however many draws there are [l]: on the models of three other authors it came out 0.1 to
#: 2.5 l off.
_LINE_SD_L = 1.2
#: Flows of a model scatter by no less than this [share]; a draw that lies farther off than so many of its standard
#: deviations counts no more than one that lies there.
_LEAST_SCATTER, _MOST_SCATTER = 0.02, 0.33
_FAR = 1.5
_LEAST_L, _MOST_L = 0.5, 30.0
_ROUNDS = 40
#: Volume [l] and duty [%] that move by less stand.
_STANDS = 1e-3
_NAMES = ("extra_volume_l", "purge_opens_pct")


def extra_volumes(draws: pl.DataFrame) -> pl.DataFrame:
    """Return what the draws of each model tell of its volume beside the ullage, and of its purge valve.

    Parameters
    ----------
    draws : make, model, ullage_l [l] (nominal tank size less fuel), duty_pct [%], purge_flow_l_min [l/min], as read
        with CANISTER_AND_LINES_L beside the ullage and a flow proportional to duty; null where a recording does not
        tell.

    Returns
    -------
    make, model, extra_volume_l [l] and purge_opens_pct [% duty], each with its standard error (`_spread`) and the
    number of draws (`_n`): of models with MIN_DRAWS draws whose flows scatter by less than a third.
    """
    told = draws.select("make", "model", "ullage_l", "duty_pct", "purge_flow_l_min").drop_nulls()
    rows = []
    for (make, model), mine in told.group_by("make", "model"):
        if mine.height >= MIN_DRAWS:
            ullage, duty = mine["ullage_l"].to_numpy(), mine["duty_pct"].to_numpy()
            minutes = (ullage + CANISTER_AND_LINES_L) / mine["purge_flow_l_min"].to_numpy()
            found, error = extra_volume_l(ullage, duty, minutes)
            if np.isfinite(found[0]):
                rows.append((make, model, *found, *error, mine.height, mine.height))
    schema: dict[str, type[pl.DataType]] = {"make": pl.String, "model": pl.String}
    schema |= {name + end: pl.Float64 for end in ("", "_spread") for name in _NAMES}
    schema |= {f"{name}_n": pl.Int64 for name in _NAMES}
    return pl.DataFrame(rows, schema=schema, orient="row")


def opening(duty_pct: Floats, opens_pct: Floats | float) -> Floats:
    """Return the share of a purge valve's full flow at a duty [%], of one that begins to open at `opens_pct`; nan where
    that is unknown."""
    return np.maximum(duty_pct - opens_pct, 0.1 * duty_pct) / (100 - opens_pct)


def extra_volume_l(ullage_l: Floats, duty_pct: Floats, minutes: Floats) -> tuple[Floats, Floats]:
    """Return the extra volume of a model [l] with the duty at which its valve opens [%], and their standard errors.

    The mode of log(minutes) = log(ullage + extra) - log(flow) - log(opening / duty) with scatter (Huber's weights), and
    of what is known of canisters and lines in general (`physics.volume`) and of valves, which stands where fills and
    duties hardly differ. nan where the flows scatter so much that something else decides how fast a draw goes.

    Parameters
    ----------
    ullage_l, duty_pct : of each draw [l, %]. minutes : gas volume over purge flow at full duty of the same [min], the
        flow taken as proportional to duty.
    """
    wanted = np.array([CANISTER_AND_LINES_L, OPENS_PCT])
    before = np.diag([1 / CANISTER_AND_LINES_SD_L**2, 1 / OPENS_SD_PCT**2])
    latest = _MOST_SHARE * float(np.quantile(duty_pct, 0.1))
    lowest, highest = np.array([_LEAST_L, 0.0]), np.array([_MOST_L, latest])
    found, logs = np.clip(wanted, lowest, highest), np.log(minutes)
    told, scatter = before, 0.0
    for _ in range(_ROUNDS):
        extra, opens = found
        off = logs - np.log(ullage_l + extra) + np.log(100 * opening(duty_pct, opens) / duty_pct)
        off = off - np.median(off)
        scatter = max(MAD_TO_SD * float(np.median(np.abs(off))), _LEAST_SCATTER)
        weight = 1 / np.maximum(np.abs(off) / (_FAR * scatter), 1.0)
        by_opens = 1 / np.maximum(duty_pct - opens, 0.1 * duty_pct) - 1 / (100 - opens)
        slopes = np.stack([1 / (ullage_l + extra), by_opens])
        slopes = slopes - np.average(slopes, axis=1, weights=weight)[:, None]
        off = off - np.average(off, weights=weight)
        weighted = slopes * weight
        by_draws = weighted @ slopes.T / scatter**2
        pull = weighted @ off / scatter**2
        # However many draws there are, the line's own error stays: its variance is added to the volume's alone.
        by_line = _LINE_SD_L**2 / (1 + _LINE_SD_L**2 * by_draws[0, 0]) * by_draws[:, 0]
        told = by_draws - np.outer(by_line, by_draws[0]) + before
        step = np.linalg.solve(told, pull - by_line * pull[0] + before @ (wanted - found))
        before_step, found = found, np.clip(found + step, lowest, highest)
        # A bound stops what would go beyond it, however large its step.
        if np.abs(found - before_step).max() < _STANDS:
            break
    if scatter > _MOST_SCATTER:
        return np.full(2, np.nan), np.full(2, np.nan)
    return found, np.sqrt(np.diag(np.linalg.inv(told)))
