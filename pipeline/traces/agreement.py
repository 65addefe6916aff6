"""Which sensors of a model agree, and whether those that do not are odd ones or another kind."""

from __future__ import annotations

from collections.abc import Callable
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


class Agreed(NamedTuple):
    """Median of the recordings that agree, their spread (median absolute deviation as the standard deviation of a
    normal law; both nan where no kind prevails), and how many vehicles they come from."""

    norm: float
    spread: float
    n_vehicles: int


NOBODY = Agreed(np.nan, np.nan, 0)


def agreed_by_model(
    said: pl.DataFrame, by: tuple[str, ...], name: str, reach: Callable[[Floats], Floats]
) -> pl.DataFrame:
    """Return one row per model: its keys, and of the number `name` the norm, `_spread` and `_n` as in `Agreed`.

    Parameters
    ----------
    said : one row per recording: the keys `by`, vehicle_id (null: a vehicle of its own) and the number, null where it
        does not tell.
    reach : takes numbers and returns how far above each another one may lie to agree with it, in their unit.
    """
    told = (
        said.select(
            *by,
            pl.col(name).cast(pl.Float64),
            voice=pl.coalesce(
                pl.col("vehicle_id").cast(pl.String).rank("dense").cast(pl.Int64),
                -pl.int_range(1, pl.len() + 1),
            ),
        )
        .filter(pl.col(name).is_finite())
        .sort(*by, name)
    )
    models = told.group_by(by, maintain_order=True).agg(n=pl.len())
    ends = models["n"].cum_sum().to_list()
    values, voices = told[name].to_numpy(), told["voice"].to_numpy()
    found = [
        agreement(values[a:b], voices[a:b], reach) for a, b in zip([0, *ends[:-1]], ends, strict=True) if b
    ]
    columns = zip(*found, strict=True) if found else ((), (), ())
    norm, spread, n = (list(column) for column in columns)
    return models.select(by).with_columns(
        pl.Series(name, norm, pl.Float64).fill_nan(None),
        pl.Series(f"{name}_spread", spread, pl.Float64).fill_nan(None),
        pl.Series(f"{name}_n", n, pl.Int64),
    )


def agreement(values: Floats, voices: Ints, reach: Callable[[Floats], Floats]) -> Agreed:
    """Return what the recordings of one model agree on.

    Parameters
    ----------
    values : one per recording, sorted upwards. voices : the vehicle of each. reach : see `agreed_by_model`.
    """
    if not len(values):
        return NOBODY
    of_kind = _largest(values, reach)
    n = len(np.unique(voices[of_kind]))
    others = np.delete(np.arange(len(values)), of_kind)
    rival = others[_largest(values[others], reach)] if len(others) else others
    n_rival, n_all = len(np.unique(voices[rival])), len(np.unique(voices))
    prevails = n_rival <= 1 or n >= _SHARE_OF_TWO_KINDS * (n + n_rival)
    if n < MIN_AGREEING or n <= n_rival or 2 * n < n_all or not prevails:
        return Agreed(np.nan, np.nan, n)
    middle = float(np.median(values[of_kind]))
    return Agreed(middle, float(MAD_TO_SD * np.median(np.abs(values[of_kind] - middle))), n)


def _largest(values: Floats, reach: Callable[[Floats], Floats]) -> slice:
    """Return where the most of these sorted values lie within one reach; of as many the closest together."""
    first = np.arange(len(values))
    allowed = reach(values)
    end = np.searchsorted(values, values + allowed, side="right")
    width = values[end - 1] - values
    with np.errstate(all="ignore"):
        apart = np.where(allowed > 0, width / allowed, 0.0)
    best = int(np.argmax(end - first - 0.5 * apart))
    return slice(best, int(end[best]))
