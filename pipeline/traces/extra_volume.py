"""How much gas a model's system holds beside its tank's ullage, and at which duty its purge valve begins to open.

A draw takes its time in proportion to the gas volume. Over many fills of one model, volume over flow runs in a straight
line against the ullage; where that line meets zero lies what the nominal size of the tank leaves out: canister, lines,
the room above the full mark, and walls that give. Small volumes are drawn at small duties, and a valve that opens only
from some duty on makes them slow: the two are told together. Models of one lake are alike in it, more than tanks of all
lakes are: what the others tell is what is believed of each one beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.physics.volume import CANISTER_AND_LINES_L, FUEL_LEVEL_SD
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.ranges import MAD_TO_SD

#: So many draws of a model tell of it, however little: their error is told with it.
MIN_DRAWS = 3
#: Valves begin to open at a duty of 0 to 6 % (common practice); one that opens later is believed when its draws say so.
OPENS_PCT, OPENS_SD_PCT = 3.0, 3.0
#: No valve is believed to open later than this share of the duty that nine tenths of its draws had.
_MOST_SHARE = 0.7
#: What the line may be off by however many draws there are [l].
_LINE_SD_L = 1.2
#: What a tank of USUAL_TANK_L holds beside its ullage, in lakes in general [l] (judgement: the lines of eleven other
#: authors came to 3, 5, 8, 10, 11, 11, 12, 14, 15, 18 and 18 l, of which holes from 1 mm up filled 1 l less on
#: average): it goes with the root of the tank's size. From model to model of one lake it scatters by a part of it.
USUAL_TANK_L = 60.0
LAKE_L, LAKE_SD_L = 8.5, 5.0
_MODELS_SD_L, _MODELS_SD = 1.0, 0.15
#: What all lines of a lake may be off by together [l], as volumes that a leak fills: walls that give go on giving in
#: the hold, and vapor that comes fast looks like a leak. For the diameters of holes from 1 mm up to come out right, the
#: lines of the eleven ought to lie 2.2 l higher to 5.1 l lower, 2.4 l about the middle; of eleven, that is no better
#: known than to a quarter.
_LAKE_LINE_SD_L = 3.0
#: Flows of a model scatter by no less than this [share], and where they do by more than _MOST_SCATTER something else
#: decides how fast a draw goes.
_LEAST_SCATTER, _MOST_SCATTER = 0.02, 0.33
#: What they usually scatter by counts as so many draws (judgement: other authors' models scatter by 3 to 18 %).
_USUAL_SCATTER, _AS_MANY = 0.1, 4
#: A draw that lies farther off than so many standard deviations counts no more than one that lies there; one so many
#: times as far off (a clock that was set back in it) counts nothing.
_FAR, _WILD = 1.5, 4.0
#: Bounds of the volume [l], and of one beside its ullage when a model is asked alone; no gas volume is less than this.
_LEAST_L, _MOST_L = 0.5, 50.0
_ALONE_LEAST_L, _ALONE_SD_L = -5.0, 100.0
_LEAST_GAS_L = 1.0
_ROUNDS = 40
#: Volume [l] and duty [%] that move by less stand.
_STANDS = 1e-3
MODEL = ("make", "model")
_NAMES = ("extra_volume_l", "purge_opens_pct")


@dataclass(frozen=True)
class Draws:
    """Draws of one model: ullage by the fuel gauge, and how far that is known [l]; duty, and how much more that is for
    each e-fold of the draw's time [%], of one that rises; gas volume over purge flow at full duty of the same [min],
    the flow taken as proportional to duty."""

    ullage_l: Floats
    gauge_sd_l: Floats
    duty_pct: Floats
    duty_gain_pct: Floats
    minutes: Floats


def extra_volumes(readings: pl.DataFrame) -> pl.DataFrame:
    """Return what the draws of each model tell of its volume beside the ullage, and of its purge valve.

    Parameters
    ----------
    readings : make, model, tank_l [l], ullage_l [l] (nominal tank size less fuel), duty_pct and duty_gain_pct [%] (see
        `drawn.Draw`), purge_flow_l_min [l/min], as read with CANISTER_AND_LINES_L beside the ullage and a flow
        proportional to duty, and is_timed, see `purge_flow.is_timed`: others tell no line. Null where a recording does
        not tell.

    Returns
    -------
    make, model, extra_volume_l [l] and purge_opens_pct [% duty], each with its standard error (`_spread`) and the
    number of draws (`_n`): of models with MIN_DRAWS draws whose flows scatter by less than a third; the volume of every
    other one, by what these tell.
    """
    tanks = readings.group_by(MODEL, maintain_order=True).agg(pl.col("tank_l").median()).drop_nulls()
    told = readings.filter("is_timed").drop_nulls(["tank_l", "ullage_l", "duty_pct", "purge_flow_l_min"])
    of_model = dict(iter(told.group_by(MODEL)))
    draws = {key: _draws_of(mine) for key, mine in of_model.items() if mine.height >= MIN_DRAWS}
    tank_of = {(make, model): tank for make, model, tank in tanks.iter_rows()}
    alone = {
        key: extra_volume_l(draws[key], 0.0, _ALONE_SD_L, _ALONE_LEAST_L) for key in tank_of if key in draws
    }
    alone = {key: line for key, line in alone.items() if np.isfinite(line[0]).all()}
    lake = Lake(
        np.array([found[0] for found, _ in alone.values()]),
        np.array([error[0] for _, error in alone.values()]),
        np.array([tank_of[key] for key in alone]),
    )
    rows = []
    for at, key in enumerate(alone):
        found, error = extra_volume_l(draws[key], *lake.of_tank(tank_of[key], without=at))
        volume, volume_sd = lake.in_holds(found[0], error[0], tank_of[key])
        n = len(draws[key].minutes)
        rows.append((*key, volume, found[1], volume_sd, error[1], n, n))
    for key, tank in tank_of.items():
        if key not in alone and alone:
            volume, volume_sd = lake.in_holds(*lake.of_tank(tank), tank)
            rows.append(
                (*key, volume, None, volume_sd, None, of_model[key].height if key in of_model else 0, 0)
            )
    schema: dict[str, type[pl.DataType]] = dict.fromkeys(MODEL, pl.String)
    schema |= {name + end: pl.Float64 for end in ("", "_spread") for name in _NAMES}
    schema |= {f"{name}_n": pl.Int64 for name in _NAMES}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _draws_of(mine: pl.DataFrame) -> Draws:
    ullage, flow = mine["ullage_l"].to_numpy(), mine["purge_flow_l_min"].to_numpy()
    gauge = FUEL_LEVEL_SD * mine["tank_l"].to_numpy()
    duty, late = mine["duty_pct"].to_numpy(), np.maximum(mine["duty_gain_pct"].to_numpy(), 0)
    return Draws(ullage, gauge, duty, late, (ullage + CANISTER_AND_LINES_L) / flow)


@dataclass(frozen=True)
class Lake:
    """What models of a lake tell alone: the volume beside the ullage, its standard error, and the tank's size [l]."""

    extra_l: Floats
    sd_l: Floats
    tank_l: Floats

    def of_tank(self, tank_l: float, without: int | None = None) -> tuple[float, float]:
        """Return what is believed of a line of a tank of this size beforehand, and its standard deviation [l].

        The mean of the lake's models, of all but one, and of lakes in general, each weighed by its variance.
        """
        middle, told = self._middle(np.arange(len(self.extra_l)) != (-1 if without is None else without))
        of_size = float(np.sqrt(tank_l / USUAL_TANK_L))
        return middle * of_size, float(np.hypot(self._between(middle), of_size * told**-0.5))

    def in_holds(self, extra_l: float, sd_l: float, tank_l: float) -> tuple[float, float]:
        """Return the volume that a leak fills where the draws mean `extra_l`, and its standard deviation [l].

        What all lines have in common may be off by _LAKE_LINE_SD_L, and lakes in general differ by LAKE_SD_L: so large
        a part of what sets this one apart is taken for such an error.
        """
        of_size = float(np.sqrt(tank_l / USUAL_TANK_L))
        error, spread = _LAKE_LINE_SD_L**2, LAKE_SD_L**2
        off = (self._of_all - LAKE_L) * error / (error + spread) * of_size
        off_sd = (error * spread / (error + spread)) ** 0.5 * of_size
        return max(extra_l - off, _LEAST_L), float(np.hypot(sd_l, off_sd))

    @cached_property
    def _of_all(self) -> float:
        return self._middle(np.full(len(self.extra_l), True))[0]

    def _middle(self, of: Flags) -> tuple[float, float]:
        """Return the mean of these models' lines and lakes in general for a tank of USUAL_TANK_L [l], and its
        precision [1/l2]."""
        size = np.sqrt(self.tank_l[of] / USUAL_TANK_L)
        middle, told = LAKE_L, LAKE_SD_L**-2
        for _ in range(_ROUNDS):
            weight = 1 / (self.sd_l[of] ** 2 + self._between(middle) ** 2)
            told = LAKE_SD_L**-2 + float(np.sum(weight * size**2))
            before = middle
            middle = (LAKE_L * LAKE_SD_L**-2 + float(np.sum(weight * size * self.extra_l[of]))) / told
            if abs(middle - before) < _STANDS:
                break
        return middle, told

    @staticmethod
    def _between(middle_l: float) -> float:
        """Return by how much models of one lake differ [l]."""
        return _MODELS_SD_L + _MODELS_SD * max(middle_l, 0.0)


def flow_share(duty_pct: Floats, opens_pct: Floats | float) -> Floats:
    """Return the share of a purge valve's full flow at a duty [%], of one that begins to open at `opens_pct`; nan where
    that is unknown."""
    return _opened_pct(duty_pct, opens_pct) / (100 - opens_pct)


def _opened_pct(duty_pct: Floats, opens_pct: Floats | float) -> Floats:
    """Return how far a duty lies above the one at which the valve opens, a tenth of it at the least [% duty]."""
    return np.maximum(duty_pct - opens_pct, 0.1 * duty_pct)


def extra_volume_l(
    draws: Draws, wanted_l: float, wanted_sd_l: float, least_l: float = _LEAST_L
) -> tuple[Floats, Floats]:
    """Return the extra volume of a model [l] with the duty at which its valve opens [%], and their standard errors.

    The mode of log(minutes) = log(ullage + extra) - log(flow) - log(share / duty) with scatter (Huber's weights), and
    of what is believed of the volume (`wanted_l`, `wanted_sd_l` [l]) and of valves, which stands where fills and duties
    hardly differ. Fuel gauges err as flows scatter: residuals have both errors, and slopes are taken at the volumes
    that both tell (York, Evensen, Lopez Martinez and De Basabe Delgado, Am. J. Phys. 72, 367 (2004), from memory);
    taken at the gauge's own, they make the line too flat, and the volume liters too large. nan where the flows scatter
    so much that something else decides how fast a draw goes.
    """
    duty, logs = draws.duty_pct, np.log(draws.minutes)
    wanted = np.array([wanted_l, OPENS_PCT])
    before = np.diag([wanted_sd_l**-2, OPENS_SD_PCT**-2])
    latest = _MOST_SHARE * float(np.quantile(duty, 0.1))
    lowest, highest = np.array([least_l, 0.0]), np.array([_MOST_L, latest])
    found = np.clip(wanted, lowest, highest)
    told, scatter = before, 0.0
    for _ in range(_ROUNDS):
        extra, opens = found
        volume = np.maximum(draws.ullage_l + extra, _LEAST_GAS_L)
        by_gauge = (draws.gauge_sd_l / volume) ** 2
        off = logs - np.log(volume) + np.log(100 * flow_share(duty, opens) / duty)
        off = off - np.median(off)
        scatter = _scatter(off, by_gauge)
        variance = scatter**2 + by_gauge
        weight = _weights(off, variance)
        off = off - np.average(off, weights=weight)
        by_both = volume * np.exp(off * by_gauge / variance)
        opened = _opened_pct(duty, opens)
        by_opens = 1 / opened - 1 / (100 - opens)
        slopes = np.stack([1 / by_both, by_opens])
        slopes = slopes - np.average(slopes, axis=1, weights=weight)[:, None]
        weighted = slopes * weight
        by_draws, pull = weighted @ slopes.T, weighted @ off
        # A strong purge is done while a rising duty is small. What scatters by itself is the flow, what is seen are
        # times: the logarithm of their ratio, log(1 + gain / opened), belongs to the likelihood, as much of it as
        # Huber's weights leave of the rest. Without it rising duties seem to bring nothing, and valves to open at once.
        hastened = draws.duty_gain_pct / ((opened + draws.duty_gain_pct) * opened)
        pull[1] += np.mean(weight * off**2) * np.sum(hastened)
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


def _scatter(off: Floats, by_gauge: Floats) -> float:
    """Return by how much flows of a model scatter [log], from residuals about their median, less what the gauges'
    variance makes of them; of few draws it is not known by themselves."""
    spread = (MAD_TO_SD * float(np.median(np.abs(off)))) ** 2 - float(np.median(by_gauge))
    spread = (len(off) * spread + _AS_MANY * _USUAL_SCATTER**2) / (len(off) + _AS_MANY)
    return max(spread, _LEAST_SCATTER**2) ** 0.5


def _weights(off: Floats, variance: Floats) -> Floats:
    """Return Huber's weights of residuals [1/variance], 0 of wild ones."""
    far = _FAR * np.sqrt(variance)
    return (np.abs(off) < _WILD * far) / (np.maximum(np.abs(off) / far, 1.0) * variance)
