"""Tests under pressure of other exporters, through the whole road to the table: a steady flow in cubic feet an hour,
and holds with the vent's hose clamped by hand, with and without a source that says so."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.settings import Settings
from pipeline.steps.road import whole_road
from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.small_lake import write_small_lake
from tests.unit.traces.test_put_in import clamped
from tests.unit.traces.test_steady_flow import fed

FORM = """
[samples]
files = ["flow_*.csv"]
[samples.columns]
trace_id = "Test"
t_s = "Seconds"
tank_pressure = "Tank (inH2O)"
test_flow = "Gas (scfh)"
purge_duty_pct = "Purge"
is_vent_closed = "Sealed"
"""
HAND_FORM = """
[samples.constants]
is_vent_closed = {}
purge_duty_pct = 0
"""
LITERS_PER_CUBIC_FOOT = 28.316846592
INCH_OF_WATER_PA = 249.0889


def _write_bench(lake: Path, vehicle_id: str) -> None:
    source = lake / "flow_bench"
    source.mkdir()
    (source / "source.toml").write_text(FORM, encoding="utf-8")
    header = "trace_id,vehicle_id,stage,recorded_at,fuel_level_pct,ambient_c,barometric_kpa\n"
    (source / "traces.csv").write_text(
        f"{header}F1,{vehicle_id},routine,2023-05-05T10:00:00Z,40,20,101.325\n", encoding="utf-8"
    )
    # The supply is shut off ten seconds before the vent opens.
    samples = fed(1.016, 2.4, seconds=300.0, shut_s=10.0)
    pl.DataFrame(
        {
            "Test": ["F1"] * samples.height,
            "Seconds": samples["t_s"],
            "Tank (inH2O)": samples["tank_pressure_pa"] / INCH_OF_WATER_PA,
            "Gas (scfh)": samples["test_flow_std_l_min"] * 60 / LITERS_PER_CUBIC_FOOT,
            "Purge": samples["purge_duty_pct"],
            "Sealed": samples["is_vent_closed"],
        }
    ).write_csv(source / "flow_1.csv")


def _write_hand_test(source: Path, trace_id: str, vehicle_id: str, is_vent_closed: str) -> None:
    """Write a hold at 14.2 inches of water that falls to 7, of a shop that records nothing but the pressure."""
    source.mkdir()
    (source / "source.toml").write_text(HAND_FORM.format(is_vent_closed), encoding="utf-8")
    header = "trace_id,vehicle_id,stage,recorded_at,fuel_level_pct,ambient_c,barometric_kpa\n"
    (source / "traces.csv").write_text(
        f"{header}{trace_id},{vehicle_id},routine,2023-05-06T10:00:00Z,40,20,101.325\n", encoding="utf-8"
    )
    samples = clamped(14.2, 7.0).samples(noise=3).with_columns(trace_id=pl.lit(trace_id))
    samples.select("trace_id", "t_s", "tank_pressure_pa").write_csv(source / "samples.csv")


def test_a_hold_whose_vent_was_clamped_by_hand_is_judged_where_its_source_says_so(tmp_path: Path) -> None:
    """14 inches of water, above 8 after two minutes (57 FR 52950, from memory): it fails."""
    lake = tmp_path / "lake"
    own = write_small_lake(lake)
    vehicle_id = pl.read_csv(own / "vehicles.csv", infer_schema=False)["vehicle_id"][0]
    _write_hand_test(lake / "clamped", "H1", vehicle_id, "true")
    _write_hand_test(lake / "open", "H2", vehicle_id, "false")
    whole_road(lake, tmp_path / "out", Settings(), lambda line: None)
    with open_warehouse(tmp_path / "out" / "warehouse.duckdb") as warehouse:
        results = warehouse.table("mart.trace_result")
    told = {row["trace_id"]: row for row in results.to_dicts()}
    assert (told["H1"]["verdict"], told["H1"]["pressure_test"]) == ("leak", "fail")
    assert "(14 ± 0.5 in of water, still above 8 after 2 minutes) it fails" in told["H1"]["evidence"]
    assert (told["H2"]["verdict"], told["H2"]["pressure_test"]) == ("not_judged", None)
    assert "is_vent_closed = true under [samples.constants]" in told["H2"]["evidence"]


def test_a_steady_flow_test_gives_the_effective_diameter_of_the_rule(tmp_path: Path) -> None:
    """The gas leaves by the equation of 40 CFR 1066.985(d)(8) through 1.016 mm (0.040 in)."""
    source = write_small_lake(tmp_path / "lake")
    vehicle_id = pl.read_csv(source / "vehicles.csv", infer_schema=False)["vehicle_id"][0]
    _write_bench(tmp_path / "lake", vehicle_id)
    whole_road(tmp_path / "lake", tmp_path / "out", Settings(), lambda line: None)
    with open_warehouse(tmp_path / "out" / "warehouse.duckdb") as warehouse:
        result = warehouse.table("mart.trace_result").filter(trace_id="F1").row(0, named=True)
        flow = warehouse.table("core.samples").filter(trace_id="F1")["test_flow_std_l_min"].max()
        others = warehouse.table("mart.trace_result").filter(pl.col("trace_id") != "F1")
    assert flow == pytest.approx(2.4, rel=0.03)
    assert result["certification_diameter_mm"] == pytest.approx(1.016, rel=0.015)
    assert (result["verdict"], result["leak_censoring"]) == ("leak", "none")
    assert "40 CFR 1066.985" in result["evidence"]
    assert others.height
    assert others["certification_diameter_mm"].null_count() == others.height
