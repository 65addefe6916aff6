"""Measure every accepted recording: samples in, one row a trace out.

Samples are read once, a few files at a time, on every core. What is found out about a recording (two kilobytes) is
kept until all are read, for its model's norms come from the whole lake: of the first ones in memory, of all others on
disk.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import repeat
from operator import itemgetter
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from pipeline.contract.tables import MODEL_NORM, SOURCE_TABLES, TRACE_RESULT
from pipeline.errors import OurFault
from pipeline.settings import Settings
from pipeline.steps.batches import Batch, batches
from pipeline.traces.bundles import joined
from pipeline.traces.measure import judge_taken, take
from pipeline.traces.model_norms import NORM_SCHEMA, model_norms
from pipeline.traces.recordings import FLOW_COLUMN, gather, recordings_of
from pipeline.traces.rows import rows_of
from pipeline.traces.sources import NO_SOURCES, Sources, believed, sources_of, with_doubts
from pipeline.traces.taken import Taken
from pipeline.warehouse.store import Warehouse

#: what is found out about so many recordings is kept in memory
KEPT_IN_MEMORY = 60_000
#: rows written at once
PART_ROWS = 10_000
#: recordings judged at once, or a few more: what a batch costs however small it is counts no more from here on
JUDGED_AT_ONCE = 12_000
#: what was found out about a batch, or the file in which it lies
Kept = Taken | Path
SAMPLE_COLUMNS = [
    "t_s",
    "tank_pressure_pa",
    "sensor_v",
    "purge_duty_pct",
    "is_vent_closed",
    "engine_rpm",
    "is_pressure_derived",
]

#: a fact of the header; where it has none, what the recording's own diagnostic answers tell; of barometric pressure,
#: where they tell none either, the median of the shop's other recordings: a shop stays at its height, and weather moves
#: the pressure by about 1 kPa. In which steps the barometer came that made absolute pressure gauge, samples tell. Its
#: source is that of its samples, whose commands and pressures are to be doubted or not: an office may head them all
HEADERS = """
with told as (
    select trace_id, min(fuel_level_pct) as fuel_level_pct, min(ambient_c) as ambient_c,
           min(barometric_kpa) as barometric_kpa, max(barometer_step_kpa) as barometer_step_kpa
    from stage.trace_facts
    group by trace_id
),
recorded as (
    select held.trace_id, min(files.source_id) as source_id
    from stage.sample_parquet as held
    join stage.files as files using (file)
    group by held.trace_id
),
known as (
    select t.trace_id, t.job_id, t.vehicle_id, coalesce(recorded.source_id, t.source_id) as source_id, t.stage,
           t.recorded_at,
           coalesce(t.fuel_level_pct, told.fuel_level_pct) as fuel_level_pct,
           coalesce(t.ambient_c, told.ambient_c) as ambient_c,
           coalesce(t.barometric_kpa, told.barometric_kpa) as barometric_kpa,
           told.barometer_step_kpa, j.shop_id, j.trouble_codes, j.checks
    from core.traces t
    left join told using (trace_id)
    left join recorded using (trace_id)
    left join core.jobs j using (job_id)
),
shop as (
    select shop_id, median(barometric_kpa) as barometric_kpa
    from known
    group by shop_id
    having count(barometric_kpa) >= 5 and mad(barometric_kpa) <= 1
)
select t.trace_id, t.job_id, t.vehicle_id, t.source_id, t.stage, t.recorded_at, t.fuel_level_pct, t.ambient_c,
       coalesce(t.barometric_kpa, shop.barometric_kpa) as barometric_kpa,
       t.barometer_step_kpa, v.fuel_tank_l, v.make, v.model, v.model_year, t.trouble_codes, t.checks
from known t
join core.vehicles v using (vehicle_id)
left join shop using (shop_id)
"""

SAMPLES_OF = """
select trace_id, t_s, tank_pressure_pa, sensor_v, purge_duty_pct, is_vent_closed, engine_rpm, is_pressure_derived,
       test_flow_std_l_min
from core.samples
where trace_id in (select unnest(?::varchar[]))
order by trace_id, t_s
"""


def measure(warehouse: Warehouse, settings: Settings, folder: Path, building: Path) -> None:
    """Fill mart.trace_result, mart.model_norm and what is asked of each source (mart.source_vent, mart.source_pressure,
    mart.source_zero) from the accepted samples in `folder`, each anew.

    Parameters
    ----------
    building : folder in which what is found out lies until the end, where it is much.
    """
    with ThreadPoolExecutor(os.cpu_count()) as cores, TemporaryDirectory(dir=building) as place:
        todo = _with_places(batches(warehouse, folder, warehouse.query(HEADERS)), Path(place))
        kept, norms, sources = _all_taken(cores.map(_take, todo, repeat(settings)))
        # In the order of their first recordings, so that rows are written while later batches are judged.
        groups = _groups(kept)
        results = cores.map(
            _judge, [parts for _, parts in groups], repeat(norms), repeat(sources), repeat(settings)
        )
        warehouse.write(MODEL_NORM, norms)
        for table, rows in zip(SOURCE_TABLES, sources, strict=True):
            warehouse.write(table, rows)
        warehouse.write(TRACE_RESULT, _in_order(results, [first for first, _ in groups]))


def _with_places(todo: Iterable[Batch], folder: Path) -> Iterator[tuple[Batch, Path | None]]:
    """Yield each batch with the place on disk of what is found out about it, None where that is kept in memory."""
    held = 0
    for batch in todo:
        held += batch.headers.height
        yield batch, None if held <= KEPT_IN_MEMORY else folder / str(held)


def _all_taken(
    taken: Iterable[tuple[str, Kept, pl.DataFrame]],
) -> tuple[list[tuple[str, int, Kept]], pl.DataFrame, Sources]:
    """Return the first recording of each batch, how many it holds and what is kept of it; the norms of their models,
    and what their sources' vent commands and pressures are worth."""
    kept, told = [], []
    for first, part, readings in taken:
        kept.append((first, readings.height, part))
        told.append(readings)
    if not told:
        return kept, pl.DataFrame(schema=NORM_SCHEMA), NO_SOURCES
    readings = pl.concat(told)
    sources = sources_of(readings)
    return kept, model_norms(believed(readings, sources)), sources


def _groups(kept: list[tuple[str, int, Kept]]) -> list[tuple[str, list[Kept]]]:
    """Return what is judged together, each with its first recording: batches until there are JUDGED_AT_ONCE."""
    groups: list[tuple[str, list[Kept]]] = []
    n = JUDGED_AT_ONCE
    for first, held, part in sorted(kept, key=itemgetter(0)):
        if n >= JUDGED_AT_ONCE:
            groups.append((first, []))
            n = 0
        groups[-1][1].append(part)
        n += held
    return groups


def _in_order(results: Iterable[pl.DataFrame], firsts: list[str]) -> Iterator[pl.DataFrame]:
    """Yield the rows of all batches by recording, about PART_ROWS at a time, as soon as none can come before them.

    Parameters
    ----------
    firsts : the least recording of each batch, rising.
    """
    waiting: list[pl.DataFrame] = []
    for rows, bound in zip(results, [*firsts, None][1:], strict=True):
        waiting.append(_by_recording(rows))
        yield from _parts_before(bound, waiting)


def _parts_before(bound: str | None, waiting: list[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    """Yield rows before `bound`, all where there is none, by recording, and take them out of the sorted frames
    `waiting`; rows too few for a part stay where more are to come."""
    ids = pl.concat([_before(bound, each)["trace_id"] for each in waiting]).sort()
    ends = ids.gather_every(PART_ROWS, PART_ROWS).to_list()
    for end in ends if bound is not None else [*ends, None]:
        part = _by_recording(pl.concat([_before(end, each) for each in waiting]))
        waiting[:] = [rest for each in waiting if (rest := each[_n_before(end, each) :]).height]
        if part.height:
            yield part


def _by_recording(rows: pl.DataFrame) -> pl.DataFrame:
    return rows if rows["trace_id"].is_sorted() else rows.sort("trace_id")


def _before(bound: str | None, rows: pl.DataFrame) -> pl.DataFrame:
    return rows[: _n_before(bound, rows)]


def _n_before(bound: str | None, rows: pl.DataFrame) -> int:
    return rows.height if bound is None else int(rows["trace_id"].search_sorted(bound))


def _take(batch_to: tuple[Batch, Path | None], settings: Settings) -> tuple[str, Kept, pl.DataFrame]:
    """Read and fit a batch; return its first recording, what is kept of it until its models are known, and what it
    tells of them."""
    batch, place = batch_to
    headers = batch.headers.drop("n", "is_fed")
    columns = [*SAMPLE_COLUMNS, *([FLOW_COLUMN] if batch.headers["is_fed"].any() else [])]
    if batch.is_scattered:
        recordings = gather(_read(batch.files, ["trace_id", *columns]), headers["trace_id"])
    else:
        recordings = recordings_of(_read_whole(batch, columns), batch.headers["n"].to_numpy())
    taken = take(recordings, headers, settings)
    if place:
        with place.open("wb") as file:
            pickle.dump(taken, file, protocol=pickle.HIGHEST_PROTOCOL)
    return str(headers["trace_id"].min()), place or taken, taken.for_norms()


def _judge(kept: list[Kept], norms: pl.DataFrame, sources: Sources, settings: Settings) -> pl.DataFrame:
    taken = [pickle.loads(part.read_bytes()) if isinstance(part, Path) else part for part in kept]
    taken = [replace(batch, headers=with_doubts(batch.headers, sources)) for batch in taken]
    # Of a bundle's parts either all are there or none is: batches with recordings that were fed stay apart.
    fed = [batch for batch in taken if batch.steady is not None]
    alike = [part for part in (fed, [batch for batch in taken if batch.steady is None]) if part]
    return pl.concat(rows_of(judge_taken(joined(part), norms, settings), settings) for part in alike)


def _read_whole(batch: Batch, columns: list[str]) -> pl.DataFrame:
    """Return all samples of a batch, as many as were staged: which recording a sample is of goes by their number."""
    rows, n = _read(batch.files, columns), batch.headers["n"].sum()
    if rows.height != n:
        raise OurFault(
            f"the samples files hold {rows.height} samples where {n} were written",
            ", ".join(map(str, batch.files)),
            "delete the output folder and run `evapfleet run LAKE --out DIR` again: it then reads every file anew",
        )
    return rows


def _read(files: list[Path], columns: list[str]) -> pl.DataFrame:
    if not files:
        return pl.DataFrame(schema=dict.fromkeys(columns, pl.Float64)).with_columns(
            pl.col("is_vent_closed", "is_pressure_derived").cast(pl.Boolean)
        )
    return pl.concat([pl.read_parquet(file, columns=columns, glob=False) for file in files]).select(columns)


def some_traces(warehouse: Warehouse, trace_ids: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (samples, headers) of these traces, in the order of their ids. Reads only."""
    headers = warehouse.query(HEADERS).filter(pl.col("trace_id").is_in(trace_ids)).sort("trace_id")
    sources = Sources(*(warehouse.table(of.full_name) for of in SOURCE_TABLES))
    headers = with_doubts(headers, sources)
    return warehouse.query(SAMPLES_OF, [trace_ids]), headers
