"""Measure every accepted recording: a batch of samples in, one row a trace out."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline.contract.tables import TRACE_RESULT
from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces
from pipeline.traces.volt_norms import volt_norms
from pipeline.warehouse.store import Warehouse

#: samples measured at once: memory stays near 1 GiB whatever the size of the lake
BATCH_SAMPLES = 2_000_000

#: a fact of the header; where it has none, what the recording's own diagnostic answers tell
HEADERS = """
with told as (
    select trace_id, min(fuel_level_pct) as fuel_level_pct, min(ambient_c) as ambient_c,
           min(barometric_kpa) as barometric_kpa
    from stage.trace_facts
    group by trace_id
)
select t.trace_id, t.job_id, t.vehicle_id, t.stage, t.recorded_at,
       coalesce(t.fuel_level_pct, told.fuel_level_pct) as fuel_level_pct,
       coalesce(t.ambient_c, told.ambient_c) as ambient_c,
       coalesce(t.barometric_kpa, told.barometric_kpa) as barometric_kpa,
       v.fuel_tank_l, v.make, v.model, j.trouble_codes, j.checks
from core.traces t
join core.vehicles v using (vehicle_id)
left join told using (trace_id)
left join core.jobs j using (job_id)
order by t.trace_id
"""

BATCH = """
select trace_id, t_s, tank_pressure_pa, sensor_v, purge_duty_pct, is_vent_closed, engine_rpm, is_pressure_derived
from core.samples
where trace_id between ? and ?
order by trace_id, t_s
"""

#: one pass over all samples, or over those of one trace's model alone
SLOPES = """
select v.make, v.model, regr_slope(s.sensor_v, s.tank_pressure_pa) as volts_per_pa,
       regr_r2(s.sensor_v, s.tank_pressure_pa) as r2,
       max(s.tank_pressure_pa) - min(s.tank_pressure_pa) as pressure_range_pa
from core.samples s
join core.traces t using (trace_id)
join core.vehicles v using (vehicle_id)
where s.sensor_v is not null
  and (? is null or (v.make, v.model) in (
      select (of.make, of.model) from core.traces join core.vehicles of using (vehicle_id) where trace_id = ?))
group by s.trace_id, v.make, v.model
having not coalesce(bool_or(s.is_pressure_derived), false)
"""


def measure(warehouse: Warehouse, settings: Settings) -> None:
    """Fill mart.trace_result. Replaces one table whole."""
    headers = warehouse.query(HEADERS)
    norms = norms_of(warehouse)
    results = [
        measure_traces(samples, mine, settings, norms) for samples, mine in _batches(warehouse, headers)
    ]
    empty = pl.DataFrame(schema=dict.fromkeys(TRACE_RESULT.column_names, pl.String))
    warehouse.write(TRACE_RESULT, pl.concat(results).sort("trace_id") if results else empty)


def norms_of(warehouse: Warehouse, trace_id: str | None = None) -> pl.DataFrame:
    """Return what the sensors of every model do, or of this trace's model alone. Reads only."""
    return volt_norms(warehouse.query(SLOPES, [trace_id, trace_id]))


def _batches(warehouse: Warehouse, headers: pl.DataFrame) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """Yield (samples, headers) by ranges of trace ids, so that no trace is ever cut."""
    counts = warehouse.query("select trace_id, count(*) as n from core.samples group by trace_id")
    sized = headers.join(counts, on="trace_id", how="left").with_columns(pl.col("n").fill_null(0))
    batch = (sized.sort("trace_id")["n"].cum_sum() - 1).clip(0) // BATCH_SAMPLES
    for _, mine in sized.sort("trace_id").with_columns(batch=batch).group_by("batch", maintain_order=True):
        ids = mine["trace_id"]
        yield warehouse.query(BATCH, [ids[0], ids[-1]]), mine.drop("n", "batch")


def one_trace(warehouse: Warehouse, trace_id: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (samples, header) of one trace. Reads only."""
    header = warehouse.query(HEADERS).filter(pl.col("trace_id") == trace_id)
    return warehouse.query(BATCH, [trace_id, trace_id]), header
