"""What is true in a simulated county: rates, lives, repairs, inspections, and nothing beyond the named effects."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest

from pipeline.settings import Settings
from pipeline.simulate import world
from pipeline.simulate.failures import draw_failures
from pipeline.simulate.fleet import make_fleet
from pipeline.simulate.records import make_records
from pipeline.standards.inspection_rule import judge_visit
from pipeline.standards.obd import decode_monitor_status, parse_bytes
from pipeline.standards.trouble_codes import is_trouble_code
from pipeline.standards.vin import is_valid_vin, vin_model_year


@pytest.fixture(scope="module")
def records():
    return make_records(seed=1, chunk=0, first=1, n_vehicles=2000, trace_share=0.0)


@pytest.fixture(scope="module")
def large_fleet():
    fleet = make_fleet(np.random.default_rng(5), 1, 30_000)
    return fleet, draw_failures(np.random.default_rng(6), fleet)


def vehicle_years(fleet):
    first = np.maximum(fleet.in_day, world.START_DAY)
    return np.maximum(np.minimum(fleet.out_day, world.END_DAY) - first, 0) / 365.25


@pytest.mark.parametrize("name", [c.name for c in world.COMPONENTS])
def test_every_component_fails_at_its_stated_rate_on_ordinary_models(large_fleet, name):
    fleet, failures = large_fleet
    index = world.COMPONENT_NAMES.index(name)
    odd = [m.name for m in world.MODELS].index(world.EFFECTS.model)
    ordinary = fleet.model != odd
    n = (ordinary[failures.vehicle] & (failures.component == index)).sum()
    rate = 1000 * n / vehicle_years(fleet)[ordinary].sum()
    assert rate == pytest.approx(world.COMPONENTS[index].rate_per_1000_vehicle_years, rel=0.2)


def test_only_the_named_component_of_the_named_model_recurs(large_fleet):
    """At 30,000 vehicles a ratio 1.25 would show; only one pair of model and component goes beyond it."""
    fleet, failures = large_fleet
    years = vehicle_years(fleet)
    ratios = {}
    for m, model in enumerate(world.MODELS):
        for c, component in enumerate(world.COMPONENTS):
            mine, of = fleet.model[failures.vehicle] == m, failures.component == c
            if component.rate_per_1000_vehicle_years >= 12:
                rate = (mine & of).sum() / years[fleet.model == m].sum()
                ratios[model.name, component.name] = rate / (
                    (~mine & of).sum() / years[fleet.model != m].sum()
                )
    recurring = ratios.pop((world.EFFECTS.model, world.EFFECTS.component))
    assert recurring == pytest.approx(world.EFFECTS.rate_ratio, rel=0.15)
    assert all(0.6 < r < 1.45 for r in ratios.values())


def test_vins_are_valid_and_in_a_region_given_to_nobody(records):
    vehicles = records.vehicles.filter(pl.col("vin").is_not_null())
    assert 0 < vehicles.height < records.vehicles.height
    assert all(is_valid_vin(v) and v.startswith("0") for v in vehicles["vin"])
    assert [vin_model_year(v) for v in vehicles["vin"]] == vehicles["model_year"].to_list()
    assert vehicles["vin"].is_unique().all()


def test_register_holds_vehicles_without_jobs_left_vehicles_and_gaps(records):
    vehicles = records.vehicles
    assert vehicles.join(records.jobs, on="vehicle_id", how="anti").height > 500
    assert vehicles["out_of_service_on"].is_not_null().sum() > 100
    assert (vehicles["out_of_service_on"] < vehicles["in_service_on"]).sum() == 0
    for name in ("fuel_tank_l", "fleet_id", "vehicle_type", "odometer_km"):
        assert 0 < vehicles[name].null_count() < 0.15 * vehicles.height
    assert (vehicles["fuel_tank_l"].min(), vehicles["fuel_tank_l"].max()) == (41.0, 110.0)


def test_jobs_fit_their_vehicles_and_their_faults(records):
    jobs = records.jobs.join(records.vehicles, on="vehicle_id")
    assert jobs.height == records.jobs.height
    assert (jobs["closed_at"] < jobs["opened_at"]).sum() == 0
    assert (jobs["opened_at"].dt.date() < jobs["in_service_on"]).sum() == 0
    codes = records.jobs["trouble_codes"].drop_nulls().str.split(";").explode()
    assert all(is_trouble_code(c) for c in codes.unique())
    readiness = records.job_truth.filter(pl.col("purpose") == "readiness").join(records.jobs, on="job_id")
    assert readiness.height > 30
    assert readiness["trouble_codes"].null_count() == readiness.height


def test_only_the_named_shop_fails_to_cure(records):
    """Exact binomial test of each shop against the probability it was given."""
    repairs = records.job_truth.filter(pl.col("purpose") == "repair")
    for shop in world.SHOPS:
        mine = repairs.filter(pl.col("shop_id") == shop.shop_id)["is_fixed"]
        assert binomtest(int(mine.sum()), len(mine), shop.first_time_fix).pvalue > 0.005
    assert len(repairs.filter(pl.col("shop_id") == world.EFFECTS.shop_id)) >= 60


def test_a_failed_repair_comes_back_as_a_job_of_the_same_vehicle(records):
    truth = records.job_truth.join(records.jobs.select("job_id", "opened_at", "closed_at"), on="job_id")
    back = truth.filter(pl.col("follows_job_id").is_not_null()).join(
        truth, left_on="follows_job_id", right_on="job_id", suffix="_before"
    )
    assert back.height > 60
    assert not back["is_fixed_before"].any()
    assert (back["vehicle_id"] == back["vehicle_id_before"]).all()
    days = (back["opened_at"].dt.date() - back["closed_at_before"].dt.date()).dt.total_days()
    assert days.is_between(1, 90).all()


def test_monitor_bytes_agree_with_codes_and_with_the_result_by_the_federal_rule(records):
    """First visits with bytes and a result, judged again by 40 CFR 85.2222 (standards.md section 2)."""
    read = (
        records.inspections.join(records.vehicles.select("vehicle_id", "model_year"), on="vehicle_id")
        .filter(pl.col("monitor_status_hex").is_not_null() & pl.col("test_result").is_not_null())
        .sort("inspected_at")
        .unique("vehicle_id", keep="first", maintain_order=True)
        .join(records.copied_inspections, on="inspection_id", how="anti")
    )
    states = [decode_monitor_status(parse_bytes(t)) for t in read["monitor_status_hex"]]
    counts = read["trouble_codes"].str.split(";").list.len().fill_null(0)
    assert counts.to_list() == [s.trouble_code_count for s in states]
    judged, _ = judge_visit(
        read["model_year"].to_numpy(),
        [len(s.not_ready) for s in states],
        [s.mil_on for s in states],
        counts.to_numpy(),
        read["bulb_check"].to_list(),
        read["connector"].to_list(),
        Settings().rule,
    )
    assert read.height > 1000
    assert list(judged) == read["test_result"].to_list()


def test_inspections_are_followed_up_in_every_way(records):
    results = (
        records.inspections.sort("inspected_at")
        .group_by("vehicle_id")
        .agg(pl.col("test_result"), pl.col("waived").any())
    )
    pairs = {p for row in results["test_result"] for p in pairwise(row)}
    assert {("fail", "pass"), ("fail", "fail"), ("return", "pass")} <= pairs
    assert results["waived"].any()
    lost = results.filter(pl.col("test_result").list.last() == "fail")
    assert lost.height > 5


def test_only_the_named_station_repeats_readings(records):
    """Share of inspections whose bytes, warm-ups and distance are those of another vehicle at the station."""
    reading = ["station_id", "monitor_status_hex", "warmups_since_clear", "distance_since_clear_km"]
    share = (
        records.inspections.drop_nulls(reading)
        .with_columns((pl.col("vehicle_id").n_unique().over(reading) > 1).alias("repeated"))
        .group_by("station_id")
        .agg(pl.col("repeated").mean())
        .sort("repeated", descending=True)
    )
    assert share["station_id"][0] == world.EFFECTS.station_id
    assert share["repeated"][0] > 0.4
    assert share["repeated"][1] < 0.08


def test_a_chunk_is_the_same_whatever_is_made_beside_it():
    a, b = (make_records(9, 1, 2001, 50, 0.2) for _ in range(2))
    assert a.jobs.equals(b.jobs)
    assert a.samples.equals(b.samples)
    other = make_records(9, 0, 1, 50, 0.2)
    for name, key in (("vehicles", "vehicle_id"), ("jobs", "job_id"), ("traces", "trace_id")):
        assert not set(getattr(a, name)[key]) & set(getattr(other, name)[key])
