"""What makes a source's recordings wrong alike: a barometer that is not the shop's own, a clock in another unit."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces
from tests.unit.traces.drawing import HEADER, whole_test


def judged(off_pa: list[float], n_vehicles: int = 7, sources: str = "b") -> pl.DataFrame:
    """Judge a whole test for each offset [Pa], which source "b" adds to all its pressures."""
    frames, headers = [], []
    for k, off in enumerate(off_pa):
        source = sources[k % len(sources)]
        frame = whole_test(0.8 if k % 2 else 0.0).samples(noise=3, seed=k)
        added = off if source == "b" else 0.0
        frames.append(frame.with_columns(pl.col("tank_pressure_pa") + added, trace_id=pl.lit(f"t{k}")))
        vehicle = {"trace_id": f"t{k}", "source_id": source, "vehicle_id": f"v{k % n_vehicles}"}
        headers.append(HEADER | vehicle)
    return measure_traces(pl.concat(frames), pl.DataFrame(headers, infer_schema_length=None), Settings())


@pytest.mark.parametrize("off_pa", [-17_896.0, -3600.0, 2400.0])
def test_a_source_whose_open_tanks_all_read_far_off_is_not_judged(off_pa):
    """12 Pa for each meter: a barometer reduced to sea level, at 1490 and 300 m; all were sensors off zero, 1.0."""
    told = judged([off_pa] * 8)
    assert told["verdict"].unique().to_list() == ["not_judged"]
    assert told["evidence"].str.contains("off zero on the same side: the barometer").all()


def test_sensors_that_read_off_one_by_one_accuse_no_source():
    told = judged([0.0] * 5 + [2400.0] * 3)
    assert told["verdict"].to_list() == ["holds", "leak", "holds", "leak", "holds", *["sensor_offset"] * 3]


def test_what_is_off_by_as_much_as_a_barometer_in_whole_kilopascals_is_judged():
    assert "not_judged" not in judged([450.0, -450.0] * 4)["verdict"].to_list()


@pytest.mark.parametrize(("n_tests", "n_vehicles"), [(7, 7), (8, 2)])
def test_few_recordings_or_few_vehicles_accuse_no_barometer(n_tests, n_vehicles):
    assert judged([2400.0] * n_tests, n_vehicles)["verdict"].unique().to_list() == ["sensor_offset"]


def test_another_source_of_the_same_models_is_judged_as_ever():
    told = judged([-5000.0] * 16, sources="ab")
    assert told.gather_every(2)["verdict"].unique().to_list() == ["holds"]
    assert told.gather_every(2, 1)["verdict"].unique().to_list() == ["not_judged"]


def test_a_clock_in_milliseconds_that_is_read_in_seconds_is_judged_by_nobody_and_spoils_no_norm():
    """Their holds had lasted for hours, and vents had taken minutes to let go."""
    samples = pl.concat(
        whole_test(0.8)
        .samples(noise=3, seed=k)
        .with_columns(pl.col("t_s") * (1000 if k % 2 else 1), trace_id=pl.lit(f"t{k}"))
        for k in range(12)
    )
    headers = pl.DataFrame(
        [HEADER | {"trace_id": f"t{k}", "vehicle_id": f"v{k}"} for k in range(12)], infer_schema_length=None
    )
    told = measure_traces(samples, headers, Settings())
    slow, alone = told.gather_every(2, 1), pl.col("trace_id").is_in([f"t{k}" for k in range(0, 12, 2)])
    assert slow["verdict"].unique().to_list() == ["not_judged"]
    assert slow["evidence"].str.contains("its clock is in another unit").all()
    without = measure_traces(samples.filter(alone), headers.filter(alone), Settings())
    assert told.gather_every(2)["leak_diameter_mm"].to_list() == without["leak_diameter_mm"].to_list()
