"""How a source's own headers, words, units and constants become the contract's fields."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from pipeline.errors import FileUnreadable
from pipeline.lake.columns import lay_out
from pipeline.lake.source_form import KindForm


def samples(header: str, **form: object):
    return lay_out(tuple(header.split(",")), KindForm("samples", **form), {"trace_id"}, "f")  # type: ignore[arg-type]


ORDERS = """Order|Unit|In|Part|Work|Miles|Hours (min)|Chk
A-1|V1|05/03/2024 10:15|PRG VLV|R+R|100|90|VC ok
A-2|V2|05/03/2024 11:15|n/a|-||x|
"""
FORM = """
[source]
time_zone = "America/Phoenix"
[jobs]
files = ["orders*.csv"]
delimiter = "|"
datetime_format = "%d/%m/%Y %H:%M"
file_name = 'orders_(?P<technician_id>T\\d+)'
[jobs.columns]
job_id = "Order"
vehicle_id = "Unit"
opened_at = "In"
component = "Part"
action = "Work"
odometer = "Miles"
labor = "Hours (min)"
checks = "Chk"
[jobs.units]
odometer = "mi"
[jobs.values.component]
"PRG VLV" = "purge_valve"
"n/a" = ""
[jobs.values.action]
"R+R" = "replaced"
"-" = "none"
[jobs.values.checks]
"VC ok" = "vent_click=pass"
[jobs.constants]
shop_id = "north"
currency = "USD"
"""


def test_a_mapped_source_reads_in_our_names_words_and_units(read_one):
    reading = read_one(ORDERS, "orders_T9.csv", FORM)
    one, two = reading.records.to_dicts()
    assert (one["job_id"], one["shop_id"], one["technician_id"], one["currency"]) == (
        "A-1",
        "north",
        "T9",
        "USD",
    )
    assert one["opened_at"] == datetime(2024, 3, 5, 17, 15, tzinfo=UTC)
    assert (one["component"], one["action"], one["checks"]) == (
        "purge_valve",
        "replaced",
        ["vent_click=pass"],
    )
    assert one["odometer_km"] == pytest.approx(160.9344, rel=1e-12)  # 1 mi = 1.609344 km (international mile)
    assert one["labor_h"] == pytest.approx(1.5)
    assert (two["component"], two["action"], two["odometer_km"], two["labor_h"]) == (None, "none", None, None)
    assert reading.misread.select("row", "column", "value").rows() == [(2, "labor_h", "x")]
    assert reading.text.columns == ["Order", "Unit", "In", "Part", "Work", "Miles", "Hours (min)", "Chk"]
    assert reading.hint == ""


def test_a_mapped_column_that_is_not_there_is_named(read_one):
    reading = read_one(ORDERS.replace("Part", "Piece"), "orders_T9.csv", FORM)
    assert "No column gives component." in reading.hint
    assert "names 'Part', which the header does not have" in reading.hint


def test_a_name_that_does_not_fit_its_pattern_makes_the_file_unreadable(read_one):
    with pytest.raises(FileUnreadable, match="name does not fit the pattern file_name") as caught:
        read_one(ORDERS, "orders_x.csv", FORM)
    assert caught.value.where == "north/orders_x.csv"


def test_a_constant_fills_what_the_column_leaves_empty(read_one):
    text = "job_id,currency\nJ1,\nJ2,EUR\n"
    reading = read_one(text, "jobs.csv", '[jobs.constants]\ncurrency = "USD"\n')
    assert reading.records["currency"].to_list() == ["USD", "EUR"]


def test_blanks_around_our_names_and_values_do_not_matter(read_one):
    reading = read_one(" vehicle_id , make\n V1 ,\tOrla \n")
    assert reading.records.select("vehicle_id", "make").rows() == [("V1", "Orla")]


def test_a_unit_may_stand_in_brackets_in_the_header():
    assert samples("t (ms),tank_pressure [inH2O],sensor_v").units == {
        "t_s": "ms",
        "tank_pressure_pa": "inH2O",
    }
    mapped = samples("Time,FTP (kPa)", columns={"t_s": "Time", "tank_pressure_pa": "FTP (kPa)"})
    assert mapped.units == {"tank_pressure_pa": "kPa"}
    declared = samples(
        "FTP (kPa)", columns={"tank_pressure_pa": "FTP (kPa)"}, units={"tank_pressure_pa": "mbar"}
    )
    assert declared.units == {"tank_pressure_pa": "mbar"}


def test_a_bracket_that_is_no_unit_matters_only_where_the_name_has_none():
    form = KindForm("vehicles", columns={"odometer_km": "Odometer (dash)"})
    assert lay_out(("Odometer (dash)",), form, set(), "f").units == {}
    bare = KindForm("vehicles", columns={"odometer_km": "Odometer (dash)"}, bare=frozenset({"odometer_km"}))
    with pytest.raises(FileUnreadable, match="'dash' is not a unit that is known"):
        lay_out(("Odometer (dash)",), bare, set(), "f")


@pytest.mark.parametrize(
    ("header", "form"),
    [
        ("tank_pressure", {}),
        ("FTP", {"columns": {"tank_pressure_pa": "FTP"}, "bare": frozenset({"tank_pressure_pa"})}),
        ("FTP (furlong)", {"columns": {"tank_pressure_pa": "FTP (furlong)"}}),
    ],
)
def test_a_pressure_without_a_known_unit_is_refused_and_the_choices_named(header, form):
    with pytest.raises(FileUnreadable, match="The pressure column") as caught:
        samples(header, **form)
    for unit in ("Pa", "kPa", "hPa", "mbar", "inH2O", "mmHg", "inHg", "psi", "kPa_abs"):
        assert f"{unit}," in caught.value.todo + ","


def test_a_hint_does_not_list_an_endless_header():
    """Of five thousand columns forty are named, and the others counted."""
    hint = samples(",".join(f"c{i}" for i in range(5000))).hint
    assert "c39 and 4960 more." in hint
    assert len(hint) < 1000
