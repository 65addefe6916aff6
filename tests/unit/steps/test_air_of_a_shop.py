"""What a recording's header does not say: the shop's other recordings tell the barometric pressure, where they agree,
and the file of its samples who recorded it."""

import polars as pl
import pytest

from pipeline.steps.measure import HEADERS
from pipeline.warehouse.store import Warehouse, open_warehouse

#: Shop of each job, and what its recordings have [kPa]; `high` lies at 2 km, `few` has told too seldom, `two` is one
#: name for two places.
SHOPS = {
    "high": [79.2, 79.6, 79.9, 80.1, 80.3, None],
    "few": [95.0, 95.1, 95.2, 95.3, None],
    "two": [101.0, 101.2, 101.1, 84.0, 84.2, 84.1, None],
}


@pytest.fixture
def lake(tmp_path) -> Warehouse:
    jobs, traces = [], []
    for shop, told in SHOPS.items():
        for k, kpa in enumerate(told):
            jobs.append({"job_id": f"{shop}{k}", "shop_id": shop, "trouble_codes": [], "checks": []})
            traces.append(
                {"trace_id": f"{shop}{k}", "job_id": f"{shop}{k}", "vehicle_id": "v", "barometric_kpa": kpa}
            )
    traces.append({"trace_id": "no_job", "job_id": None, "vehicle_id": "v", "barometric_kpa": None})
    traces.append({"trace_id": "asked", "job_id": "high0", "vehicle_id": "v", "barometric_kpa": None})
    header = {
        "source_id": "bay",
        "stage": "routine",
        "recorded_at": "2025-03-01",
        "fuel_level_pct": 50.0,
        "ambient_c": 20.0,
    }
    facts = {"trace_id": "asked", "fuel_level_pct": None, "ambient_c": None, "barometric_kpa": 90.0}
    facts["barometer_step_kpa"] = 1.0
    vehicle = {"vehicle_id": "v", "fuel_tank_l": 60.0, "make": "Orrin", "model": "Tarn", "model_year": 2015}
    lists = {name: pl.List(pl.String) for name in ("trouble_codes", "checks")}
    numbers = dict.fromkeys(("fuel_level_pct", "ambient_c"), pl.Float64)
    headers = pl.DataFrame(traces, infer_schema_length=None)
    tables = {
        "core.jobs": pl.DataFrame(jobs, schema_overrides=lists),
        "core.traces": headers.with_columns(**{name: pl.lit(value) for name, value in header.items()}),
        "core.vehicles": pl.DataFrame([vehicle]),
        "stage.trace_facts": pl.DataFrame([facts], schema_overrides=numbers),
        "stage.files": pl.DataFrame({"file": ["a.csv", "b.csv"], "source_id": ["recorder", "other"]}),
        "stage.sample_parquet": pl.DataFrame(
            {"file": ["a.csv", "b.csv", "a.csv"], "trace_id": ["high0", "high1", "high1"]}
        ),
    }
    with open_warehouse(tmp_path / "w.duckdb", read_only=False) as warehouse:
        for name, frame in tables.items():
            warehouse.con.register("incoming", frame)
            warehouse.con.execute(f"create table {name} as select * from incoming")
        yield warehouse


def test_a_shop_stays_at_its_height(lake):
    told = dict(lake.query(HEADERS).select("trace_id", "barometric_kpa").iter_rows())
    assert len(told) == sum(map(len, SHOPS.values())) + 2
    # The median of what the recordings have, with the 90 kPa that one recording's own answers tell.
    assert told["high5"] == pytest.approx(80.0)
    assert told["high0"] == 79.2
    assert told["asked"] == 90.0
    steps = dict(lake.query(HEADERS).select("trace_id", "barometer_step_kpa").iter_rows())
    assert (steps["asked"], steps["high0"]) == (1.0, None)
    assert [told[name] for name in ("few4", "two6", "no_job")] == [None, None, None]


def test_a_recording_is_of_the_source_that_recorded_it_whoever_wrote_its_header(lake):
    """One office heads the recordings of all recorders: commands and pressures are doubted recorder by recorder."""
    of = dict(lake.query(HEADERS).select("trace_id", "source_id").iter_rows())
    # In files of two sources: of the first by name. Without samples: of its header.
    assert (of["high0"], of["high1"], of["high2"]) == ("recorder", "other", "bay")
