"""Damaged files: each is refused with what, where and what to do, or read with nothing lost."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import FileUnreadable
from pipeline.lake.find import LakeFile, Stock, take_stock
from pipeline.lake.read_records import read_records
from pipeline.lake.read_samples import read_samples
from pipeline.lake.reading import Reading


@pytest.fixture(scope="module")
def stock() -> Stock:
    return take_stock(Path(__file__).parent)


def read(stock: Stock, name: str) -> Reading:
    file = next(f for f in stock.files if f.path.name == name)
    form = stock.forms["shop"]
    if file.kind == "samples":
        return next(read_samples([file], form, pl.DataFrame(schema={"trace_id": pl.String})))
    return read_records(file, form)


#: file -> what the refusal says, and what it tells the reader to do
REFUSED = {
    "vehicles_cut.csv.gz": ("packed file ends too early", "again"),
    "vehicles_no_gzip.csv.gz": ("damaged .*Not a gzipped file", "again"),
    "vehicles_cut.csv.zst": ("cannot be read: .*[Tt]runcated", "copied whole"),
    "vehicles_cut.parquet": ("Parquet file is cut short or damaged", "again"),
    "vehicles_no_parquet.parquet": ("Parquet file is cut short or damaged", "again"),
    "vehicles_empty.parquet": ("Parquet file is cut short or damaged", "again"),
    "vehicles_nul.csv": ("NUL byte in line 2", "encoding"),
    "vehicles_picture.csv": ("NUL byte in line 3", "encoding"),
    "vehicles_cp1252.csv": ("the byte 0xE9 in line 3", "cp1252"),
    "vehicles_utf16.csv": ("begins as UTF-16 does", "utf-16"),
    "samples_no_unit.csv": ("'tank_pressure' cannot be read: no unit is declared", "inH2O, .*psi"),
    "samples_odd_unit.csv": ("'furlong' is not a unit that is known", "inH2O, .*psi"),
    "samples_cut.csv.gz": ("packed file ends too early", "again"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_at_all_says_what_where_and_what_to_do(stock: Stock, name: str):
    with pytest.raises(FileUnreadable) as caught:
        read(stock, name)
    what, todo = REFUSED[name]
    assert re.search(what, caught.value.what)
    assert caught.value.where == f"shop/{name}"
    assert re.search(todo, caught.value.todo)


def shapes(reading: Reading) -> list[int]:
    return reading.misread.filter(pl.col("rule") == "shape")["row"].to_list()


#: file -> rows read, rows of a wrong shape, a part of the hint
READ = {
    "vehicles_semicolons.csv": (1, [], 'single column; is the delimiter ";"'),
    "vehicles_ragged.csv": (4, [2, 3], ""),
    "vehicles_open_quote.csv": (4, [1, 4], ""),
    "vehicles_no_bytes.csv": (0, [], "The file is empty"),
    "vehicles_header_only.csv": (0, [], "a header and no records"),
    "vehicles_other_header.csv": (
        1,
        [],
        "No column gives vehicle_id, make, model, model_year, in_service_on.",
    ),
    "vehicles_no_header.csv": (1, [], "The header has V1, Orla, Kestrel, 2015, 2015-03-01."),
    "jobs_broken.jsonl": (5, [2, 3, 4], "No column gives vehicle_id"),
    "jobs_array.jsonl": (4, [1, 2, 4], "No column gives shop_id"),
    "jobs_hostile.csv": (3, [], "No column gives vehicle_id"),
}


@pytest.mark.parametrize("name", READ)
def test_what_can_be_read_keeps_every_record(stock: Stock, name: str):
    reading = read(stock, name)
    n_rows, misshapen, hint = READ[name]
    assert reading.records["row"].to_list() == list(range(1, n_rows + 1))
    assert reading.text.height == n_rows
    assert shapes(reading) == misshapen
    assert hint in reading.hint
    assert bool(hint) == bool(reading.hint)


def test_every_damaged_file_has_its_expectation(stock: Stock):
    assert sorted(f.path.name for f in stock.files) == sorted([*REFUSED, *READ])


def test_records_beside_damaged_ones_are_whole(stock: Stock):
    assert read(stock, "vehicles_ragged.csv").records["vehicle_id"].to_list() == ["V1", None, None, "V4"]
    quoted = read(stock, "vehicles_open_quote.csv").records
    assert quoted.select("vehicle_id", "model").rows() == [
        (None, None), ("V2", "Kestrel"), ("V3", "Kes\ntrel"), (None, None)
    ]  # fmt: skip
    assert read(stock, "jobs_broken.jsonl").records["job_id"].to_list() == ["J1", None, None, None, "J4"]


def test_hostile_text_is_kept_as_it_is(stock: Stock):
    notes = read(stock, "jobs_hostile.csv").records["note"].to_list()
    assert notes == ['=HYPERLINK("http://x")', "<script>alert(1)</script>, \u202etxt", None]


def test_one_unreadable_file_does_not_stop_the_others(stock: Stock):
    told: list[LakeFile] = []
    files = [f for f in stock.files if f.kind == "samples"]
    headers = pl.DataFrame(schema={"trace_id": pl.String})
    list(
        read_samples(
            files, stock.forms["shop"], headers, on_unreadable=lambda file, problem: told.append(file)
        )
    )
    assert [f.path.name for f in told] == [
        "samples_cut.csv.gz",
        "samples_no_unit.csv",
        "samples_odd_unit.csv",
    ]
