"""JSON lines and Parquet: what is typed already passes by its type."""

from __future__ import annotations

import gzip
import io
import json
from datetime import UTC, date, datetime

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.lake import json_lines
from pipeline.lake.converted import as_text

JOB = {
    "job_id": "J1",
    "shop_id": "s1",
    "vehicle_id": 17,
    "opened_at": "2024-01-02T03:04:05Z",
    "component": "fuel_cap",
    "action": "replaced",
}


def lines(*records: object) -> str:
    return "\n".join(r if isinstance(r, str) else json.dumps(r) for r in records) + "\n"


def parquet(columns: dict[str, object], **types: pl.DataType) -> bytes:
    sink = io.BytesIO()
    pl.DataFrame(columns, schema_overrides=types).write_parquet(sink)
    return sink.getvalue()


@pytest.mark.parametrize(("name", "pack"), [("jobs.jsonl", str.encode), ("jobs.ndjson.gz", None)])
def test_json_values_pass_by_their_type(read_one, name, pack):
    record = JOB | {
        "trouble_codes": ["p0442"],
        "checks": {"vent_click": "pass", "smoke": False, "visual": None},
        "labor_h": 1.5,
        "odometer_km": 120000,
        "note": None,
        "currency": "",
    }
    text = lines(record, JOB | {"trouble_codes": [], "labor_h": 2, "extra": {"a": 1}})
    reading = read_one(pack(text) if pack else gzip.compress(text.encode()), name)
    one, two = reading.records.to_dicts()
    assert one["vehicle_id"] == "17"
    assert one["opened_at"] == datetime(2024, 1, 2, 3, 4, 5, tzinfo=UTC)
    assert one["trouble_codes"] == ["P0442"]
    assert one["checks"] == ["vent_click=pass", "smoke=fail"]
    assert (one["labor_h"], one["odometer_km"], one["note"], one["currency"]) == (1.5, 120000.0, None, None)
    assert (two["trouble_codes"], two["checks"], two["labor_h"]) == ([], None, 2.0)
    assert reading.misread.is_empty()
    assert reading.text["extra"].to_list() == [None, "a=1"]


def test_a_column_of_mixed_json_types_is_read_value_by_value(read_one):
    texts = [1.5, "2.5", None, True, [1]]
    reading = read_one(lines(*(JOB | {"labor_h": v} for v in texts)), "jobs.jsonl")
    assert reading.records["labor_h"].to_list() == [1.5, 2.5, None, None, 1.0]
    assert reading.misread.select("row", "column", "value").rows() == [(4, "labor_h", "true")]


def test_a_broken_json_line_is_kept_and_marked(read_one):
    reading = read_one(lines(JOB, '{"job_id": "J2", ', "[1, 2]", "", JOB, '{"labor_h": NaN}'), "jobs.jsonl")
    assert reading.records.select("row", "job_id").rows() == [
        (1, "J1"),
        (2, None),
        (3, None),
        (4, "J1"),
        (5, None),
    ]
    shapes = reading.misread.filter(pl.col("rule") == "shape")
    assert shapes.select("row", "value").rows() == [(2, '{"job_id": "J2",'), (3, "[1, 2]")]
    assert "not one JSON object" in shapes["reason"][0]
    assert reading.misread.filter(pl.col("rule") == "type").select("row", "value").rows() == [(5, "NaN")]
    assert "[1, 2]" in reading.text.row(2)


def test_parquet_values_pass_by_their_type(read_one):
    content = parquet(
        {
            "vehicle_id": [101.0, 102.0],
            "make": ["Orla", "Orla"],
            "model": ["Kestrel", None],
            "model_year": [2015.0, None],
            "in_service_on": [datetime(2015, 3, 1), datetime(2015, 3, 1, 4)],
            "out_of_service_on": [date(2020, 1, 1), None],
            "fuel_tank_l": [61.5, float("nan")],
            "fleet_id": [True, False],
        },
        make=pl.Categorical(),
        in_service_on=pl.Datetime("ns"),
    )
    reading = read_one(content, "vehicles.parquet")
    one, two = reading.records.to_dicts()
    assert (one["vehicle_id"], one["make"], one["model_year"]) == ("101", "Orla", 2015)
    assert (one["in_service_on"], one["out_of_service_on"]) == (date(2015, 3, 1), date(2020, 1, 1))
    assert (two["fuel_tank_l"], two["model_year"], two["in_service_on"]) == (None, None, None)
    assert reading.misread.select("row", "column").rows() == [(2, "in_service_on")]


def test_parquet_times_keep_their_zone_and_bytes_become_digits(read_one):
    content = parquet(
        {
            "inspection_id": ["I1", "I2"],
            "vehicle_id": ["V1", "V1"],
            "station_id": ["S1", "S1"],
            "inspected_at": pl.Series([datetime(2024, 3, 5, 10)] * 2).dt.replace_time_zone("America/Phoenix"),
            "monitor_status_hex": [b"\x82\x07\x65\x04", b"\x82"],
            "monitors_not_ready": [["evap"], []],
            "waived": [1, 0],
            "trouble_codes": pl.Series([None, None], dtype=pl.List(pl.Null)),
        }
    )
    reading = read_one(content, "inspections.parquet")
    one, two = reading.records.to_dicts()
    assert one["inspected_at"] == datetime(2024, 3, 5, 17, tzinfo=UTC)
    assert (one["monitor_status_hex"], two["monitor_status_hex"]) == ("82076504", None)
    assert (one["monitors_not_ready"], two["monitors_not_ready"], one["trouble_codes"]) == (
        ["evap"],
        [],
        None,
    )
    assert (one["waived"], two["waived"]) == (True, False)
    assert reading.misread.select("row", "rule", "column").rows() == [(2, "obd_bytes", "monitor_status_hex")]


def test_a_naive_parquet_time_needs_a_zone(read_one):
    columns = {key: [value] for key, value in JOB.items()} | {"opened_at": [datetime(2024, 3, 5, 10)]}
    refused = read_one(parquet(columns), "jobs.parquet")
    assert refused.records["opened_at"].to_list() == [None]
    assert "without a zone" in refused.misread["reason"][0]
    placed = read_one(parquet(columns), "jobs.parquet", '[source]\ntime_zone = "America/Phoenix"\n')
    assert placed.records["opened_at"].to_list() == [datetime(2024, 3, 5, 17, tzinfo=UTC)]


def test_parquet_checks_may_be_a_struct_or_a_list_of_pairs(read_one):
    columns = {key: [value, value] for key, value in JOB.items()}
    struct = parquet(columns | {"checks": [{"smoke": "fail", "visual": None}, None]})
    assert read_one(struct, "jobs.parquet").records["checks"].to_list() == [["smoke=fail"], None]
    pairs = parquet(columns | {"checks": [[{"name": "smoke", "result": "fail"}], []]})
    assert read_one(pairs, "jobs.parquet").records["checks"].to_list() == [["smoke=fail"], []]


def test_an_empty_parquet_file_has_no_records(read_one):
    reading = read_one(parquet({"vehicle_id": []}, vehicle_id=pl.String()), "vehicles.parquet")
    assert reading.records.height == 0
    assert "No column gives make" in reading.hint


json_values = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.sampled_from([0.5, -3.25, 2.0, 1e9])
    | st.text(max_size=4)
)
json_cells = json_values | st.lists(st.text("abP04", min_size=1, max_size=4), max_size=2)


@settings(max_examples=150)
@example([{"labor_h": 2**53}, {"labor_h": 0.5}])
@example([{"labor_h": 1e300}, {"labor_h": -(2**53)}])
@given(
    st.lists(
        st.dictionaries(st.sampled_from(["note", "labor_h", "checks"]), json_cells, min_size=1), min_size=1
    )
)
def test_objects_parsed_at_once_read_as_those_parsed_one_by_one(records: list[dict[str, object]]):
    """Reference: Python's json module, record by record."""
    raw = [json.dumps(record).encode() for record in records]
    fast, careful = json_lines._regular_frame(raw), json_lines._careful_block(raw, 1).frame
    if fast is not None:
        for column in fast:
            read = [None if v == "" else v for v in as_text(column).to_list()]
            assert read == [None if v == "" else v for v in as_text(careful[column.name]).to_list()]


def test_plain_objects_are_parsed_at_once():
    assert json_lines._regular_frame([json.dumps(JOB).encode()] * 3) is not None


@pytest.mark.parametrize("text", ["{}\n{}\n", '{}\n{"x": 1}\n', "{}\n{ \n"])
def test_objects_without_fields_are_records_too(read_one, text):
    reading = read_one(text, "jobs.jsonl")
    assert reading.records["row"].to_list() == [1, 2]
    assert reading.text.height == 2
