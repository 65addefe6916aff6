"""The tables of inspections, readiness and stations, from what SQL counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import polars as pl

from pipeline.contract.tables import (
    INSPECTION_REPORT,
    INSPECTION_STATION,
    MONITOR_AFTER_CLEAR,
    READINESS,
    READINESS_AFTER_CLEAR,
    STATION_LOOK,
    VEHICLE_DUE,
)
from pipeline.estimates.after_clear import AfterClear, after_clear
from pipeline.estimates.inspections import inspection_report, readiness
from pipeline.estimates.stations import inspection_station, station_look
from pipeline.estimates.vehicle_due import vehicles_due
from pipeline.settings import Settings

Read = Callable[[str], pl.DataFrame]
ReadParts = Callable[[str], Iterator[pl.DataFrame]]
Frames = dict[str, pl.DataFrame | Iterator[pl.DataFrame]]


def estimate_inspections(read: Read, settings: Settings, read_parts: ReadParts | None = None) -> Frames:
    """Estimate every mart on inspections that rests on a statistic; parameters as `estimate_all`. Reads only."""
    level = settings.level
    by_year = read("tally.station_year_count")
    by_stratum = pl.concat(
        [by_year.rename({"model_year": "stratum"}), read("tally.station_habit_count")],
        how="vertical_relaxed",
    )
    look = station_look(by_stratum, read("tally.station_repeat_count"), level)
    arrivals = readiness(read("tally.readiness_count"), level)
    after = after_clear(read("tally.after_clear_count"), level)
    return {
        INSPECTION_REPORT.full_name: inspection_report(read("tally.inspection_count"), level),
        READINESS.full_name: arrivals,
        STATION_LOOK.full_name: look,
        READINESS_AFTER_CLEAR.full_name: after.evap,
        MONITOR_AFTER_CLEAR.full_name: after.monitors,
        INSPECTION_STATION.full_name: inspection_station(by_year, look, level),
        VEHICLE_DUE.full_name: _due_in_parts(read_parts, arrivals, after, level)
        if read_parts
        else vehicles_due(read("tally.due_state"), arrivals, after, level),
    }


def _due_in_parts(
    read_parts: ReadParts, arrivals: pl.DataFrame, after: AfterClear, level: float
) -> Iterator[pl.DataFrame]:
    """Estimate vehicles part by part: a register may be larger than memory."""
    for states in read_parts("tally.due_state"):
        yield vehicles_due(states, arrivals, after, level)
