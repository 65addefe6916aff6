"""Roadside units: JSON lines in our names, pressure and purge as raw diagnostic responses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from pipeline.simulate.dirt import DUPLICATE, Flaw, spoil
from pipeline.simulate.file_writing import json_lines, write_bytes
from pipeline.simulate.records import Records

SOURCE = "roadside_unit"
JOB_FLAWS = (
    Flaw("type", {"opened_at": "2024-05-17T09:40:00"}),
    Flaw("vocabulary", {"component": "charcoal bucket"}),
    Flaw("reference", {"vehicle_id": "V99996"}),
    Flaw(DUPLICATE, fresh_key=False),
)
TRACE_FLAWS = (Flaw("reference", {"job_id": "RU-NONE"}), Flaw("vocabulary", {"stage": "never"}))
SAMPLE_FLAWS = (
    Flaw("obd_bytes", {"obd_hex": "41 32 FC", "t_s": lambda row: row["t_s"] + 0.003}, fresh_key=False),
    Flaw("obd_bytes", {"obd_hex": "NO DATA", "t_s": lambda row: row["t_s"] + 0.003}, fresh_key=False),
    Flaw("time_order", {"t_s": lambda row: row["t_s"] - 4.003}, fresh_key=False),
)


def write_roadside(lake: Path, records: Records, dirty: bool) -> list[pl.DataFrame]:
    """Write this source's jobs, traces and samples; returns the log of dirty records."""
    here, mine = lake / SOURCE, records.of_source(SOURCE)
    zulu = "%Y-%m-%dT%H:%M:%SZ"
    jobs = mine.jobs.with_columns(pl.col("opened_at", "closed_at").dt.strftime(zulu))
    traces = mine.traces.with_columns(pl.col("recorded_at").dt.strftime(zulu))
    done = [
        spoil(jobs, SOURCE, "jobs", "job_id", JOB_FLAWS if dirty else ()),
        spoil(traces, SOURCE, "traces", "trace_id", TRACE_FLAWS if dirty else ()),
        spoil(
            _raw(mine.samples),
            SOURCE,
            "samples",
            "trace_id",
            SAMPLE_FLAWS if dirty else (),
            pl.col("t_s") > 20,
        ),
    ]
    lists = [pl.col(name).str.split(";") for name in ("trouble_codes", "checks")]
    write_bytes(here / "jobs.jsonl", json_lines(done[0].frame.with_columns(lists)))
    write_bytes(here / "traces.jsonl", json_lines(done[1].frame))
    write_bytes(here / "samples.jsonl.gz", json_lines(done[2].frame))
    return [d.log for d in done]


def _raw(samples: pl.DataFrame) -> pl.DataFrame:
    """Encode pressure (PID 32, or 54 on every third recording) and purge duty (PID 2E) as SAE J1979 responses."""
    pressure = samples["tank_pressure_pa"].to_numpy()
    duty = np.round(samples["purge_duty_pct"].to_numpy() * 255 / 100).astype(int)
    wide = (samples["trace_id"].str.slice(1).cast(pl.Int64) % 3 == 0).to_numpy()
    words = np.where(wide, np.round(pressure), np.round(pressure * 4)).astype(int) & 0xFFFF
    texts = [
        f"41 {'54' if w else '32'} {word >> 8:02X} {word & 255:02X} 2E {d:02X}"
        for w, word, d in zip(wide, words, duty, strict=True)
    ]
    return samples.select("trace_id", "t_s", pl.Series("obd_hex", texts, dtype=pl.String), "is_vent_closed")
