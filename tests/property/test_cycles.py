"""Test cycles of any visits in any order: what must hold whatever the records say (contract, "Test cycle")."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.contract.fields import ALL_KINDS
from pipeline.warehouse.models import load_models, run_models
from pipeline.warehouse.store import Warehouse, kind_columns
from tests.judged_records import append_inspections, create_inspections

START = datetime(2022, 1, 1, 12, tzinfo=UTC)
GAP_DAYS = 180
MODELS = [
    m
    for m in load_models(Path(__file__).parents[2] / "sql")
    if m.full_name
    in ("core.station", "core.visit", "core.cycle_of_several", "core.cycle", "tally.inspection_count")
]
RESULTS = st.sampled_from([None, "pass", "fail", "return"])
VISIT = st.tuples(
    st.sampled_from(["V1", "V2"]),
    st.sampled_from([0, 0, 1, 7, 90, 179, 180, 181, 400]),
    RESULTS,
    RESULTS,
    st.sampled_from([None, False, False, True]),
)


def modeled(rows: list[dict[str, object]]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Run the models on these inspections, in the order given; return visits, cycles and counts."""
    with duckdb.connect() as con:
        warehouse = Warehouse(con)
        for schema in ("core", "mart"):
            con.execute(f"create schema {schema}")
        warehouse.create("core.vehicles", kind_columns(ALL_KINDS["vehicles"]))
        create_inspections(warehouse)
        con.execute(
            "insert into core.vehicles by name select unnest(['V1', 'V2']) as vehicle_id, 2012 as model_year"
        )
        con.execute(
            "create table core.setting as select date '2023-12-31' as inspection_to_on, 180 as cycle_gap_days,"
            " 'fail' as return_again"
        )
        append_inspections(warehouse, pl.DataFrame(rows, infer_schema_length=None))
        run_models(con, MODELS)
        visits = warehouse.query(
            "select * exclude (pattern_no), 'V' || (vehicle_no + 1) as vehicle_id from core.visit"
            " order by vehicle_no, inspected_at, inspection_id"
        )
        cycles = warehouse.query(
            "select *, 'V' || (vehicle_no + 1) as vehicle_id from core.cycle order by vehicle_no, cycle_no"
        )
        return visits, cycles, warehouse.table("tally.inspection_count")


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(VISIT, min_size=1, max_size=14), st.randoms(use_true_random=False))
def test_cycles_hold_their_invariants_and_do_not_depend_on_the_order_of_records(given_visits, chance):
    days = {"V1": 0, "V2": 0}
    rows = []
    for n, (vehicle, gap, recorded, base, waived) in enumerate(given_visits):
        days[vehicle] += gap
        rows.append(
            {"inspection_id": f"I{n:02}", "vehicle_id": vehicle, "station_id": "S", "waived": waived,
             "inspected_at": START + timedelta(days=days[vehicle]), "test_result": recorded, "judged_base": base}
        )  # fmt: skip
    visits, cycles, counts = modeled(rows)
    chance.shuffle(rows)
    for told, again in zip((visits, cycles, counts), modeled(rows), strict=True):
        assert told.equals(again)
    assert visits.height == len(rows) == cycles["n_visits"].sum()
    ended: dict[str, tuple[bool, datetime]] = {}
    for (vehicle, number), part in visits.group_by("vehicle_id", "cycle_no", maintain_order=True):
        assert part["visit_no"].to_list() == list(range(1, part.height + 1))
        assert (part["inspected_on"].diff().drop_nulls() < timedelta(days=GAP_DAYS)).all()
        verdicts = part["verdict"].to_list()
        assert "pass" not in verdicts[:-1]
        assert not part["is_waived"][:-1].any()
        if vehicle in ended:
            is_over, last_on = ended[vehicle]
            assert is_over or (part["inspected_on"][0] - last_on).days >= GAP_DAYS
        ended[vehicle] = (verdicts[-1] == "pass" or part["is_waived"][-1], part["inspected_on"][-1])
        cycle = cycles.filter(vehicle_id=vehicle, cycle_no=number).row(0, named=True)
        known = [v for v in verdicts if v in ("pass", "fail")]
        assert cycle["n_verdicts"] == len(known)
        assert (cycle["initial_verdict"], cycle["retest_verdict"]) == (*known, None, None)[:2]
    first = counts.row(0, named=True)
    failed = ("n_first_retest_pass", "n_later_retest_pass", "n_unknown", "n_open", "n_waived")
    assert first["n_initial"] == first["n_initial_pass"] + first["n_initial_fail"]
    assert first["n_initial_fail"] == sum(first[c] for c in failed) - first["n_waived_and_passed"]
