"""From which model year on a model's sensors are of another kind.

A model keeps its name when its parts change. Sensors of the later years then differ from those of the earlier ones and
agree with each other: held against the earlier ones, each of them would look odd.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.traces.agreement import Reach, two_kinds, width_of_kinds
from pipeline.traces.compiled import Floats, Ints
from pipeline.traces.extra_volume import MODEL

YEARS = ("from_model_year", "to_model_year")
#: So many vehicles that agree with each other, and not with most, are another kind, if so large a share of them is of
#: the years from a change on, or up to it, with no more of the others there than so many for each of them (judgement:
#: four odd sensors agree by chance now and then, but are of any year).
_LEAST_OF_KIND = 2
_SHARE_OF_KIND = 0.8
_OTHERS = 0.25


def generations(said: pl.DataFrame, reaches: dict[str, Reach]) -> pl.DataFrame:
    """Return MODEL and YEARS of each generation of the models whose sensors changed; no row of any other.

    Parameters
    ----------
    said : one row per recording: MODEL, model_year (null: not known), its voice (see `agreement.voiced`), and the
        numbers, null where it does not tell.
    reaches : how far apart each number may lie in sensors of one kind.
    """
    widths = {name: width_of_kinds(said, MODEL, name, reach) for name, reach in reaches.items()}
    found = []
    for model, of_model in said.drop_nulls("model_year").group_by(MODEL, maintain_order=True):
        firsts = _firsts(of_model, reaches, widths)
        lasts = [*(first - 1 for first in firsts[1:]), int(of_model["model_year"].to_numpy().max())]
        found += [(*model, *years) for years in zip(firsts, lasts, strict=True)] if len(firsts) > 1 else []
    schema = dict.fromkeys(MODEL, pl.String) | dict.fromkeys(YEARS, pl.Int64)
    return pl.DataFrame(found, schema=schema, orient="row")


def in_generation(rows: pl.DataFrame, generations: pl.DataFrame) -> pl.DataFrame:
    """Return rows of MODEL and model_year with YEARS of their generation, null where their model has but one, or
    their year is not known."""
    return _with_years(rows, generations.select(*MODEL, *YEARS), 0, [])


def nearest_generation(rows: pl.DataFrame, norms: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with YEARS as `in_generation` does, but at a change, where a year may have had both kinds of
    sensor, those of the kind that the recording's own is nearer to.

    Parameters
    ----------
    rows : MODEL, model_year, and the recording's volts_per_pa [V/Pa] and rest_v [V], null where it does not tell.
    norms : MODEL, YEARS, volts_per_pa and rest_v of each generation.
    """
    kinds = norms.select(*MODEL, *YEARS, slope__="volts_per_pa", rest__="rest_v")
    off_slope = (pl.col("volts_per_pa") / pl.col("slope__") - 1).abs().fill_null(0.0)
    off_rest = (pl.col("rest_v") - pl.col("rest__")).abs().fill_null(0.0)
    return _with_years(rows, kinds, 1, [off_slope + off_rest]).select(*MODEL, "model_year", *YEARS)


def _with_years(rows: pl.DataFrame, kinds: pl.DataFrame, beside: int, order: list[pl.Expr]) -> pl.DataFrame:
    """Add YEARS of the kind that comes first in `order`, of those whose years are the row's or lie so many `beside`
    it; of equal ones its own."""
    rows = rows.with_row_index("row__")
    first, last = (pl.col(name) for name in YEARS)
    year = pl.col("model_year")
    of = rows.join(kinds.drop_nulls(YEARS), on=MODEL).filter(year.is_between(first - beside, last + beside))
    of = of.sort("row__", *order, ~year.is_between(first, last)).unique("row__", keep="first")
    return rows.join(of.select("row__", *YEARS), on="row__", how="left", maintain_order="left").drop("row__")


def _firsts(said: pl.DataFrame, reaches: dict[str, Reach], widths: dict[str, float]) -> list[int]:
    """Return the first model year of each generation of one model, rising."""
    for name, reach in reaches.items():
        told = said.drop_nulls(name).sort(name)
        values, voices, years = (told[each].to_numpy() for each in (name, "voice", "model_year"))
        change = _change(values, voices, years, reach, widths[name])
        if change is not None:
            is_later = said["model_year"] >= change
            parts = said.filter(~is_later), said.filter(is_later)
            return [first for part in parts for first in _firsts(part, reaches, widths)]
    return [int(said["model_year"].to_numpy().min())]


def _change(values: Floats, voices: Ints, years: Ints, reach: Reach, width: float) -> int | None:
    """Return the model year from which on another kind of sensor prevails; None where none does.

    Parameters
    ----------
    values : one per recording, rising. voices, years : the vehicle of each, and its model year.
    """
    if len(values) == 0:
        return None
    most, other = (
        years[rows][np.unique(voices[rows], return_index=True)[1]]
        for rows in two_kinds(values, voices, reach, width)
    )
    least = max(_LEAST_OF_KIND, _SHARE_OF_KIND * len(other))
    best, change = 0, None
    for year in np.unique(years)[1:].tolist():
        for is_late in (True, False):
            n_other, n_most = (int(np.sum((of_kind >= year) == is_late)) for of_kind in (other, most))
            right = n_other + len(most) - n_most
            if n_other >= least and n_most <= _OTHERS * n_other and right > best:
                best, change = right, year
    return change
