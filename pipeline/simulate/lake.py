"""Write a lake with known truth, from a few vehicles to more than memory holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl

from pipeline.errors import WrongUsage
from pipeline.simulate import truth, world
from pipeline.simulate.file_writing import write_parquet
from pipeline.simulate.records import Records, join_records, make_records
from pipeline.simulate.source_inspections import write_inspections
from pipeline.simulate.source_own import write_own
from pipeline.simulate.source_roadside import write_roadside
from pipeline.simulate.source_workshop import write_workshop

CHUNK = 2000
#: Above this many vehicles every source writes Parquet in our names, chunk by chunk, and nothing is dirty.
LARGEST_VARIED = 20_000


def simulate_lake(
    lake: Path,
    n_vehicles: int,
    seed: int,
    *,
    dirty: bool = True,
    trace_share: float = 0.15,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write a lake and its truth (`LAKE/.truth/`); the same arguments give the same bytes.

    Parameters
    ----------
    lake : a folder that does not exist yet, or is empty.
    n_vehicles : 1 or more. Up to 20,000 the four sources write in their own manners; above, Parquet in our names.
        Memory does not grow with it beyond that.
    seed : 0 or more.
    dirty : put records in that break each rule of the contract (up to 20,000 vehicles).
    trace_share : 0 to 1; share of the closed jobs that were recorded. At 1, about 290 samples a vehicle: a
        billion samples are 3.5 million vehicles.
    progress : called after each chunk with vehicles done and vehicles in all.

    Raises
    ------
    WrongUsage : an argument out of range, or a folder that holds something.
    """
    _check(lake, n_vehicles, seed, trace_share)
    chunks = _chunks(n_vehicles, seed, trace_share, progress)
    if n_vehicles > LARGEST_VARIED:
        for number, records in enumerate(chunks):
            _write_plain(lake, records, number)
            truth.write_chunk(lake, records, number)
        truth.write_effects(lake)
        return
    records = join_records(list(chunks))
    log: list[pl.DataFrame] = []
    for write in (write_own, write_workshop, write_roadside, write_inspections):
        log += write(lake, records, dirty)
    truth.write_small(lake, records, pl.concat(log), n_vehicles, seed)


def _check(lake: Path, n_vehicles: int, seed: int, trace_share: float) -> None:
    if n_vehicles < 1 or seed < 0 or not 0 <= trace_share <= 1:
        raise WrongUsage(
            f"A lake of {n_vehicles} vehicles, seed {seed}, trace share {trace_share:g} cannot be simulated.",
            todo="Give at least 1 vehicle, a seed of 0 or more, and a trace share from 0 to 1.",
        )
    if lake.exists() and (not lake.is_dir() or any(lake.iterdir())):
        raise WrongUsage(
            "There is something at the place where the lake should go.",
            where=str(lake),
            todo="Name a folder that does not exist or is empty; nothing was overwritten.",
        )
    lake.mkdir(parents=True, exist_ok=True)


def _chunks(
    n_vehicles: int, seed: int, trace_share: float, progress: Callable[[int, int], None] | None
) -> Iterator[Records]:
    for number, start in enumerate(range(0, n_vehicles, CHUNK)):
        size = min(CHUNK, n_vehicles - start)
        yield make_records(seed, number, start + 1, size, trace_share)
        if progress:
            progress(start + size, n_vehicles)


def _write_plain(lake: Path, records: Records, number: int) -> None:
    """Write one chunk as Parquet in our names; the register lies with the fleet office."""
    write_parquet(lake / "fleet_office" / f"vehicles_{number:06d}.parquet", records.vehicles)
    inspections = records.inspections.with_columns(_as_list("monitors_not_ready"), _as_list("trouble_codes"))
    write_parquet(lake / "ferrow_inspections" / f"inspections_{number:06d}.parquet", inspections)
    for source in {s.source_id: None for s in world.SHOPS}:
        mine = records.of_source(source)
        jobs = mine.jobs.with_columns(_as_list("trouble_codes"), _as_list("checks"))
        for kind, frame in (("jobs", jobs), ("traces", mine.traces), ("samples", mine.samples)):
            write_parquet(lake / source / f"{kind}_{number:06d}.parquet", frame)


def _as_list(name: str) -> pl.Expr:
    return pl.col(name).str.split(";").list.filter(pl.element() != "")
