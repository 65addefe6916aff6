"""Which sensors of a model agree, and whether the others are odd ones or another kind.

A median and its spread hide two odd sensors among five. Sensors are weighed against each other instead: the largest
group that lies close together is the model's kind, unless another group is nearly as large. Odd ones that do not agree
with each other are no group. One vehicle has one voice, however often it was tested: its sensor is the same each time.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.traces.compiled import Floats, Ints
from pipeline.traces.ranges import MAD_TO_SD

#: So many vehicles that agree make a norm, if they are half of all and so large a share of the two largest groups;
#: beside a single odd vehicle two are enough.
MIN_AGREEING = 2
_SHARE_OF_TWO_KINDS = 0.7
#: Sensors of one kind lie within so many of their standard deviations of each other.
_REACH_SPREADS = 6.0
#: Where no two agree, tolerance still explains what lies within so many times the width of one kind.
_APART_WIDTHS = 4.0
#: The lake's usual spread counts as so many vehicles of each model (judgement).
_USUAL_COUNTS = 4.0


class Reach(NamedTuple):
    """How far apart numbers of one kind may lie: as the lake's models scatter, but between `least` and `most`, in the
    number's unit or, if relative, as a share of it."""

    least: float
    most: float
    is_relative: bool

    def above(self, values: Floats, width: float) -> Floats:
        """Return how far above each value another one may lie."""
        return width * np.abs(values) if self.is_relative else np.full(len(values), width)

    def unit(self, norm: float) -> float:
        """Return what spreads about this norm are told in, so that those of several models can be compared."""
        return abs(norm) if self.is_relative else 1.0


class Agreed(NamedTuple):
    """What a model's sensors agree on: median and spread of the recordings that agree (median absolute deviation as the
    standard deviation of a normal law; by model with the lake's usual one), and of how many vehicles they are.

    Where no group prevails both are nan. Where several vehicles tell, lie beyond all tolerance and no two of them
    agree, the norm alone is nan: one of them is odd, and nobody knows which.
    """

    norm: float
    spread: float
    n_vehicles: int


def agreed_by_model(said: pl.DataFrame, by: tuple[str, ...], name: str, reach: Reach) -> pl.DataFrame:
    """Return one row per model that tells: its keys and, as in `Agreed`, the number `name` with its `_spread` and `_n`.

    Parameters
    ----------
    said : one row per recording: the keys `by`, its voice (see `voiced`) and the number, null where it does not tell.
    """
    models, parts = _parts(said, by, name)
    usual = _usual_spread(parts, reach)
    width = _width(usual, reach)
    found = [_with_usual(agreement(*part, reach, width), usual, reach) for part in parts]
    schema = {name: pl.Float64, f"{name}_spread": pl.Float64, f"{name}_n": pl.Int64}
    return models.hstack(pl.DataFrame(found, schema=schema, orient="row").fill_nan(None))


def width_of_kinds(said: pl.DataFrame, by: tuple[str, ...], name: str, reach: Reach) -> float:
    """Return how far apart a number of two sensors of one kind may lie; parameters as of `agreed_by_model`."""
    return _width(_usual_spread(_parts(said, by, name)[1], reach), reach)


def _usual_spread(parts: list[tuple[Floats, Ints]], reach: Reach) -> float:
    # How the models of a lake scatter tells more of each of them than its own few recordings do.
    known = [one for one in (agreement(*part, reach, reach.most) for part in parts) if np.isfinite(one.norm)]
    spreads = np.repeat(
        [one.spread / reach.unit(one.norm) for one in known], [one.n_vehicles for one in known]
    )
    return float(np.median(spreads)) if known else 0.0


def _width(usual: float, reach: Reach) -> float:
    return min(max(_REACH_SPREADS * usual, reach.least), reach.most)


def _parts(
    said: pl.DataFrame, by: tuple[str, ...], name: str
) -> tuple[pl.DataFrame, list[tuple[Floats, Ints]]]:
    """Return the models that tell a number, and of each its values, rising, with the vehicle of each."""
    told = said.select(*by, pl.col(name).cast(pl.Float64), "voice").drop_nulls(name).sort(*by, name)
    models = told.group_by(by, maintain_order=True).agg(n=pl.len())
    values, voices = told[name].to_numpy(), told["voice"].to_numpy()
    rows = pairwise([0, *models["n"].cum_sum().to_list()])
    return models.select(by), [(values[a:b], voices[a:b]) for a, b in rows]


def voiced(said: pl.DataFrame) -> pl.DataFrame:
    """Return readings with a `voice`, a number for each vehicle_id; one without a name is a vehicle of its own."""
    named = pl.col("vehicle_id").cast(pl.String).rank("dense").cast(pl.Int64)
    return said.with_columns(voice=pl.coalesce(named, -1 - pl.int_range(pl.len())))


def agreement(values: Floats, voices: Ints, reach: Reach, width: float) -> Agreed:
    """Return what the recordings of one model agree on.

    Parameters
    ----------
    values : one per recording, sorted upwards, one at the least. voices : the vehicle of each. width : how far apart
        those that agree may lie.
    """
    of_kind, rival = two_kinds(values, voices, reach, width)
    n, n_all = len(np.unique(voices[of_kind])), len(np.unique(voices))
    if n < MIN_AGREEING:
        is_apart = n_all > n and values[-1] > values[0] + _APART_WIDTHS * reach.above(values[:1], width)[0]
        return Agreed(np.nan, _spread(values) if is_apart else np.nan, n)
    n_rival = len(np.unique(voices[rival]))
    prevails = n_rival <= 1 or n >= _SHARE_OF_TWO_KINDS * (n + n_rival)
    if 2 * n < n_all or not prevails:
        return Agreed(np.nan, np.nan, n)
    return Agreed(float(np.median(values[of_kind])), _spread(values[of_kind]), n)


def two_kinds(values: Floats, voices: Ints, reach: Reach, width: float) -> tuple[Ints, Ints]:
    """Return which values are of the largest group that lies close together, and which of the next; see `agreement`."""
    _, vehicle, tested = np.unique(voices, return_inverse=True, return_counts=True)
    weights, above = 1 / tested[vehicle], reach.above(values, width)
    every = np.arange(len(values))
    of_kind = every[_largest(values, above, weights)]
    others = np.delete(every, of_kind)
    return of_kind, others[_largest(values[others], above[others], weights[others])]


def _largest(values: Floats, above: Floats, weights: Floats) -> slice:
    """Return where sorted values of the most weight lie within reach of the least of them; of as much the closest."""
    if not len(values):
        return slice(0, 0)
    end = np.searchsorted(values, values + above, side="right")
    so_far = np.append(0.0, np.cumsum(weights))
    room_left = 1 - (values[end - 1] - values) / np.maximum(above, 1e-12)
    best = int(np.argmax(so_far[end] - so_far[:-1] + 1e-3 * room_left))
    return slice(best, int(end[best]))


def _with_usual(one: Agreed, usual: float, reach: Reach) -> Agreed:
    """Return a norm's spread with the lake's usual one as if so many vehicles more had told it."""
    if np.isnan(one.norm):
        return one
    own2, usual2 = one.spread**2, (usual * reach.unit(one.norm)) ** 2
    n, more = one.n_vehicles, _USUAL_COUNTS
    return one._replace(spread=float(np.sqrt((n * own2 + more * usual2) / (n + more))))


def _spread(values: Floats) -> float:
    return float(MAD_TO_SD * np.median(np.abs(values - np.median(values))))
