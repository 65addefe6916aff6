"""Which sensors of a model agree, and whether those that do not are odd ones or another kind."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.traces.compiled import Floats, Ints
from pipeline.traces.view import MAD_TO_SD

#: So many vehicles that agree make a norm; and so large a share of them against the next largest kind, where that is
#: more than one odd vehicle: two kinds of sensor under one name have none. Odd ones that do not agree with each other
#: are no kind. One vehicle has one voice, however often it was tested: its sensor is the same each time.
MIN_AGREEING = 2
_SHARE_OF_TWO_KINDS = 0.7


#: Recordings of one kind lie within so many of their standard deviations.
_REACH_SPREADS = 6.0


class Reach(NamedTuple):
    """Numbers agree that lie within so much of each other: within six standard deviations as the lake's models scatter,
    but at least and at most this, in their unit or, if relative, as a share of them."""

    least: float
    most: float
    is_relative: bool

    def among(self, values: Floats, width: float) -> Floats:
        return width * np.abs(values) if self.is_relative else np.full(len(values), width)

    def share_of(self, spread: float, norm: float) -> float:
        return spread / abs(norm) if self.is_relative else spread


class Agreed(NamedTuple):
    """Median of the recordings that agree, their spread (median absolute deviation as the standard deviation of a
    normal law; both nan where no kind prevails), and how many vehicles they come from."""

    norm: float
    spread: float
    n_vehicles: int


def agreed_by_model(said: pl.DataFrame, by: tuple[str, ...], name: str, reach: Reach) -> pl.DataFrame:
    """Return one row per model: its keys, and of the number `name` the norm, `_spread` and `_n` as in `Agreed`.

    Parameters
    ----------
    said : one row per recording: the keys `by`, vehicle_id (null: a vehicle of its own) and the number, null where it
        does not tell.
    """
    known = pl.col("vehicle_id").cast(pl.String).rank("dense").cast(pl.Int64)
    voice = pl.coalesce(known, -1 - pl.int_range(pl.len()))
    told = said.select(*by, pl.col(name).cast(pl.Float64), voice=voice).drop_nulls(name).sort(*by, name)
    models = told.group_by(by, maintain_order=True).agg(n=pl.len())
    values, voices = told[name].to_numpy(), told["voice"].to_numpy()
    starts = [0, *models["n"].cum_sum().to_list()]
    parts = [(values[a:b], voices[a:b]) for a, b in pairwise(starts)]
    # How the models of a lake scatter tells more of each of them than its own few recordings do.
    widely = [agreement(*part, reach.among(part[0], reach.most)) for part in parts]
    scatter = [reach.share_of(one.spread, one.norm) for one in widely if np.isfinite(one.norm)]
    width = float(np.clip(_REACH_SPREADS * np.median(scatter or [0.0]), reach.least, reach.most))
    found = [agreement(*part, reach.among(part[0], width)) for part in parts]
    schema = {name: pl.Float64, f"{name}_spread": pl.Float64, f"{name}_n": pl.Int64}
    return models.select(by).hstack(pl.DataFrame(found, schema=schema, orient="row").fill_nan(None))


def agreement(values: Floats, voices: Ints, allowed: Floats) -> Agreed:
    """Return what the recordings of one model agree on.

    Parameters
    ----------
    values : one per recording, sorted upwards, one at the least. voices : the vehicle of each. allowed : how far above
        each of them another one may lie.
    """
    of_kind = _largest(values, allowed)
    n = len(np.unique(voices[of_kind]))
    others = np.delete(np.arange(len(values)), of_kind)
    rival = others[_largest(values[others], allowed[others])]
    n_rival, n_all = len(np.unique(voices[rival])), len(np.unique(voices))
    prevails = n_rival <= 1 or n >= _SHARE_OF_TWO_KINDS * (n + n_rival)
    if n < MIN_AGREEING or 2 * n < n_all or not prevails:
        return Agreed(np.nan, np.nan, n)
    middle = float(np.median(values[of_kind]))
    return Agreed(middle, float(MAD_TO_SD * np.median(np.abs(values[of_kind] - middle))), n)


def _largest(values: Floats, allowed: Floats) -> slice:
    """Return where the most of these sorted values lie within reach of the least of them; of as many the closest."""
    if not len(values):
        return slice(0, 0)
    end = np.searchsorted(values, values + allowed, side="right")
    room_left = 1 - (values[end - 1] - values) / np.maximum(allowed, 1e-12)
    best = int(np.argmax(end - np.arange(len(values)) + 0.5 * room_left))
    return slice(best, int(end[best]))
