"""The whole road against an independent computation: random awkward lakes, counts exactly, numbers to 1e-6.

The independent computation (`oracle.py`, `oracle_inspections.py`) is first held against published values and
against cases worked out by hand, so that two wrongs do not agree.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipeline.settings import Settings
from pipeline.steps.road import whole_road
from tests.end_to_end import (
    oracle,
    oracle_comebacks,
    oracle_inspections,
    oracle_life,
    oracle_sizes,
    oracle_split,
    oracle_stations,
    oracle_worth,
)
from tests.end_to_end.accepted_lake import read_accepted
from tests.end_to_end.compared import ITEMS, differences
from tests.end_to_end.compared_statistics import all_differences
from tests.end_to_end.random_lake import write_lake
from tests.end_to_end.raw_lake import Records, decode_status, read_lake
from tests.published.test_statistics_life import read_valve_seats
from tests.published.test_statistics_sizes import RT
from tests.remission import PLACEBO, RELAPSED, SIX_MP


# --- the program's run -----------------------------------------------------------------------------
@dataclass
class Run:
    """One lake, the program's tables made of it, and the window asked for."""

    records: Records
    window: oracle.Window
    lake: Path
    out: Path

    def table(self, name: str) -> pd.DataFrame:
        (path,) = (self.out / "tables").rglob(f"*{name}.parquet")
        return pd.read_parquet(path)


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Run:
    """One awkward lake, run from nothing by the command as its user does, over the whole window."""
    folder = tmp_path_factory.mktemp("oracle")
    write_lake(folder / "lake", seed=11)
    command = [sys.executable, "-m", "pipeline", "run", str(folder / "lake"), "--out", str(folder / "out")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    records = read_lake(folder / "lake")
    return Run(records, oracle.window_of(records), folder / "lake", folder / "out")


@pytest.fixture(scope="module")
def narrow(whole, tmp_path_factory) -> Run:
    """The same lake and results, run again with another window: no file is read, all is counted anew."""
    out = tmp_path_factory.mktemp("oracle") / "out"
    shutil.copytree(whole.out, out)
    first, last = "2022-05-01", "2023-06-30"
    settings = Settings(from_on=date.fromisoformat(first), to_on=date.fromisoformat(last))
    assert whole_road(whole.lake, out, settings, lambda line: None).n_read_files == 0
    return Run(whole.records, oracle.window_of(whole.records, first, last), whole.lake, out)


@pytest.fixture(params=["whole", "narrow"])
def run(request) -> Run:
    return request.getfixturevalue(request.param)


def test_every_record_of_the_lake_is_accepted(run):
    with duckdb.connect(str(run.out / "warehouse.duckdb"), read_only=True) as con:
        reasons = con.sql(
            'select kind, rule, "column", "value", reason from quarantine.records limit 5'
        ).fetchall()
        counts = con.sql("select sum(n_read), sum(n_accepted) from audit.files").fetchall()
    assert reasons == []
    assert counts == [(run.records.n_read, run.records.n_read)]


def test_failure_rates_equal_the_independent_ones(run):
    ours = oracle.failure_rate(run.records, run.window)
    assert ours["n_failures"].sum() > 50
    assert ours["n_comebacks"].sum() > 3
    assert differences("failure_rate", ours, run.table("failure_rate")) == []


def test_model_years_and_fleets_against_the_rest_equal_the_independent_ones(run):
    ours = oracle_split.failure_split(run.records, run.window)
    assert set(ours["by"]) == {"model_year", "fleet"}
    assert (ours["n_failures_compared"] < ours["n_failures"]).any()
    assert differences("failure_split", ours, run.table("failure_split")) == []


def test_replacements_against_first_units_equal_the_independent_ones(run):
    ours = oracle_split.replacement_unit(oracle_life.lives(run.records, run.window))
    assert ours["n_failures_compared"].sum() >= 3
    assert differences("replacement_unit", ours, run.table("replacement_unit")) == []


def test_first_time_fix_equals_the_independent_one(run):
    ours = oracle.first_time_fix(run.records, run.window, run.table("repair_check"))
    assert set(ours["by"]) == {"all", "shop", "technician", "model", "component", "verified", "evidence"}
    assert ours.loc[ours["by"] == "all", "n_comebacks"].item() > 20
    assert differences("first_time_fix", ours, run.table("first_time_fix")) == []


def test_the_lists_of_comebacks_and_repeated_failures_equal_the_independent_ones(run):
    ours = {
        "comeback": oracle_comebacks.comeback(run.records, run.window, run.table("repair_check")),
        "repeated_failure": oracle_comebacks.repeated_failure(run.records, run.window),
    }
    assert len(ours["comeback"]) > 20
    assert ours["comeback"]["is_same_component"].any()
    assert len(ours["repeated_failure"]) > 1
    assert {name: found for name in ours if (found := differences(name, ours[name], run.table(name)))} == {}


def test_the_inspection_report_equals_the_independent_one(run):
    ours = oracle_inspections.inspection_report(run.records)
    assert set(ours["item"]) == set(ITEMS)
    assert differences("inspection_report", ours, run.table("inspection_report")) == []


def test_readiness_equals_the_independent_one(run):
    ours = oracle_inspections.readiness(run.records)
    assert ours["n_not_ready"].sum() > 50
    assert differences("readiness", ours, run.table("readiness")) == []


def test_stations_disagreements_and_vehicles_due_equal_the_independent_ones(run):
    ours = {
        "inspection_station": oracle_stations.inspection_station(run.records),
        "vehicles_tested": oracle_stations.vehicles_tested(run.records),
        "inspection_disagreement": oracle_stations.inspection_disagreement(run.records),
        "readiness_after_clear": oracle_stations.after_clear(run.records),
        "vehicle_due": oracle_stations.vehicle_due(run.records, run.window),
    }
    assert min(len(table) for table in ours.values()) > 3
    assert {name: found for name in ours if (found := differences(name, ours[name], run.table(name)))} == {}


def test_lives_recurrence_alarms_proofs_and_distances_equal_the_independent_ones(run):
    lake = read_accepted(run.out / "warehouse.duckdb")
    assert lake.marts["component_life"]["weibull_shape"].notna().sum() > 10
    assert lake.marts["alarms"]["observed"].sum() > 30
    assert all_differences(lake, run.window) == {}


# --- the independent computation itself --------------------------------------------------------------
def test_the_oracles_shrinkage_gives_the_published_pump_rates():
    # Gaver & O'Muircheartaigh (1987), Technometrics 29, ten pumps; marginal MLE shape 0.822965, rate 1.261653.
    x = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22])
    t = np.array([94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5])
    want = [0.0609, 0.1075, 0.0908, 0.1165, 0.5880, 0.6069, 0.7886, 0.7886, 1.4347, 1.9405]
    assert oracle.shrunk(x, t)[0] == pytest.approx(want, abs=6e-5)


def test_the_oracles_kaplan_meier_gives_the_published_remission_bounds():
    # Freireich et al. (1963), 6-MP arm: S(16) = 0.627451, log-log bounds 0.367511 to 0.804912 (R, lifelines).
    # What lies beyond is censored at day 91, since the function looks at day 90.
    time = [week if week <= 16 else 91 for week in SIX_MP]
    event = [e * (week <= 16) for week, e in zip(SIX_MP, RELAPSED, strict=True)]
    got = oracle.kaplan_meier(pd.Series(time), pd.Series(event), 0)
    assert got == pytest.approx((0.627451, 0.367511, 0.804912), abs=1e-6)


def test_the_oracles_garwood_interval_is_the_published_one():
    # Garwood (1936) exact Poisson bounds for 0 and 10 events.
    assert oracle.garwood(0) == pytest.approx((0, 3.688879), abs=1e-6)
    assert oracle.garwood(10) == pytest.approx((4.795389, 18.390356), abs=1e-6)


def test_the_oracles_weibull_under_late_entry_gives_the_fit_of_three_libraries():
    # NIST/SEMATECH e-Handbook 8.4.1.3: shape 1.7208, scale 606.53 (R 1.720797, 606.527558); ages here in years.
    ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    fit = oracle_life.weibull(np.array([(0, a, 1) for a in ages] + [(0, 500, 0)] * 10, float))
    assert np.exp(fit.log_shape) == pytest.approx(1.720797, abs=1e-6)
    assert np.exp(fit.log_scale) * 365.25 == pytest.approx(606.527558, abs=1e-4)


def test_the_oracles_mean_cumulative_function_gives_the_published_valve_seats():
    # Nelson (1995), Technometrics 37, 41 engines; robust errors by R survfit and surpyval, MCF(404) 0.683537 with
    # log-transformed bounds 0.462891 to 1.009358.
    ends, engine, days = read_valve_seats()
    rows = [(0, end, days[engine == i].tolist()) for i, end in enumerate(ends)]
    curve = oracle_life.mean_cumulative(rows).set_index("age_days")
    assert curve.loc[404, ["failures_per_vehicle", "low", "high"]].tolist() == pytest.approx(
        [0.683537, 0.462891, 1.009358], abs=1e-6
    )
    assert curve.loc[653, "failures_per_vehicle"] == pytest.approx(1.542688, abs=1e-6)


def test_the_oracles_sizes_are_the_published_cosmesis_masses():
    # Finkelstein & Wolfe (1985), radiotherapy arm: NPMLE under (L, R] leaves 0.9537, 0.9203, 0.8316, 0.7609, 0.6682,
    # 0.5864, 0.4656 (R survfit, surpyval, own EM with its optimality certificate).
    left, right = np.array(RT, float).T
    masses = oracle_sizes.npmle(left, right)[1]
    want = [0.953653, 0.920290, 0.831622, 0.760870, 0.668224, 0.586438, 0.465558, 0]
    assert 1 - masses[masses > 1e-6].cumsum() == pytest.approx(want, abs=2e-6)


def test_the_oracles_hazard_ratio_is_the_published_one_of_the_remission_data():
    # Freireich et al. (1963): Cox regression with Efron's ties gives 1.572 (R coxph; Kalbfleisch & Prentice), z 3.81.
    # Those numbers are recalled from memory; lifelines gives 1.57213.
    time, relapsed = np.array(SIX_MP + PLACEBO, float), np.array(RELAPSED + [1] * 21) > 0
    control = np.repeat([0.0, 1.0], 21)[:, None]
    beta, variance = oracle_worth.cox(time, relapsed, control, np.zeros(42))
    assert beta[0] == pytest.approx(1.57213, abs=1e-5)
    assert beta[0] / np.sqrt(variance[0, 0]) == pytest.approx(3.81, abs=5e-3)


def at(text: str) -> pd.Timestamp:
    return pd.Timestamp(text, tz="UTC")


def vehicle(name: str = "V", **more) -> dict:
    base = {"vehicle_id": name, "make": "Ardvel", "model": "Quillo", "model_year": 2012, "vehicle_type": "car",
            "in_service_on": pd.Timestamp("2020-01-01"), "out_of_service_on": None, "odometer_km": None,
            "odometer_on": None}  # fmt: skip
    return base | more


def job(name: str, opened: str, closed: str | None, vehicle_id: str = "V", **more) -> dict:
    base = {"job_id": name, "shop_id": "S", "technician_id": None, "vehicle_id": vehicle_id, "opened_at": at(opened),
            "closed_at": at(closed) if closed else None, "odometer_km": None, "trouble_codes": None,
            "component": "purge_valve", "action": "replaced"}  # fmt: skip
    return base | more


END = job("end", "2023-12-31 12:00", None, "W", component="none_found", action="none")


@pytest.mark.parametrize(
    ("opened", "more", "comes_back"),
    [
        ("2023-01-10 12:00", {}, False),  # the very moment the repair was closed: the same visit
        ("2023-01-10 12:01", {}, True),
        ("2023-04-10 00:00", {}, True),  # day 90
        ("2023-04-11 00:00", {}, False),  # day 91
        ("2023-01-20 12:00", {"component": "none_found"}, False),
        ("2023-01-20 12:00", {"component": "none_found", "trouble_codes": ["P0420", "P043F"]}, True),
        ("2023-01-20 12:00", {"component": "other", "trouble_codes": ["P0494", "P1456"]}, False),
        ("2023-01-20 12:00", {"action": "none"}, True),
    ],
)
def test_the_oracles_comeback_by_hand(opened, more, comes_back):
    jobs = [job("first", "2023-01-01 08:00", "2023-01-10 12:00"), job("next", opened, None, **more), END]
    records = Records([vehicle(), vehicle("W")], jobs, [], 0)
    table = oracle.first_time_fix(records, oracle.window_of(records)).set_index("by")
    assert table.loc["all", "n_comebacks"] == int(comes_back)
    assert table.loc["all", "n_followed"] == 1
    flagged = oracle.failure_rate(records, oracle.window_of(records))["n_comebacks"].sum()
    assert flagged == (1 if comes_back and more == {} else 0)


def test_the_oracles_exposure_by_hand():
    window = oracle.Window(pd.Timestamp("2022-01-01"), pd.Timestamp("2022-12-31"))
    days = [
        oracle.vehicle_years(
            vehicle(in_service_on=pd.Timestamp(a), out_of_service_on=pd.Timestamp(b) if b else None), window
        )
        * 365.25
        for a, b in [
            ("2020-01-01", None),
            ("2022-06-01", "2022-06-11"),
            ("2020-01-01", "2021-06-01"),
            ("2023-01-01", None),
        ]
    ]
    assert days == pytest.approx([364, 10, 0, 0])


def visit(when: str, result: str | None = None, **more) -> dict:
    base = {"vehicle_id": "V", "inspected_at": at(when), "odometer_km": None, "monitor_status_hex": "00 07 65 00",
            "mil_on": None, "trouble_code_count": None, "monitors_not_ready": None, "trouble_codes": None,
            "bulb_check": None, "connector": None, "test_result": result, "cap_test_result": None,
            "waived": None}  # fmt: skip
    return base | more


NOT_READY = {"monitor_status_hex": "00 07 65 24"}
LAST = visit("2023-12-31", "pass", vehicle_id="W")


@pytest.mark.parametrize(
    ("visits", "items"),
    [
        # fail, then nothing for 180 days: no known final outcome
        ([visit("2023-07-04", "fail")], {"i": [1], "vi": [1]}),
        # fail 179 days before the end: open
        ([visit("2023-07-05", "fail")], {"i": [1], "vi": [0]}),
        # 180 days apart: two cycles; 179 days: one, and the second visit is the first retest
        ([visit("2023-01-01", "fail"), visit("2023-06-30", "pass")], {"i": [1, 0], "vi": [1], "iii": []}),
        ([visit("2023-01-01", "fail"), visit("2023-06-29", "pass")], {"i": [1], "vi": [0], "iii": [1], "ii": [0]}),
        # return, again not ready: judged a fail, and the first verdict of its cycle
        ([visit("2023-12-01", **NOT_READY), visit("2023-12-09", **NOT_READY)], {"i": [1], "xxiii": [1], "ii": []}),
        # one return only: no verdict; not ready counts in (xxiii)
        ([visit("2023-12-01", **NOT_READY)], {"i": [], "xi": [], "xxiii": [1]}),
        # a waiver ends the cycle
        ([visit("2023-01-01", "fail", waived=True), visit("2023-01-09", "pass")], {"i": [1, 0], "v": [1], "vi": [0]}),
        # fail, fail, pass: second retest passed
        ([visit("2023-01-01", "fail"), visit("2023-01-02", "fail"), visit("2023-01-02 09:00", "pass")],
         {"ii": [1], "iii": [0], "iv": [1], "vi": [0]}),
    ],
)  # fmt: skip
def test_the_oracles_cycles_by_hand(visits, items):
    records = Records([vehicle(), vehicle("W")], [], [*visits, LAST], 0)
    last_day = pd.Timestamp("2023-12-31")
    counted = [
        oracle_inspections.counts_of(v, last_day) for car, v in oracle_inspections.cycles_of(records)
        if car["vehicle_id"] == "V"
    ]  # fmt: skip
    for item, want in items.items():
        assert [int(c[item]) for c in counted if c[item] is not None] == want


def test_the_oracles_bytes_by_hand():
    # SAE J1979 service 01 PID 01 (from memory): 82 07 65 04 is lamp on, two codes, EVAP alone not complete.
    lamp, n_codes, supported, late = decode_status("41 01 82 07 65 04")
    assert (lamp, n_codes, late) == (True, 2, ["evap"])
    assert supported == [
        "misfire",
        "fuel_system",
        "comprehensive",
        "catalyst",
        "evap",
        "o2_sensor",
        "o2_heater",
    ]


def test_random_lakes_hold_what_they_are_meant_to_hold(tmp_path):
    write_lake(tmp_path, seed=11)
    records = read_lake(tmp_path)
    repairs = oracle.followed_repairs(records, oracle.window_of(records))
    assert {0.0, 89.0, 90.0} <= set(repairs.loc[repairs["came_back"], "time"])
    assert any(j["closed_at"] is None for j in records.jobs)
    assert sum(v["out_of_service_on"] is not None for v in records.vehicles) > 10
    assert any(day_moves(j["opened_at"]) for j in records.jobs)
    results = [v.result for _, visits in oracle_inspections.cycles_of(records) for v in visits]
    assert set(results) == {"pass", "fail", "return", None}


def day_moves(moment: pd.Timestamp) -> bool:
    """Say whether the local date in Phoenix differs from the UTC date, which is the one that counts."""
    return moment.tz_convert("America/Phoenix").date() != moment.date()
