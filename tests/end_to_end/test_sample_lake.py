"""The whole road on the sample lake, as a newcomer runs it: install, one command, then open the pages.

The command is that of the built wheel, in an environment and a folder of its own: nothing of the checkout is there.

What is true in the lake is known (`sample_lake/README.md`, `.truth/`): the recurring valve, the shop whose repairs
come back and the station that copies must be found, and nothing innocent may be accused.
"""

from __future__ import annotations

import json
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.contract.fields import ALL_KINDS
from pipeline.contract.rules import RULE_MEANINGS
from pipeline.contract.tables import INSPECTION_DISAGREEMENT, MARTS
from pipeline.warehouse.store import open_warehouse
from tests.end_to_end import oracle_comebacks
from tests.end_to_end.accepted_lake import read_accepted
from tests.end_to_end.compared import differences
from tests.end_to_end.compared_statistics import all_differences
from tests.end_to_end.installed_wheel import Installed, install
from tests.end_to_end.oracle import window_of

ROOT = Path(__file__).resolve().parents[2]
LAKE = ROOT / "sample_lake"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    return install(tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def first(installed: Installed) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """Run the command on the sample lake that came with it, with its own Prefect server and all."""
    done = installed.call("run", "sample_lake", "--out", "out")
    assert done.returncode == 0, done.stderr
    return installed.place / "out", done


def _table(out: Path, name: str) -> pl.DataFrame:
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        return warehouse.table(name)


Run = tuple[Path, subprocess.CompletedProcess[str]]


def test_the_wheel_carries_what_it_needs(installed: Installed) -> None:
    """SQL models, templates and the sample lake are inside; tests are not."""
    names = zipfile.ZipFile(installed.wheel).namelist()
    for part in ("pipeline/_carried/sql/core/", "pipeline/_carried/sample_lake/", "reports/templates/"):
        assert any(name.startswith(part) for name in names), part
    assert not any(name.startswith("tests/") for name in names)


def test_the_command_ends_with_a_page_to_open(first: Run) -> None:
    """In a folder that holds nothing; the last line names a page that is there; nothing of Prefect shows."""
    out, done = first
    word, path = done.stdout.strip().splitlines()[-1].split(maxsplit=1)
    assert word == "open:"
    assert Path(path) == out / "site" / "index.html"
    assert Path(path).is_file()
    assert (out / "tables" / "failure_rate.csv").stat().st_size > 0
    assert f"{out.parents[1] / 'env'}" in done.stderr  # the lake that was read
    for noise in ("prefect.", "http://", "Traceback", "uvicorn"):
        assert noise not in done.stderr + done.stdout


def test_every_table_of_the_contract_is_there_and_leaves_as_a_file(first: Run) -> None:
    """Each mart stands in the warehouse with its columns commented, and as CSV and Parquet with as many rows."""
    out, _ = first
    for table in MARTS:
        frame = _table(out, table.full_name)
        assert tuple(frame.columns) == table.column_names
        # The stations of the sample judge by the rule, so none of their results differs from it.
        assert (frame.height > 0) == (table is not INSPECTION_DISAGREEMENT), table.full_name
        assert frame.select(table.key).is_unique().all(), table.full_name
        assert pl.read_parquet(out / "tables" / f"{table.name}.parquet").height == frame.height
        assert (out / "tables" / f"{table.name}.csv").is_file()
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        silent = warehouse.query(
            "select table_name, column_name from duckdb_columns() where comment is null and ("
            " schema_name = 'mart' and table_name in (select unnest(?))"
            " or schema_name = 'core' and table_name in (select unnest(?)))",
            [[table.name for table in MARTS], list(ALL_KINDS)],
        )
        told = warehouse.query(
            "select count(distinct table_name) as n from duckdb_columns() where comment <> ''"
        )
        marts = warehouse.query("select table_name from duckdb_tables() where schema_name = 'mart'")
    assert set(marts["table_name"]) == {table.name for table in MARTS}
    assert silent.rows() == []
    assert told["n"][0] >= len(MARTS) + len(ALL_KINDS)


def test_every_record_is_accounted_for_and_every_dirty_one_is_held(first: Run) -> None:
    """Counts balance in each file; each rule has something to show; the dirt that was put in is what is held."""
    out, _ = first
    files = _table(out, "audit.files")
    total = files["n_accepted"] + files["n_quarantined"] + files["n_duplicate"]
    assert files["n_read"].to_list() == total.to_list()
    held = _table(out, "quarantine.records")
    assert set(held["rule"]) == set(RULE_MEANINGS)
    assert held["reason"].null_count() == 0
    assert all(json.loads(raw) for raw in held["raw"].drop_nulls())
    dirty = pl.read_csv(LAKE / ".truth" / "dirty.csv", infer_schema=False)
    n_repeats = dirty.filter(pl.col("rule") == "duplicate").height
    assert files["n_duplicate"].sum() == n_repeats
    registers = held.filter(pl.col("kind") != "samples").select("file", "row").n_unique()
    put_in = dirty.filter((pl.col("rule") != "duplicate") & (pl.col("kind") != "samples")).height
    assert registers >= put_in - 4  # headers made from file names are told with their samples


def test_the_recurring_valve_is_found_and_no_other_part(first: Run) -> None:
    """The vent valve of one model fails four times as often; it alone is named."""
    out, _ = first
    rates = _table(out, "mart.failure_rate")
    named = rates.filter(pl.col("is_recurring")).select("make", "model", "component").rows()
    assert named == [("Ulmira", "Fennick 30", "vent_valve")]


def test_no_model_year_and_no_fleet_is_accused(first: Run) -> None:
    """The sample fleet fails alike in all model years and fleets of a model."""
    split = _table(first[0], "mart.failure_split")
    assert split["p_value"].count() > 2000
    assert split.filter("stands_out").is_empty()


def test_the_shop_whose_repairs_come_back_is_found_and_no_other(first: Run) -> None:
    """One shop lies beyond its funnel limits; no other shop and no technician of another shop does."""
    out, _ = first
    fixes = _table(out, "mart.first_time_fix")
    beyond = fixes.filter((pl.col("by") == "shop") & pl.col("funnel").str.starts_with("beyond"))
    assert beyond.select("group", "funnel").rows() == [("BW03", "beyond_below")]
    people = fixes.filter((pl.col("by") == "technician") & pl.col("funnel").str.starts_with("beyond"))
    jobs = _table(out, "core.jobs").filter(pl.col("technician_id").is_in(people["group"].implode()))
    assert set(jobs["shop_id"]) <= {"BW03"}


def test_the_station_that_copies_is_found_and_no_other(first: Run) -> None:
    """One station repeats one vehicle's record; it alone stands out."""
    out, _ = first
    looks = _table(out, "mart.station_look").filter(pl.col("stands_out"))
    assert set(looks["station_id"]) == {"ST17"}
    assert "repeated_record" in set(looks["measure"])


def test_the_verdicts_are_right(first: Run) -> None:
    """At least 90 % of the verdicts equal the truth of the simulation, and at most 2 % name a wrong fault."""
    out, _ = first
    truth = pl.read_csv(LAKE / ".truth" / "traces.csv")
    judged = _table(out, "mart.trace_result").join(truth, on="trace_id", suffix="_true")
    assert judged.height > 300
    right = (judged["verdict"] == judged["verdict_true"]).mean()
    assert right is not None
    assert right >= 0.90
    wrong = judged.filter(
        (pl.col("verdict") != pl.col("verdict_true")) & (pl.col("verdict") != "not_judged")
    ).height
    assert wrong <= 0.02 * judged.height


def test_bounds_hold_the_holes_of_the_simulation(first: Run) -> None:
    """Upper bounds of tight systems, lower bounds of gross leaks and both of what their steady vacuum tells, both
    bounds of leaks: each a bound of 95 %."""
    truth = pl.read_csv(LAKE / ".truth" / "traces.csv").select("trace_id", "hole_mm", truth="verdict")
    judged = _table(first[0], "mart.trace_result").join(truth, on="trace_id")
    hole = pl.col("hole_mm")
    held = {
        "holds": hole <= pl.col("leak_diameter_high_mm"),
        "gross_leak": (hole >= pl.col("leak_diameter_low_mm"))
        & hole.is_between("equilibrium_diameter_low_mm", "equilibrium_diameter_high_mm"),
        "leak": hole.is_between("leak_diameter_low_mm", "leak_diameter_high_mm"),
    }
    for verdict, is_held in held.items():
        told = (
            judged.filter(pl.all_horizontal(pl.col("verdict", "truth") == verdict))
            .select(is_held)
            .to_series()
        )
        assert told.drop_nulls().len() >= 30, verdict
        assert told.mean() >= 0.90, verdict


def test_bounds_hold_the_flows_of_the_simulation_past_shut_purge_valves(first: Run) -> None:
    """Gas goes through the valve's gap at the speed of sound: Q = Cd A sqrt(R T) 0.685, choked flow of air at 20 °C
    (textbooks of gas dynamics, from memory); 5 % are left for temperature and for a coefficient that falls."""
    truth = pl.read_csv(LAKE / ".truth" / "traces.csv").select("trace_id", "purge_shut_mm")
    judged = _table(first[0], "mart.trace_result").join(truth, on="trace_id")
    passes = judged.filter(pl.col("verdict") == "purge_passes_closed", pl.col("purge_shut_mm") > 0)
    area_m2 = np.pi / 4 * (passes["purge_shut_mm"].to_numpy() * 1e-3) ** 2
    flow = 60e3 * 0.61 * area_m2 * np.sqrt(287.05 * 293.15) * 0.685
    passes = passes.with_columns(low=pl.Series(0.95 * flow), high=pl.Series(flow))
    assert passes["purge_leak_low_l_min"].drop_nulls().len() >= 10
    assert passes["purge_leak_l_min"].drop_nulls().len() >= 8
    assert (passes["purge_leak_low_l_min"] <= passes["high"]).all()
    assert (passes["purge_leak_high_l_min"] >= passes["low"]).all()
    off = (passes["purge_leak_l_min"] / passes["high"] - 1).abs().drop_nulls().to_numpy()
    assert np.median(off) < 0.10


def test_the_statistics_equal_an_independent_computation(first: Run) -> None:
    """Lives of all models together and of the model that recurs, and every other statistic, computed apart."""
    lake = read_accepted(first[0] / "warehouse.duckdb")
    assert all_differences(lake, window_of(lake.records), {"*", "Fennick 30"}, {"evap"}) == {}


def test_the_lists_behind_the_counts_equal_an_independent_computation(first: Run) -> None:
    """Repairs that came back, parts that failed again and again, repairs against the recording before."""
    lake = read_accepted(first[0] / "warehouse.duckdb")
    window, checks = window_of(lake.records), lake.marts["repair_check"]
    ours = {
        "comeback": oracle_comebacks.comeback(lake.records, window, checks),
        "repeated_failure": oracle_comebacks.repeated_failure(lake.records, window),
        "against_evidence": oracle_comebacks.against_evidence(checks),
    }
    assert min(len(table) for table in ours.values()) > 3
    assert {name: found for name in ours if (found := differences(name, ours[name], lake.marts[name]))} == {}


def test_a_second_run_reads_nothing_and_leaves_every_table(installed: Installed, first: Run) -> None:
    """Nothing new: the command says so, and no table changes."""
    out, _ = first
    before = {table.full_name: _table(out, table.full_name) for table in MARTS}
    again = installed.call("run", "sample_lake", "--out", "out")
    assert again.returncode == 0, again.stderr
    assert "0 files read this time" in again.stdout
    verdicts = _table(out, "mart.trace_result")["verdict"]
    assert f"{len(verdicts)} recordings: {(verdicts == 'holds').sum()} holds, " in again.stdout
    for name, frame in before.items():
        assert _table(out, name).equals(frame), name
    assert _table(out, "audit.runs").height == 2


def test_one_trace_is_explained_in_words_and_as_a_picture(
    installed: Installed, first: Run, tmp_path: Path
) -> None:
    """`explain` prints the evidence and draws the picture."""
    out, _ = first
    trace = _table(out, "mart.trace_result").filter(pl.col("verdict") == "leak").row(0, named=True)
    done = installed.call("explain", out, trace["trace_id"], "--picture", tmp_path / "trace.png")
    assert done.returncode == 0, done.stderr
    assert trace["evidence"] in done.stdout
    assert (tmp_path / "trace.png").read_bytes().startswith(b"\x89PNG")
