"""Whatever typed records are written, in any format, the same come back."""

from __future__ import annotations

import json
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.contract.fields import ALL_KINDS, Field
from pipeline.lake.find import take_stock
from pipeline.lake.read_records import read_records
from pipeline.lake.reading import record_schema

words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Z")), min_size=1, max_size=8)
notes = st.tuples(words, st.sampled_from(["", "\n", '"', ",", ";", " | ", '","', "\r\n"]), words).map("".join)
codes = st.lists(st.from_regex(r"\A[PCBU][0-3][0-9A-F]{3}\Z"), min_size=1, max_size=3)
VALUES: dict[str, st.SearchStrategy[Any]] = {
    "text": words,
    "integer": st.integers(-(10**6), 10**6),
    "number": st.floats(allow_nan=False, allow_infinity=False, width=64),
    "boolean": st.booleans(),
    "date": st.dates(date(1900, 1, 1), date(2100, 1, 1)),
    "time": st.datetimes(datetime(1900, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)),
    "text_list": codes,
    "check_list": st.lists(st.sampled_from(["smoke=pass", "visual=fail"]), min_size=1, max_size=2),
}


def value_of(field: Field) -> st.SearchStrategy[Any]:
    if field.name == "monitor_status_hex":
        return st.none() | st.binary(min_size=4, max_size=4).map(lambda b: b.hex().upper())
    if field.name == "monitors_not_ready":
        return st.none() | st.lists(
            st.sampled_from(["evap", "catalyst", "o2_heater"]), min_size=1, max_size=2
        )
    return st.none() | (notes if field.name == "note" else VALUES[field.type])


def records_of(kind: str) -> st.SearchStrategy[list[dict[str, Any]]]:
    fields = ALL_KINDS[kind].fields
    record = st.fixed_dictionaries({f.name: value_of(f) for f in fields})
    # A record whose every field is empty would be a blank line, which is no record.
    return st.lists(record.filter(lambda r: r[fields[0].name] is not None), min_size=1, max_size=6)


def as_csv_word(value: Any) -> Any:
    if isinstance(value, list):
        return ";".join(value)
    if isinstance(value, bool):
        return str(value).lower()
    return value.isoformat() if isinstance(value, date | datetime) else value


def as_told(record: dict[str, Any], end: str) -> dict[str, Any]:
    """Beside a known lamp, an empty cell of a CSV says that no monitor is not ready; other formats can say []."""
    lists_none = (
        end == ".csv" and record.get("mil_on") is not None and record.get("monitor_status_hex") is None
    )
    return record | {"monitors_not_ready": record["monitors_not_ready"] or []} if lists_none else record


def write(records: list[dict[str, Any]], path: Path, kind: str) -> None:
    if path.suffix == ".csv":
        texts = [{k: None if v is None else str(as_csv_word(v)) for k, v in r.items()} for r in records]
        pl.DataFrame(texts, schema=dict.fromkeys(records[0], pl.String)).write_csv(path)
    elif path.suffix == ".jsonl":
        path.write_text("".join(json.dumps(r, default=lambda day: day.isoformat()) + "\n" for r in records))
    else:
        schema = {name: dtype for name, dtype in record_schema(kind).items() if name in records[0]}
        pl.DataFrame(records, schema=schema).write_parquet(path)


@pytest.mark.parametrize("end", [".csv", ".jsonl", ".parquet"])
@pytest.mark.parametrize("kind", ["vehicles", "jobs", "traces", "inspections"])
@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_written_records_are_read_again(data: st.DataObject, kind: str, end: str):
    records = data.draw(records_of(kind))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "north" / f"{kind}{end}"
        path.parent.mkdir()
        write(records, path, kind)
        stock = take_stock(Path(folder))
        reading = read_records(stock.files[0], stock.forms["north"])
    assert reading.misread.rows() == []
    assert reading.records.drop("source_id", "file", "row").to_dicts() == [as_told(r, end) for r in records]
    assert dict(reading.records.schema) == record_schema(kind)
    assert reading.text.height == len(records)
