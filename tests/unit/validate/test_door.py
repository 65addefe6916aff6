"""What the door says of records: each rule, broken alone, is told once, with its value and a sentence."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import polars as pl
import pytest

from pipeline.contract.fields import ALL_KINDS
from pipeline.lake.reading import MISREAD_SCHEMA, record_schema
from pipeline.validate.door import record_problems

VEHICLE = {
    "vehicle_id": "V1",
    "make": "Orrin",
    "model": "Tarn",
    "model_year": 2012,
    "in_service_on": date(2020, 1, 1),
    "vin": "11111111111111111",  # 49 CFR 565.15: seventeen ones carry their right check digit
}
JOB = {
    "job_id": "J1",
    "shop_id": "north",
    "vehicle_id": "V1",
    "opened_at": datetime(2023, 1, 2, 9, tzinfo=UTC),
    "closed_at": datetime(2023, 1, 3, 9, tzinfo=UTC),
    "component": "purge_valve",
    "action": "replaced",
    "trouble_codes": ["P0442"],
    "checks": ["purge_click=fail"],
}
INSPECTION = {
    "inspection_id": "I1",
    "vehicle_id": "V1",
    "station_id": "S1",
    "inspected_at": datetime(2023, 1, 2, 9, tzinfo=UTC),
    "monitors_not_ready": ["evap"],
}
SOUND = {"vehicles": VEHICLE, "jobs": JOB, "inspections": INSPECTION}


def _records(kind: str, *rows: dict[str, Any]) -> pl.DataFrame:
    placed = [{"source_id": "a", "file": "a/x.csv", "row": n, **row} for n, row in enumerate(rows, 1)]
    return pl.DataFrame(placed, schema=record_schema(kind))


def _judge(kind: str, *rows: dict[str, Any], misread: pl.DataFrame | None = None) -> pl.DataFrame:
    nothing = pl.DataFrame(schema=MISREAD_SCHEMA)
    return record_problems(ALL_KINDS[kind], _records(kind, *rows), nothing if misread is None else misread)


@pytest.mark.parametrize("kind", SOUND)
def test_a_sound_record_breaks_nothing(kind: str) -> None:
    """A record that keeps every rule, and one with all optional fields missing, get no line."""
    required = {name: SOUND[kind][name] for name in ALL_KINDS[kind].required}
    assert _judge(kind, SOUND[kind], required).height == 0


@pytest.mark.parametrize(
    ("kind", "change", "rule", "column", "told"),
    [
        ("vehicles", {"make": None}, "required", "make", "make is required and is missing"),
        ("vehicles", {"model_year": 1800}, "range", "model_year", "possible is 1950 to 2050"),
        ("vehicles", {"vin": "11111111211111111"}, "vin_check_digit", "vin", "49 CFR 565.15"),
        (
            "vehicles",
            {"out_of_service_on": date(2019, 1, 1)},
            "time_order",
            "out_of_service_on",
            "out_of_service_on 2019-01-01 comes before in_service_on 2020-01-01",
        ),
        ("jobs", {"component": "purge"}, "vocabulary", "component", "the contract knows: fuel_cap"),
        ("jobs", {"checks": ["kick=pass"]}, "vocabulary", "checks", "name=pass or name=fail"),
        ("jobs", {"trouble_codes": ["P0442", "EVAP"]}, "trouble_code_form", "trouble_codes", "EVAP"),
        ("jobs", {"labor_h": -2.0}, "range", "labor_h", "labor_h is -2.0 h; possible is 0 to 1000 h"),
        (
            "jobs",
            {"closed_at": datetime(2023, 1, 1, tzinfo=UTC)},
            "time_order",
            "closed_at",
            "closed_at 2023-01-01T00:00:00Z comes before opened_at 2023-01-02T09:00:00Z",
        ),
        ("inspections", {"monitors_not_ready": ["soot"]}, "vocabulary", "monitors_not_ready", "soot"),
        ("inspections", {"test_result": "X"}, "vocabulary", "test_result", "pass, fail, return"),
    ],
)
def test_each_rule_is_told_once_with_a_sentence(
    kind: str, change: dict[str, Any], rule: str, column: str, told: str
) -> None:
    """One field is changed: one line, naming record, rule, column and what is wrong."""
    problems = _judge(kind, SOUND[kind], {**SOUND[kind], **change})
    assert problems.select("row", "rule", "column").rows() == [(2, rule, column)]
    assert told in problems["reason"][0]


def test_a_record_may_break_several_rules() -> None:
    """Two broken rules of one record are two lines."""
    problems = _judge("jobs", {**JOB, "component": "purge", "labor_h": 1e9})
    assert sorted(problems["rule"].to_list()) == ["range", "vocabulary"]


def test_what_could_not_be_read_is_told_once_and_not_called_missing() -> None:
    """A required time without a zone is a `type` line, not also a `required` one."""
    line = ("a/x.csv", 1, "type", "opened_at", "2023-01-02 09:00", "A time without a zone cannot be placed.")
    misread = pl.DataFrame([line], schema=MISREAD_SCHEMA, orient="row")
    problems = _judge("jobs", {**JOB, "opened_at": None}, misread=misread)
    assert problems.select("rule", "column", "value").rows() == [("type", "opened_at", "2023-01-02 09:00")]


def test_a_record_out_of_shape_is_told_once() -> None:
    """Where the number of fields is wrong no field can be told, so nothing is called missing."""
    line = ("a/x.csv", 1, "shape", None, "1,2", "The record has 2 fields where the header has 14.")
    misread = pl.DataFrame([line], schema=MISREAD_SCHEMA, orient="row")
    problems = _judge("jobs", {}, misread=misread)
    assert problems["rule"].to_list() == ["shape"]


def test_no_records_no_problems() -> None:
    """An empty frame is judged without ado."""
    assert _judge("jobs").height == 0
