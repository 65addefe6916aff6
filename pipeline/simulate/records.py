"""What one chunk of a simulated world holds, before any source writes it in its own manner."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from pipeline.simulate.failures import draw_failures
from pipeline.simulate.faults import FAULTS
from pipeline.simulate.fleet import make_fleet
from pipeline.simulate.inspections import make_inspections
from pipeline.simulate.jobs import COMPONENTS, PURPOSES, JobBook, job_ids, jobs_frame, make_jobs
from pipeline.simulate.trace_plan import plan_traces
from pipeline.simulate.traces import record_traces


@dataclass(frozen=True)
class Records:
    """Records in our names (with `source_id` where sources differ) and the truth about them."""

    vehicles: pl.DataFrame
    jobs: pl.DataFrame
    traces: pl.DataFrame
    samples: pl.DataFrame
    inspections: pl.DataFrame
    job_truth: pl.DataFrame
    trace_truth: pl.DataFrame
    copied_inspections: pl.DataFrame

    def of_source(self, source_id: str) -> Records:
        """Keep the jobs, traces and samples of one source."""
        traces = self.traces.filter(pl.col("source_id") == source_id).drop("source_id")
        kept = {
            "jobs": self.jobs.filter(pl.col("source_id") == source_id).drop("source_id"),
            "traces": traces,
            "samples": self.samples.join(traces.select("trace_id"), on="trace_id", how="semi"),
        }
        return Records(**{**vars(self), **kept})


def make_records(seed: int, chunk: int, first: int, n_vehicles: int, trace_share: float) -> Records:
    """Draw one chunk of the world: `n_vehicles` vehicles numbered from `first`, and all that happens to them."""
    rng = np.random.default_rng([seed, chunk])
    fleet = make_fleet(rng, first, n_vehicles)
    book = make_jobs(rng, fleet, draw_failures(rng, fleet))
    jobs = jobs_frame(rng, fleet, book, first)
    inspections, copied = make_inspections(rng, fleet, book, first)
    recordings = record_traces(rng, fleet, book, plan_traces(rng, fleet, book, trace_share), first)
    return Records(
        fleet.register,
        jobs,
        recordings.headers,
        recordings.samples,
        inspections,
        _job_truth(book, jobs, first),
        recordings.truth,
        copied,
    )


def join_records(parts: list[Records]) -> Records:
    """Put chunks together, in order."""
    return Records(**{f.name: pl.concat([getattr(p, f.name) for p in parts]) for f in fields(Records)})


def _job_truth(book: JobBook, jobs: pl.DataFrame, first: int) -> pl.DataFrame:
    names = job_ids(book, first)
    return jobs.select("source_id", "job_id", "shop_id", "vehicle_id").with_columns(
        pl.Series("purpose", [PURPOSES[p] for p in book.purpose], dtype=pl.String),
        pl.Series("true_component", [COMPONENTS[c] for c in book.true_component], dtype=pl.String),
        pl.Series("fault", [FAULTS[f] for f in book.fault], dtype=pl.String),
        pl.Series("leak_diameter_mm", np.round(book.diameter_mm, 4)).fill_nan(None),
        pl.Series("is_fixed", book.is_fixed),
        pl.Series("follows_job_id", [names[f] if f >= 0 else None for f in book.follows], dtype=pl.String),
    )
