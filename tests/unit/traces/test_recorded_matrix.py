"""Recordings with richer physics than the fit: verdicts, diameters and intervals over wide random ranges."""

import numpy as np
import polars as pl
import pytest
from recorder import make_world, run

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces

KINDS = [
    "holds",
    "leak",
    "gross_leak",
    "no_vacuum",
    "purge_passes_closed",
    "vent_restricted",
    "sensor_flat",
    "sensor_offset",
    "sensor_disagrees",
]
EACH = 40


@pytest.fixture(scope="module")
def measured() -> pl.DataFrame:
    rng = np.random.default_rng(2024)
    samples, headers = run(make_world(rng, KINDS, EACH), rng)
    result = measure_traces(samples, headers.drop("truth", "hole_mm"), Settings())
    return result.join(headers.select("trace_id", "truth", "hole_mm"), on="trace_id")


def test_nearly_all_verdicts_are_right(measured):
    assert measured.select((pl.col("verdict") == pl.col("truth")).mean())[0, 0] >= 0.96


@pytest.mark.parametrize("kind", KINDS)
def test_every_verdict_is_mostly_right(measured, kind):
    rows = measured.filter(pl.col("truth") == kind)
    assert rows.select((pl.col("verdict") == kind).mean())[0, 0] >= 0.88


def test_diameters_are_near_and_intervals_hold_them(measured):
    leaks = measured.filter((pl.col("truth") == "leak") & (pl.col("verdict") == "leak"))
    error = (leaks["leak_diameter_mm"] / leaks["hole_mm"] - 1).to_numpy()
    inside = leaks["hole_mm"].is_between(leaks["leak_diameter_low_mm"], leaks["leak_diameter_high_mm"])
    assert np.median(np.abs(error)) < 0.05
    assert abs(np.median(error)) < 0.04
    assert inside.mean() >= 0.9


def test_tight_systems_lie_below_their_stated_detection_limit(measured):
    tight = measured.filter((pl.col("truth") == "holds") & (pl.col("verdict") == "holds"))
    assert (tight["hole_mm"] <= tight["leak_diameter_high_mm"]).mean() >= 0.95
    assert tight["leak_diameter_high_mm"].median() < 0.35


def test_lower_bounds_of_gross_leaks_are_true(measured):
    gross = measured.filter(
        (pl.col("truth") == "gross_leak") & (pl.col("leak_censoring") == "right") & (pl.col("hole_mm") > 1)
    )
    assert gross.height > 5
    assert (gross["leak_diameter_low_mm"] <= gross["hole_mm"]).mean() >= 0.9
