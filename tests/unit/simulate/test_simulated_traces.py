"""What recorders write: commands, uneven samples, and a truth for every recording."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.contract.vocabulary import VERDICTS
from pipeline.simulate.records import make_records
from pipeline.simulate.trace_plan import MANNERS


@pytest.fixture(scope="module")
def records():
    return make_records(seed=1, chunk=0, first=1, n_vehicles=2000, trace_share=0.15)


def of(records, verdict, *manners):
    """Samples of the recordings of a verdict; of some manners only, where they are named."""
    wanted = records.trace_truth.filter(pl.col("verdict") == verdict)
    if manners:
        wanted = wanted.filter(pl.col("manner").is_in(manners))
    return records.samples.join(wanted.select("trace_id"), on="trace_id", how="semi")


def made(records, *conditions):
    """Samples of the recordings of which all conditions on their truth hold, with that truth beside each."""
    return records.samples.join(records.trace_truth.filter(*conditions), on="trace_id")


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
    shut = of(records, "holds", "test").filter("is_vent_closed", pl.col("purge_duty_pct") == 0)
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
    tests = of(records, "holds", "test", "test_purge_first").with_columns(
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
    drawn = of(records, "not_judged", "driving", "aborted").filter(
        pl.col("is_vent_closed") & (pl.col("purge_duty_pct") > 0)
    )
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
        of(records, "holds", "test")
        .group_by("trace_id")
        .agg(pl.corr("tank_pressure_pa", "sensor_v").abs().alias("r"))
    )
    assert (odd["r"].fill_nan(0) < 0.95).all()
    assert (sound["r"] > 0.97).all()


def test_readings_are_quantized_as_a_ten_bit_converter_would(records):
    steps = records.samples["sensor_v"].drop_nulls() * 1023 / 5
    assert ((steps - steps.round()).abs() < 0.12).mean() > 0.97


def test_every_manner_is_recorded_and_gas_is_fed_only_where_a_leak_is_looked_for(records):
    truth = records.trace_truth
    assert set(truth["manner"]) == set(MANNERS)
    fed = truth.filter(pl.col("manner").is_in(["pressure_hold", "steady_flow"]))
    assert set(fed["verdict"]) == {"leak", "holds"}
    assert "roadside_unit" not in set(fed["source_id"])
    assert set(fed.filter(pl.col("manner") == "steady_flow")["source_id"]) == {"fleet_office"}


def test_a_hold_under_pressure_begins_at_fourteen_inches_of_water_and_lasts_two_minutes(records):
    """40 CFR 51.357 as published in 1992, from memory: 14 inches of water, two minutes."""
    held = made(records, pl.col("manner") == "pressure_hold", pl.col("verdict") == "holds")
    assert held["trace_id"].n_unique() >= 8
    shut = held.filter("is_vent_closed").group_by("trace_id")
    said = shut.agg(top=pl.col("tank_pressure_pa").max(), s=pl.col("t_s").max() - pl.col("t_s").min())
    assert said["top"].is_between(3_300, 3_700).all()
    assert (said["s"] > 121).all()
    assert held["sensor_v"].null_count() == held.height  # read from the shop's gauge
    assert (held["purge_duty_pct"] == 0).all()


def test_a_steady_flow_is_metered_while_gas_is_fed_and_at_no_other_time(records):
    """At rest as much flows out as in: sqrt(2 dp rho) through the hole, Cd 0.61, with vapor in it (any fluid text)."""
    fed = made(records, pl.col("manner") == "steady_flow")
    assert fed.filter(pl.col("test_flow_std_l_min") > 0)["is_vent_closed"].all()
    others = made(records, pl.col("manner") != "steady_flow")
    assert others["test_flow_std_l_min"].null_count() == others.height
    leaks = fed.filter(pl.col("verdict") == "leak", pl.col("hole_mm") > 0.8)
    late = leaks.filter(
        "is_vent_closed", pl.col("t_s") > pl.col("t_s").filter("is_vent_closed").max().over("trace_id") - 10
    )
    said = late.group_by("trace_id").agg(
        pl.col("test_flow_std_l_min", "tank_pressure_pa").mean(), pl.col("hole_mm", "gas_g_mol").first()
    )
    assert said.height >= 2
    speed = (2 * pl.col("tank_pressure_pa") / 1.2).sqrt() * (28.97 / pl.col("gas_g_mol")).sqrt()
    through = 0.61 * 3.1416 / 4 * (pl.col("hole_mm") / 1000) ** 2 * speed * 60_000
    ratio = said.select(pl.col("test_flow_std_l_min") / through).to_series()
    assert ratio.is_between(0.85, 1.15).all()


def test_two_draws_reach_a_first_vacuum_and_then_their_own(records):
    drawn = (
        made(
            records,
            pl.col("verdict") == "holds",
            pl.col("manner") == "two_draws",
            pl.col("sensor_end_pa").is_null(),
        )
        .filter("is_vent_closed")
        .with_columns(stretch=(pl.col("purge_duty_pct") > 0).rle_id().over("trace_id"))
    )
    lowest = drawn.group_by("trace_id", "stretch").agg(
        pl.col("tank_pressure_pa").min(), pl.col("purge_duty_pct").max()
    )
    draws = (
        lowest.filter(pl.col("purge_duty_pct") > 0)
        .sort("trace_id", "stretch")
        .group_by("trace_id", maintain_order=True)
        .agg("tank_pressure_pa")
    )
    assert draws.height >= 3
    first, second = (draws["tank_pressure_pa"].list.get(k) for k in (0, 1))
    assert (draws["tank_pressure_pa"].list.len() == 2).all()
    assert (second < first).all()


def test_an_operator_opens_the_vent_early_or_gives_the_draw_up(records):
    def held_s(*manners):
        shut = of(records, "holds", *manners).with_columns(
            drawn=(pl.col("purge_duty_pct").cum_sum().over("trace_id") > 0)
            & pl.col("is_vent_closed")
            & (pl.col("purge_duty_pct") == 0)
        )
        return shut.filter("drawn").group_by("trace_id").agg(s=pl.col("t_s").max() - pl.col("t_s").min())["s"]

    assert held_s("vent_opened_early").max() < 70  # 25 s, and a leap of the clock by up to 40
    assert held_s("vent_opened_early").median() < 26
    short = made(records, pl.col("manner") == "short_draw").filter(pl.col("purge_duty_pct") > 0)
    assert (
        short.group_by("trace_id").agg(s=pl.col("t_s").max() - pl.col("t_s").min())["s"] < 7.5
    ).mean() > 0.8


def test_a_clock_leaps_ahead_in_a_few_recordings(records):
    truth = records.trace_truth
    leaps = truth.filter(pl.col("clock_leap_s") > 0)
    assert 0.01 < leaps.height / truth.height < 0.1
    longest = records.samples.group_by("trace_id").agg(gap=pl.col("t_s").diff().max())
    told = leaps.join(longest, on="trace_id")
    assert ((told["gap"] - told["clock_leap_s"]).is_between(0.05, 4)).all()


def test_a_sensor_that_ends_early_shows_nothing_below_its_end(records):
    ends = made(records, pl.col("sensor_end_pa").is_not_null())
    lowest = ends.group_by("trace_id").agg(
        pl.col("tank_pressure_pa").min(), pl.col("sensor_end_pa", "lowest_true_pressure_pa").first()
    )
    reached = lowest.filter(pl.col("lowest_true_pressure_pa") < pl.col("sensor_end_pa") - 100)
    assert reached.height >= 5
    assert (reached["tank_pressure_pa"] - reached["sensor_end_pa"]).abs().max() < 8  # half a step of ten bits


def test_the_shop_at_height_records_thinner_air(records):
    air = (
        records.traces.drop_nulls("job_id")
        .join(records.jobs.select("job_id", "shop_id"), on="job_id")
        .drop_nulls("barometric_kpa")
    )
    high = pl.col("shop_id") == "quarry_yard"
    assert air.filter(high)["barometric_kpa"].is_between(82, 89).all()
    assert air.filter(~high)["barometric_kpa"].is_between(94, 102).all()


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
