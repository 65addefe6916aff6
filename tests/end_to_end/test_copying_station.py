"""A station that reads one vehicle out for others is found, and honest stations are left alone, through the whole SQL.

A program of 20 stations: they differ in volume, in failure rate and in how many vehicles come soon after a clear.
Measured by hand with `named` over more seeds: see DEVELOPERS.md, "Inspections".
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.contract.fields import ALL_KINDS
from pipeline.estimates import station_look
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.steps.judge import judge_inspections
from pipeline.steps.model import prepare
from pipeline.warehouse.models import in_reading_order, load_models, run_models
from pipeline.warehouse.store import Warehouse, kind_columns, open_warehouse

LOOKED_AT = {"tally.station_year_count", "tally.station_habit_count", "tally.station_repeat_count"}
N_STATIONS, N_VEHICLES, COPIER = 20, 3000, "S03"
SUPPORTED = np.array([0x65, 0xE5, 0x2D, 0x25, 0x61])  # byte C of five models
KM_TO_READY = np.array([95, 1, 190, 70, 1, 45, 12, 60])  # median of each monitor of byte C, lowest bit first


def program(seed: int, copied_share: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give vehicles and inspections; the copier writes its first vehicle's reading for that share of its others."""
    rng = np.random.default_rng(seed)
    year, model = rng.integers(1998, 2020, N_VEHICLES), rng.integers(0, len(SUPPORTED), N_VEHICLES)
    busy = rng.lognormal(0, 0.6, N_STATIONS)
    vehicle = np.tile(np.arange(N_VEHICLES), 2)
    station = rng.choice(N_STATIONS, len(vehicle), p=busy / busy.sum())
    day = rng.integers(0, 365, len(vehicle)) + np.repeat([0, 400], N_VEHICLES)
    soon = rng.random(len(vehicle)) < 0.05 * rng.lognormal(0, 0.3, N_STATIONS)[station]
    km = np.floor(np.where(soon, rng.exponential(150, len(vehicle)), rng.exponential(9000, len(vehicle))))
    warmups = np.minimum(np.floor(km / rng.uniform(8, 25, len(vehicle))), 255).astype(int)
    failing = rng.random(len(vehicle)) < 0.08 * rng.lognormal(0, 0.25, N_STATIONS)[station]
    c = SUPPORTED[model[vehicle]]
    needs = KM_TO_READY * np.exp(0.8 * rng.standard_normal((len(vehicle), 8)))
    d = c & ((needs > km[:, None]) * (1 << np.arange(8))).sum(axis=1)
    a = np.where(failing, 129 + (rng.random(len(vehicle)) < 0.2), 0)
    for own in (a, c, d, km, warmups):
        there = np.flatnonzero(station == int(COPIER[1:]))
        own[there[1:][np.arange(len(there) - 1) < copied_share * (len(there) - 1)]] = own[there[0]]
    seconds = 86400 * day + rng.integers(8 * 3600, 18 * 3600, len(vehicle))
    vehicles = pl.DataFrame(
        {
            "vehicle_id": [f"V{v}" for v in range(N_VEHICLES)],
            "make": ["Arvo"] * N_VEHICLES,
            "model": [f"M{m}" for m in model],
            "model_year": year,
        }
    ).with_columns(in_service_on=pl.date(2020, 1, 1))
    inspections = pl.DataFrame(
        {
            "inspection_id": [f"I{i}" for i in range(len(vehicle))],
            "vehicle_id": [f"V{v}" for v in vehicle],
            "station_id": [f"S{s:02}" for s in station],
            "inspected_at": (1_640_995_200 + seconds) * 1_000_000,
            "monitor_status_hex": [f"{x:02X} 07 {y:02X} {z:02X}" for x, y, z in zip(a, c, d, strict=True)],
            "warmups_since_clear": warmups,
            "distance_since_clear_km": km,
        }
    ).with_columns(pl.col("inspected_at").cast(pl.Datetime("us", "UTC")))
    return vehicles, inspections


def look(warehouse: Warehouse, seed: int, copied_share: float) -> pl.DataFrame:
    """Run the road from raw records to `mart.station_look`."""
    frames = dict(zip(("vehicles", "inspections"), program(seed, copied_share), strict=True))
    for kind in ("vehicles", "jobs", "traces", "inspections"):
        warehouse.create(f"core.{kind}", kind_columns(ALL_KINDS[kind]))
    for kind, frame in frames.items():
        absent = [f.name for f in ALL_KINDS[kind].fields if f.name not in frame.columns]
        names = [f.name for f in ALL_KINDS[kind].fields]
        warehouse.append(
            f"core.{kind}", frame.with_columns(pl.lit(None).alias(n) for n in absent).select(names)
        )
    judge_inspections(warehouse, Settings().rule)
    prepare(warehouse, Settings())
    models = {m.full_name: m for m in load_models(carried("sql"))}
    wanted, asked = set(), list(LOOKED_AT)
    while asked:
        name = asked.pop()
        wanted |= {name} & models.keys()
        asked += models[name].reads if name in models else []
    run_models(warehouse.con, in_reading_order([models[name] for name in sorted(wanted)]))
    counts = [warehouse.table(f"tally.station_{name}_count") for name in ("year", "habit", "repeat")]
    by_stratum = pl.concat([counts[0].rename({"model_year": "stratum"}), counts[1]], how="vertical_relaxed")
    return station_look(by_stratum, counts[2], 0.95)


def named(tmp_path, seed: int, copied_share: float) -> set[tuple[str, str]]:
    """Say which stations stand out, and by which measure."""
    with open_warehouse(tmp_path / f"{seed}-{copied_share}.duckdb", read_only=False) as warehouse:
        frame = look(warehouse, seed, copied_share).filter("stands_out")
    return set(frame.select("station_id", "measure").rows())


@pytest.mark.parametrize("copied_share", [0.5, 0.2])
def test_the_copying_station_is_found_and_no_other_is_named(tmp_path, copied_share):
    found = [named(tmp_path, seed, copied_share) for seed in range(2)]
    assert all(one & {(COPIER, "repeated_record"), (COPIER, "repeated_distance")} for one in found)
    assert {station for one in found for station, _ in one} == {COPIER}


def test_an_honest_program_has_nobody_to_name(tmp_path):
    assert [named(tmp_path, seed, 0.0) for seed in range(4)] == [set()] * 4
