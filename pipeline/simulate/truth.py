"""Writing down what is true in a lake: `.truth/` for programs, README.md for people."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.simulate import world
from pipeline.simulate.file_writing import write_bytes, write_csv, write_parquet
from pipeline.simulate.records import Records
from pipeline.simulate.source_own import as_text


def effects_frame() -> pl.DataFrame:
    """List the three effects: what, where, how large, and the ordinary value."""
    e = world.EFFECTS
    make = next(m.make for m in world.MODELS if m.name == e.model)
    rate = next(c.rate_per_1000_vehicle_years for c in world.COMPONENTS if c.name == e.component)
    rows = [
        (
            "recurring_component",
            f"{make} {e.model}",
            e.component,
            e.rate_ratio,
            1.0,
            f"ratio to {rate} per 1000 vehicle-years",
        ),
        (
            "returning_shop",
            e.shop_id,
            "",
            e.shop_first_time_fix,
            e.other_first_time_fix,
            "share of repairs that cure the fault",
        ),
        (
            "odd_station",
            e.station_id,
            "",
            e.repeated_share,
            0.0,
            "share of initial inspections with another vehicle's readings",
        ),
    ]
    names = ["effect", "where", "component", "value", "ordinary", "meaning"]
    return pl.DataFrame(rows, schema=names, orient="row")


def write_effects(lake: Path) -> None:
    """Write `.truth/effects.csv`."""
    write_csv(lake / ".truth" / "effects.csv", as_text(effects_frame()))


def write_chunk(lake: Path, records: Records, number: int) -> None:
    """Write the truth of one chunk of a large lake as Parquet."""
    for name, frame in _tables(records).items():
        write_parquet(lake / ".truth" / f"{name}_{number:06d}.parquet", frame)


def write_small(lake: Path, records: Records, dirty: pl.DataFrame, n_vehicles: int, seed: int) -> None:
    """Write the truth of a small lake as CSV, and its README.md."""
    write_effects(lake)
    for name, frame in (_tables(records) | {"dirty": dirty}).items():
        write_csv(lake / ".truth" / f"{name}.csv", as_text(frame))
    write_bytes(lake / "README.md", readme(records, dirty, n_vehicles, seed).encode())


def _tables(records: Records) -> dict[str, pl.DataFrame]:
    return {
        "jobs": records.job_truth,
        "traces": records.trace_truth,
        "copied_inspections": records.copied_inspections,
    }


def readme(records: Records, dirty: pl.DataFrame, n_vehicles: int, seed: int) -> str:
    """Say in words what is true in the lake, with the counts that were really drawn."""
    e = world.EFFECTS
    make = next(m.make for m in world.MODELS if m.name == e.model)
    repairs = records.job_truth.filter(pl.col("purpose") == "repair")
    bad = repairs.filter(pl.col("shop_id") == e.shop_id)
    others = repairs.filter(pl.col("shop_id") != e.shop_id)
    model_of = records.vehicles.select("vehicle_id", "model")
    valve = repairs.join(model_of, on="vehicle_id").filter(
        (pl.col("model") == e.model) & (pl.col("true_component") == e.component)
    )
    n_model = records.vehicles.filter(pl.col("model") == e.model).height
    visits = records.inspections.filter(pl.col("station_id") == e.station_id).height
    return f"""# What is true in this lake

Made by `evapfleet simulate LAKE --vehicles {n_vehicles} --seed {seed}`; the same command gives the same bytes.
The setting is an invented county, Ferrow: its works department, a water utility, a parcel carrier and a transit
pool, {world.START_ON} to {world.END_ON}. Makes, models, shops, stations and people do not exist. VINs begin with 0,
a region given to nobody, and carry right check digits.

## Three things are really so

1. **A valve that recurs.** The `{e.component}` of the {make} {e.model} fails {e.rate_ratio:g} times as often as on
   every other model. Here: {valve.height} visits for it on {n_model} vehicles. Every other component fails at
   the same rate on every model.
2. **A shop whose repairs come back.** At {e.shop_id} a repair cures the fault with probability
   {e.shop_first_time_fix:g}; at every other shop with {e.other_first_time_fix:g}. Here: {_cured(bad)} repair visits
   cured at {e.shop_id}, {_cured(others)} elsewhere. Half of the failed repairs replaced a wrong part.
3. **A station that copies.** {e.station_id} wrote one vehicle's monitor bytes, warm-ups and distance on
   {records.copied_inspections.height} of its {visits} inspections, so it fails and returns too few vehicles. All
   other stations are honest and alike.

Everything else that looks unusual is chance. Components have Weibull lives; a replacement starts a new one, and the
first unit of every vehicle was still alive when the three years began.

## What there is

| records | number |
|---|---|
| vehicles | {records.vehicles.height} |
| jobs | {records.jobs.height} |
| traces | {records.traces.height} |
| samples | {records.samples.height} |
| inspections | {records.inspections.height} |
| dirty records on top of these | {dirty.height} |

| source | manner |
|---|---|
| `fleet_office` | our names; CSV and Parquet; times in UTC or with offset; holds the register |
| `brightwell_shops` | a workshop system: other words, `;`, decimal comma, local times, miles, inches of water, \
milliseconds, one packed file per recording |
| `roadside_unit` | JSON lines, plain and packed; pressure and purge as raw SAE J1979 responses |
| `ferrow_inspections` | raw monitor bytes, other headers, local times, miles, gzip and Zstandard |

Recordings were integrated from flow, gas and vapor equations, not drawn from the estimator's formula. True
verdicts:

{_counts(records.trace_truth["verdict"], "verdict")}

How they were made: a plain test (rest, shut, draw, hold, release; the purge at once or in steps), one without a closed
phase before its draw, two draws, a draw given up early, a vent opened early; a hold under pressure and a steady flow,
read from the shop's own gauge; and in routine, drives and tests broken off. Clocks leap in
{_share(records, "clock_leap_s")}, sensors end early in {_share(records, "sensor_end_pa")}, one shop lies 1,150 m high,
and samples are lost everywhere.

{_counts(records.trace_truth["manner"], "manner")}

## What is dirty

Each rule is broken at least once (`duplicate`: the same record again, which is no error). Notes of a few accepted
jobs hold hostile text on purpose.

{_counts(dirty["rule"], "rule")}

`.truth/` holds the same record by record; `evapfleet run` never reads it.
"""


def _share(records: Records, name: str) -> str:
    truth = records.trace_truth
    return f"{truth.filter(pl.col(name).fill_null(0) != 0).height} of {truth.height}"


def _cured(repairs: pl.DataFrame) -> str:
    return f"{repairs['is_fixed'].sum()} of {repairs.height}"


def _counts(words: pl.Series, name: str) -> str:
    table = words.rename(name).value_counts().sort(["count", name], descending=[True, False])
    rows = "\n".join(f"| {word} | {count} |" for word, count in table.iter_rows())
    return f"| {name} | number |\n|---|---|\n{rows}"
