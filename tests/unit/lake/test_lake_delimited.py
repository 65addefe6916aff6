"""Delimited text: what is a record, what is its shape, and that no line is lost."""

from __future__ import annotations

import csv
import gzip
import io

import polars as pl
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.errors import FileUnreadable
from pipeline.lake.blocks import frame_of
from pipeline.lake.delimited import delimited_blocks
from pipeline.lake.formats import utf8_blocks

HEADER = "vehicle_id,make,model,model_year,in_service_on,fleet_id\n"
ROW = "V{},Orla,Kestrel,2015,2015-03-01,{}\n"


def pieces(text: bytes, size: int) -> list[bytes]:
    """Cut text at line ends into pieces of about `size` bytes, as the file reader does."""
    cut, held = [], b""
    for line in text.splitlines(keepends=True) if b"\r" not in text else io.BytesIO(text):
        held += line
        if len(held) >= size:
            cut.append(held)
            held = b""
    return [*cut, held] if held else cut


def rows_of(text: bytes, size: int = 1 << 20, delimiter: str = ",") -> list[tuple[str | None, ...]]:
    blocks = [b for b in delimited_blocks(iter(pieces(text, size)), delimiter, 0) if b.n_rows]
    places = [b.first_row for b in blocks]
    assert places == [1 + sum(b.n_rows for b in blocks[:i]) for i in range(len(blocks))]
    return [row for block in blocks for row in frame_of([block]).rows()]


words = st.text(st.sampled_from("ab ,;\"\n'é.-#\t"), max_size=6)
tables = st.integers(1, 4).flatmap(
    lambda n: st.lists(st.lists(words, min_size=n, max_size=n), min_size=1, max_size=12)
)


@given(tables, st.sampled_from([",", ";", "|", "\t"]), st.sampled_from(["\n", "\r\n"]), st.integers(1, 60))
@settings(max_examples=150)
@example([["a"], [""], ["b"]], ",", "\n", 1)
@example([["x", 'a\n"b'], ["", ""]], ",", "\r\n", 2)
def test_what_the_standard_library_writes_is_read_back_whatever_the_blocks(rows, delimiter, end, size):
    """Reference: Python's csv module (RFC 4180 quoting) as writer."""
    names = [f"c{i}" for i in range(len(rows[0]))]
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=csv.QUOTE_MINIMAL).writerows(
        [names, *rows]
    )
    # A record of one empty field is written as "" by csv; a line that is blank is no record.
    read = rows_of(out.getvalue().encode(), size, delimiter)
    assert [[word or "" for word in row] for row in read] == rows


@given(st.text(st.sampled_from('ab,"\n'), max_size=60), st.integers(1, 20))
@settings(max_examples=200)
@example('a,"b\nc,d\ne,f\n', 3)
@example('a,b\n"c\nd,"e"\n', 4)
@example('x"y,z\na,b', 1)
def test_no_text_is_lost_however_damaged_it_is(body: str, size: int):
    """Every letter of the body stands in a record or in the text of a misshapen one."""
    text = ("one,two\n" + body).encode()
    blocks = list(delimited_blocks(iter(pieces(text, size)), ",", 0))
    kept = "".join(word or "" for b in blocks if b.n_rows for row in frame_of([b]).rows() for word in row)
    assert sorted(c for c in kept if c in "ab") == sorted(c for c in body if c in "ab")


def test_rows_of_another_length_are_kept_and_marked(read_one):
    text = HEADER + ROW.format(1, "") + "V2,Orla,Kestrel\n" + ROW.format(3, "x,y") + ROW.format(4, "f")
    reading = read_one(text)
    assert reading.records["row"].to_list() == [1, 2, 3, 4]
    assert reading.records["vehicle_id"].to_list() == ["V1", None, None, "V4"]
    assert reading.misread.select("row", "rule", "column", "value").rows() == [
        (2, "shape", None, "V2,Orla,Kestrel"),
        (3, "shape", None, "V3,Orla,Kestrel,2015,2015-03-01,x,y"),
    ]
    assert "has 3 fields where the header has 6" in reading.misread["reason"][0]
    assert reading.text["vehicle_id"].to_list() == ["V1", "V2", "V3", "V4"]
    assert reading.text["fleet_id"].to_list()[2] == "x,y"


def test_an_open_quotation_mark_costs_its_own_line_only(read_one):
    text = HEADER + ROW.format(1, '"north') + "".join(ROW.format(i, "") for i in range(2, 3002))
    reading = read_one(text)
    assert reading.records.height == 3001
    assert reading.misread.select("row", "rule").rows() == [(1, "shape")]
    assert reading.records["vehicle_id"][3000] == "V3001"


def test_a_quotation_mark_inside_a_field_is_a_letter(read_one):
    reading = read_one(HEADER + ROW.format(1, '5" pipe') + ROW.format(2, '"a ""b"", c"'))
    assert reading.records["fleet_id"].to_list() == ['5" pipe', 'a "b", c']
    assert reading.misread.is_empty()


def test_line_ends_inside_quotation_marks_belong_to_the_field(read_one):
    reading = read_one(HEADER + ROW.format(1, '"two\nlines"') + "\n" + ROW.format(2, '"two\r\nlines"'))
    assert reading.records["fleet_id"].to_list() == ["two\nlines", "two\r\nlines"]


def test_old_line_ends_are_read(read_one):
    reading = read_one((HEADER + ROW.format(1, "a") + ROW.format(2, "b")).replace("\n", "\r"))
    assert reading.records["fleet_id"].to_list() == ["a", "b"]


def packed_zst(content: bytes) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(content)
    return sink.getvalue().to_pybytes()


@pytest.mark.parametrize(
    ("name", "pack"),
    [("vehicles.csv", bytes), ("vehicles.csv.gz", gzip.compress), ("vehicles.csv.zst", packed_zst)],
)
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_packed_or_not_with_a_byte_order_mark_or_not(read_one, name, pack, mark):
    reading = read_one(pack(mark + (HEADER + ROW.format(1, "é")).encode()), name)
    assert reading.records["vehicle_id"].to_list() == ["V1"]
    assert reading.records["fleet_id"].to_list() == ["é"]
    assert reading.hint == ""


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-16-le", "iso8859-15", "shift_jis"])
def test_other_encodings_are_read_when_declared(read_one, encoding):
    fleet = "日本" if encoding == "shift_jis" else "Café"
    content = (HEADER + ROW.format(1, fleet)).encode(encoding)
    reading = read_one(content, form=f'[source]\nencoding = "{encoding}"\n')
    assert reading.records["fleet_id"].to_list() == [fleet]


def test_tabs_are_the_delimiter_of_tsv_and_a_declared_one_stands(read_one):
    tab = (HEADER + ROW.format(1, "a")).replace(",", "\t")
    form = '[vehicles]\nfiles = ["*.tsv"]\n'
    reading = read_one(tab, "register.tsv", form)
    assert reading.records["fleet_id"].to_list() == ["a"]


def test_preamble_lines_are_passed_over_and_rows_count_records(read_one):
    text = 'Export of "May\nprinted, 2024\n' + HEADER + ROW.format(1, "a") + "\n\n" + ROW.format(2, "b")
    reading = read_one(text, form="[vehicles]\nskip_lines = 2\n")
    assert reading.records.select("row", "vehicle_id").rows() == [(1, "V1"), (2, "V2")]


def test_decimal_marks_and_their_columns(read_one):
    text = "vehicle_id;fuel_tank_l\nV1;61,5\nV2;61.5\nV3;1.061,5\nV4;\n"
    reading = read_one(text, form='[vehicles]\ndelimiter = ";"\ndecimal = ","\n')
    assert reading.records["fuel_tank_l"].to_list() == [61.5, None, None, None]
    assert reading.misread.select("row", "column", "value").rows() == [
        (2, "fuel_tank_l", "61.5"),
        (3, "fuel_tank_l", "1.061,5"),
    ]


def test_a_wrong_delimiter_gives_records_without_fields_and_a_hint(read_one):
    reading = read_one((HEADER + ROW.format(1, "")).replace(",", ";"))
    assert reading.hint == 'The header reads as a single column; is the delimiter ";"?'
    assert reading.records.height == 1
    assert reading.records["vehicle_id"].to_list() == [None]
    assert reading.text.rows() == [("V1;Orla;Kestrel;2015;2015-03-01;",)]


def test_a_missing_column_is_named_beside_those_that_are_there(read_one):
    reading = read_one("vehicle_id,brand\nV1,Orla\n")
    assert reading.hint.startswith("No column gives make, model, model_year, in_service_on.")
    assert "The header has vehicle_id, brand." in reading.hint
    assert reading.text.columns == ["vehicle_id", "brand"]


@pytest.mark.parametrize(
    ("content", "hint"), [("", "is empty"), ("\n\n", "is empty"), (HEADER, "no records")]
)
def test_a_file_without_records_says_so(read_one, content, hint):
    reading = read_one(content)
    assert reading.records.height == 0
    assert hint in reading.hint
    assert reading.records.schema["in_service_on"] == pl.Date


def test_a_column_that_stands_twice_cannot_be_chosen(read_one):
    with pytest.raises(FileUnreadable, match="names 'make' twice"):
        read_one("vehicle_id,make,make\nV1,a,b\n")
    assert read_one("vehicle_id,x,x,\nV1,a,b,\n").text.columns == [
        "vehicle_id",
        "x",
        "x (column 3)",
        "(column 4)",
    ]


@pytest.mark.parametrize("row", ["V1,a", 'V1,"a', '"V1",a', 'V1,"a"'])
def test_a_header_with_an_open_quotation_mark_swallows_no_record(read_one, row):
    reading = read_one(f'vehicle_id,"make\n{row}\nV2,b\n')
    assert reading.records["row"].to_list() == [1, 2]
    assert reading.text.columns == ["vehicle_id", '"make']


def test_a_header_and_a_record_may_run_over_lines(read_one):
    reading = read_one('vehicle_id,"make\nor brand"\nV1,"a\nb"\nV2,5" pipe\n')
    assert reading.text.rows() == [("V1", "a\nb"), ("V2", '5" pipe')]


@pytest.mark.parametrize("bad", [b"\0", b"\xe9"])
def test_the_line_of_damage_is_counted_through_the_whole_file(tmp_path, bad):
    path = tmp_path / "long.csv"
    path.write_bytes(b"0123456789\n" * 500 + bad + b"\n")
    with pytest.raises(FileUnreadable, match=r"line 501\b"):
        list(utf8_blocks(path, "utf-8", "long.csv", size=100))
