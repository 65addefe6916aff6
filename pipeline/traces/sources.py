"""What is asked of a whole source: whether the commands and pressures that it writes can be what they say."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.traces import pressure_units, source_zeros, vent_commands
from pipeline.traces.compiled import Flags
from pipeline.traces.pressure_units import DRAWN_SPAN, IS_PRESSURE_DOUBTED, SOURCE
from pipeline.traces.source_zeros import IS_ZERO_DOUBTED, VENTED_ZERO
from pipeline.traces.vent_commands import IS_VENT_DOUBTED, VACUUM_UNDER_OPEN_VENT

INTERVAL = "interval_s"
#: Samples farther apart [s] tell no draw and no hold; milliseconds read as seconds lie hundreds apart (judgement).
SELDOM_S = 10.0
#: What is asked of a source, in the order of `Sources` and `Doubts`: the reading that tells it, the flag of doubt, and
#: who counts.
_ASKED = (
    (VACUUM_UNDER_OPEN_VENT, IS_VENT_DOUBTED, vent_commands),
    (DRAWN_SPAN, IS_PRESSURE_DOUBTED, pressure_units),
    (VENTED_ZERO, IS_ZERO_DOUBTED, source_zeros),
)


class Sources(NamedTuple):
    """A row for each source: of its vent commands `vent_commands.SCHEMA`, of its pressures `pressure_units.SCHEMA`, of
    where they rest `source_zeros.SCHEMA`."""

    vent: pl.DataFrame
    pressure: pl.DataFrame
    zero: pl.DataFrame


NO_SOURCES = Sources(*(pl.DataFrame(schema=of.SCHEMA) for _, _, of in _ASKED))


class Doubts(NamedTuple):
    """Which recordings come from a source whose vent commands, whose pressures, or their zero, cannot be what they
    say."""

    vent: Flags
    pressure: Flags
    zero: Flags


def source_of(headers: pl.DataFrame) -> pl.Series:
    """Return the source of each header, null where the headers do not say."""
    if SOURCE in headers.columns:
        return headers[SOURCE].cast(pl.String)
    return pl.Series(SOURCE, [None], dtype=pl.String).new_from_index(0, headers.height)


def sources_of(told: pl.DataFrame) -> Sources:
    """Return what the recordings of each source tell of it.

    Parameters
    ----------
    told : SOURCE, vehicle_id, VACUUM_UNDER_OPEN_VENT, DRAWN_SPAN, DRAWN_RATE and VENTED_ZERO of each recording, nan
        where it does not tell, and make and model; those without a source are left out.
    """
    told = pressure_units.compared(told)
    return Sources(*(_counted(told, reading, of.counted(), of.SCHEMA) for reading, _, of in _ASKED))


def believed(told: pl.DataFrame, sources: Sources) -> pl.DataFrame:
    """Return the recordings of which a norm may be learned: without those whose source's pressures are doubted, and
    those whose samples (INTERVAL) lie too far apart."""
    is_seldom = pl.col(INTERVAL).fill_nan(0.0) > SELDOM_S
    return told.filter(
        ~_is_of(sources.pressure, IS_PRESSURE_DOUBTED) & ~_is_of(sources.zero, IS_ZERO_DOUBTED) & ~is_seldom
    )


def with_doubts(headers: pl.DataFrame, sources: Sources) -> pl.DataFrame:
    """Return the headers with the flags of doubt, by what was told of their sources."""
    if SOURCE not in headers.columns:
        return headers
    return headers.with_columns(
        _is_of(rows, flag) for rows, (_, flag, _) in zip(sources, _ASKED, strict=True)
    )


def doubts_of(headers: pl.DataFrame) -> Doubts:
    """Return what `with_doubts` told of these headers; no doubt where that was not asked."""
    return Doubts(*(_flag(headers, flag) for _, flag, _ in _ASKED))


def _counted(
    told: pl.DataFrame, reading: str, counted: dict[str, pl.Expr], schema: dict[str, type[pl.DataType]]
) -> pl.DataFrame:
    """Return `schema`, a row for each source of which a recording tells the `reading`."""
    known = told.filter(pl.col(SOURCE).is_not_null() & pl.col(reading).is_not_nan())
    by_source = known.group_by(SOURCE).agg(**counted)
    return by_source.select(pl.col(name).cast(kind) for name, kind in schema.items()).sort(SOURCE)


def _is_of(sources: pl.DataFrame, flag: str) -> pl.Expr:
    of = sources.filter(flag)[SOURCE]
    return pl.col(SOURCE).is_in(of.implode()).fill_null(False).alias(flag)


def _flag(headers: pl.DataFrame, name: str) -> Flags:
    if name not in headers.columns:
        return np.zeros(headers.height, bool)
    return headers[name].fill_null(False).to_numpy()
