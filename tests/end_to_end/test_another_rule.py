"""Another program's rule from a settings file to the finding, the account of the run and the page."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import duckdb
import pytest

from pipeline.settings import Settings
from pipeline.steps.road import whole_road
from tests.end_to_end.small_lake import write_small_lake
from tests.unit.standards.test_inspection_program import PROGRAM

VEHICLES = """vehicle_id,make,model,model_year,in_service_on,ignition
W1,Orrin,Fell,2012,2020-01-01,compression
W2,Orrin,Fell,2012,2020-01-01,
W3,Orrin,Fell,1997,2020-01-01,
"""
HEAD = (
    "inspection_id,vehicle_id,station_id,inspected_at,monitor_status_hex,mil_on,trouble_code_count,monitors_not_ready,"
    "trouble_codes,permanent_trouble_codes,warmups_since_clear,distance_since_clear_km,connector,test_result\n"
)
#: status bytes: A lamp and count, B 07 spark or 0F compression, C supported, D not complete (SAE J1979, from memory)
VISITS = """K1,V1,S1,2023-08-01T10:00:00Z,7E8 06 41 01 00 07 65 04 AA,,,,,,,,ok,pass
K2,V1,S1,2023-08-02T10:00:00Z,00 07 65 01,,,,,,,,ok,pass
K3,V1,S1,2023-08-03T10:00:00Z,01076500,,,,P0442,,,,ok,pass
K4,V1,S1,2023-08-04T10:00:00Z,00076500,,,,,P0442,14,900,ok,pass
K5,V1,S1,2023-08-05T10:00:00Z,00076500,,,,,P0442,15,322,ok,pass
K6,V1,S1,2023-08-06T10:00:00Z,00076500,,,,,,,,missing,fail
K7,V1,S1,2023-08-07T10:00:00Z,000F4141,,,,,,,,ok,fail
K8,W1,S1,2023-08-08T10:00:00Z,,false,0,pm_filter;nmhc_catalyst,,,,,ok,fail
K9,W2,S1,2023-08-09T10:00:00Z,,false,0,pm_filter;nmhc_catalyst,,,,,ok,return
L1,W3,S1,2023-08-10T10:00:00Z,00076504,,,,,,,,ok,fail
"""


@pytest.fixture(scope="module")
def lake(tmp_path_factory) -> Path:
    lake = tmp_path_factory.mktemp("rules") / "lake"
    folder = write_small_lake(lake)
    (folder / "vehicles_more.csv").write_text(VEHICLES, encoding="utf-8")
    (folder / "inspections_more.csv").write_text(HEAD + VISITS, encoding="utf-8")
    return lake


def found(out: Path) -> dict[str, tuple[str, str, str]]:
    with duckdb.connect(str(out / "warehouse.duckdb"), read_only=True) as con:
        assert con.sql("select * from quarantine.records").fetchall() == []
        rows = con.sql(
            "select inspection_id, recorded, judged, clause from mart.inspection_disagreement"
        ).fetchall()
    return {inspection: rest for inspection, *rest in rows}


def test_every_inspection_is_judged_by_the_rule_in_force(lake, tmp_path):
    given = tomllib.loads(PROGRAM)
    whole_road(lake, tmp_path, Settings.from_dict(given), lambda line: None)
    assert found(tmp_path) == {
        "K2": ["pass", "fail", "Vale program: more monitors not ready than the limit"],
        "K3": ["pass", "fail", "Vale program: a code that fails a vehicle by itself is stored"],
        "K4": ["pass", "fail", "Vale program: a permanent code is stored"],
        "K6": ["fail", "return", "Vale program: the connector is missing, tampered with or inoperable"],
        "K7": [
            "fail",
            "pass",
            "Vale program: monitors not ready within the limit, and nothing else against it",
        ],
        "K8": [
            "fail",
            "pass",
            "Vale program: monitors not ready within the limit, and nothing else against it",
        ],
    }
    with duckdb.connect(str(tmp_path / "warehouse.duckdb"), read_only=True) as con:
        ((account,),) = con.sql("select settings from audit.runs").fetchall()
        decoded = con.sql(
            "select status_bytes, monitors_not_ready from core.inspections where inspection_id = 'K1'"
        ).fetchall()
    assert json.loads(account)["inspection_rule"]["name"] == "Vale program"
    assert decoded == [("00076504", ["evap"])]
    page = (tmp_path / "site" / "inspection.html").read_text(encoding="utf-8")
    assert "The rule in force is Vale program." in page
    assert "unless 15 warm-ups and 322 km have gone by since the clear" in page

    # The federal rule on the same lake: the same records are kept, and all are judged anew.
    assert whole_road(lake, tmp_path, Settings(), lambda line: None).n_read_files == 0
    federal = found(tmp_path)
    assert {key: value[:2] for key, value in federal.items()} == {
        "K7": ["fail", "return"],
        "K8": ["fail", "return"],
        "L1": ["fail", "pass"],
    }
    assert "85.2222(c)(1)" in federal["K8"][2]
