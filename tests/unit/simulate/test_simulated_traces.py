"""What recorders write: commands, uneven samples, and a truth for every recording."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.contract.vocabulary import VERDICTS
from pipeline.simulate.records import make_records


@pytest.fixture(scope="module")
def records():
    return make_records(seed=1, chunk=0, first=1, n_vehicles=2000, trace_share=0.15)


def of(records, verdict, **stage):
    wanted = records.trace_truth.filter(pl.col("verdict") == verdict)
    return records.samples.join(wanted.select("trace_id"), on="trace_id", how="semi")


def test_every_verdict_is_the_truth_of_some_recording(records):
    assert set(records.trace_truth["verdict"]) == set(VERDICTS)
    assert records.trace_truth["verdict"].value_counts()["count"].min() >= 5


def test_a_leak_has_a_diameter_and_nothing_else_has(records):
    truth = records.trace_truth
    leaks = truth.filter(pl.col("verdict") == "leak")
    assert leaks["leak_diameter_mm"].is_between(0.25, 3.0).all()
    assert leaks["leak_diameter_mm"].min() < 0.5
    assert leaks["leak_diameter_mm"].max() > 2.0
    assert truth.filter(pl.col("verdict") != "leak")["leak_diameter_mm"].null_count() == len(truth) - len(
        leaks
    )


def test_the_truth_tells_every_hole_and_the_gas_behind_it(records):
    truth = records.trace_truth.join(
        records.traces.select("trace_id", "fuel_level_pct"), on="trace_id", how="left"
    ).join(records.vehicles.select("vehicle_id", "fuel_tank_l"), on="vehicle_id", how="left")
    leaks, gross = (truth.filter(pl.col("verdict") == name) for name in ("leak", "gross_leak"))
    assert leaks["hole_mm"].equals(leaks["leak_diameter_mm"], check_names=False)
    assert gross["hole_mm"].min() > 2.0
    others = truth.filter(~pl.col("verdict").is_in(["leak", "gross_leak"]))
    assert others["hole_mm"].is_between(0.02, 0.10).all()
    beside_l = truth["gas_volume_l"] - truth["fuel_tank_l"] * (1 - truth["fuel_level_pct"] / 100)
    assert beside_l.is_between(3.49, 6.51).all()
    passing = truth.filter(pl.col("verdict") == "purge_passes_closed")
    assert (passing["purge_shut_mm"] > 0.3).all()
    assert truth.filter(pl.col("verdict") == "holds")["purge_shut_mm"].max() == 0


def test_vapor_lifts_a_shut_tank_as_its_truth_says(records):
    """Tight tanks, shut before the draw: their slope is the vapor's, less what the small hole lets out."""
    shut = of(records, "holds").filter("is_vent_closed", pl.col("purge_duty_pct") == 0)
    before = shut.filter(pl.col("tank_pressure_pa") > -80)
    slope = pl.cov("t_s", "tank_pressure_pa") / pl.var("t_s")
    told = before.group_by("trace_id").agg(
        slope.alias("slope"), seconds=pl.col("t_s").max() - pl.col("t_s").min()
    )
    told = told.filter(pl.col("seconds").is_between(14, 25)).join(records.trace_truth, on="trace_id")
    assert told.height >= 20
    assert told.select(pl.corr("slope", "vapor_rise_pa_s")).item() > 0.9


def test_time_increases_unevenly_at_two_to_five_hertz_with_losses(records):
    steps = records.samples.select(
        "trace_id", pl.col("t_s").diff().over("trace_id").alias("step")
    ).drop_nulls()
    assert steps["step"].min() > 0
    typical = steps.group_by("trace_id").agg(pl.col("step").median(), pl.col("step").std().alias("spread"))
    assert typical["step"].is_between(0.18, 0.55).all()
    assert (typical["spread"] > 0.01).all()
    assert (steps["step"] > 1.9).sum() > 10


def test_commands_cut_a_test_into_rest_closed_draw_hold_and_release(records):
    tests = of(records, "holds").with_columns(
        pl.when(pl.col("is_vent_closed") & (pl.col("purge_duty_pct") > 0))
        .then(pl.lit("draw"))
        .when(pl.col("is_vent_closed"))
        .then(pl.lit("shut"))
        .when(pl.col("purge_duty_pct") > 0)
        .then(pl.lit("purge with open vent"))
        .otherwise(pl.lit("open"))
        .alias("state")
    )
    orders = tests.group_by("trace_id", maintain_order=True).agg(
        pl.col("state").rle().struct.field("value").alias("state")
    )
    assert set(orders["state"].list.join(" > ")) == {
        "open > shut > draw > shut > open",
        "open > purge with open vent > draw > shut > open",
    }


def test_a_routine_recording_without_a_test_has_no_draw(records):
    drawn = of(records, "not_judged").filter(pl.col("is_vent_closed") & (pl.col("purge_duty_pct") > 0))
    assert drawn.is_empty()


def test_sensor_faults_show_in_the_readings(records):
    spread = of(records, "sensor_flat").group_by("trace_id").agg(pl.col("tank_pressure_pa").n_unique())
    assert (spread["tank_pressure_pa"] == 1).all()
    rest = (
        of(records, "sensor_offset")
        .filter(pl.col("t_s") < 3)
        .group_by("trace_id")
        .agg(pl.col("tank_pressure_pa").mean().abs())
    )
    assert (rest["tank_pressure_pa"] > 450).all()
    odd = (
        of(records, "sensor_disagrees")
        .group_by("trace_id")
        .agg(pl.corr("tank_pressure_pa", "sensor_v").abs().alias("r"))
    )
    sound = (
        of(records, "holds")
        .group_by("trace_id")
        .agg(pl.corr("tank_pressure_pa", "sensor_v").abs().alias("r"))
    )
    assert (odd["r"].fill_nan(0) < 0.95).all()
    assert (sound["r"] > 0.97).all()


def test_readings_are_quantized_as_a_ten_bit_converter_would(records):
    steps = records.samples["sensor_v"] * 1023 / 5
    assert ((steps - steps.round()).abs() < 0.12).mean() > 0.97


def test_recordings_of_one_job_share_fuel_level_and_weather(records):
    jobs = (
        records.traces.drop_nulls("job_id")
        .group_by("job_id")
        .agg(pl.col("fuel_level_pct", "ambient_c").n_unique(), pl.col("stage"))
    )
    assert jobs["fuel_level_pct"].max() == jobs["ambient_c"].max() == 1
    assert jobs.filter(pl.col("stage").list.len() == 2).height > 50


def test_after_traces_hold_where_the_repair_cured(records):
    after = records.trace_truth.filter(pl.col("stage") == "after_repair").join(records.job_truth, on="job_id")
    assert (after.filter("is_fixed")["verdict"] == "holds").all()
    assert (after.filter(~pl.col("is_fixed"))["verdict"] != "holds").all()
