"""Numbers, booleans, lists and monitor bytes as they are written by exporters."""

from __future__ import annotations

import math
from datetime import timedelta

import polars as pl
import pytest

from pipeline.contract.vocabulary import MONITORS
from pipeline.lake.converted import stripped
from pipeline.lake.numbers import to_boolean, to_integer, to_number
from pipeline.lake.word_lists import MONITOR_ALIASES, to_status_bytes, to_words


def test_numbers_in_text():
    read = to_number(
        pl.Series(["1.5", "-2", "1e3", ".5", "1,5", "1_000", "nan", "inf", "0x10", "1 000", None])
    )
    assert read.values.to_list() == [1.5, -2.0, 1000.0, 0.5, None, None, None, None, None, None, None]
    assert read.reasons is not None
    assert read.reasons.is_not_null().to_list() == [False] * 4 + [True] * 6 + [False]


def test_a_point_is_no_decimal_comma():
    read = to_number(pl.Series(["1,5", "1.5", "1.234", "1.234,5", "1,234,5"]), ",")
    assert read.values.to_list() == [1.5, None, None, None, None]


def test_stored_numbers():
    assert to_number(pl.Series([1, 2], dtype=pl.UInt8)).values.to_list() == [1.0, 2.0]
    assert to_number(pl.Series([timedelta(milliseconds=250)])).values.to_list() == [0.25]
    floats = to_number(stripped(pl.Series([1.5, math.nan, math.inf])))
    assert floats.values.to_list() == [1.5, None, None]
    assert floats.reasons is not None
    assert floats.reasons.is_not_null().to_list() == [False, False, True]
    assert to_number(pl.Series([True])).values.to_list() == [None]


def test_whole_numbers_reject_a_fraction():
    read = to_integer(pl.Series(["2015", "2015.0", "3.5", "20x5", "-1", None]))
    assert read.values.to_list() == [2015, 2015, None, None, -1, None]
    stored = to_integer(stripped(pl.Series([2015.0, 3.5, math.nan])))
    assert stored.values.to_list() == [2015, None, None]
    assert stored.reasons is not None
    assert stored.reasons.is_not_null().to_list() == [False, True, False]


def test_booleans_by_the_words_of_the_contract():
    read = to_boolean(pl.Series(["TRUE", "y", "On", "1", "f", "no", "0", "maybe", None]))
    assert read.values.to_list() == [True, True, True, True, False, False, False, None, None]
    assert to_boolean(pl.Series([1, 0, 2])).values.to_list() == [True, False, None]
    assert to_boolean(stripped(pl.Series([1.0, math.nan]))).values.to_list() == [True, None]


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("P0442;P0455", ["P0442", "P0455"]),
        ("p0442, p043e", ["P0442", "P043E"]),
        ("P0442 P0455", ["P0442", "P0455"]),
        (";P0442;;", ["P0442"]),
    ],
)
def test_trouble_codes_are_split_and_put_in_upper_case(text: str, codes: list[str]):
    assert to_words(pl.Series([text, None]), "trouble_codes", {}).values.to_list() == [codes, None]


def test_stored_lists_are_taken_as_they_are():
    stored = pl.Series([["p0442", " P0455 "], [], None])
    assert to_words(stored, "trouble_codes", {}).values.to_list() == [["P0442", "P0455"], [], None]


def test_a_manufacturers_own_code_is_mapped_by_the_source():
    read = to_words(
        pl.Series(["P1456;EVAP LARGE;none"]), "trouble_codes", {"EVAP LARGE": "P0455", "none": ""}
    )
    assert read.values.to_list() == [["P1456", "P0455"]]


@pytest.mark.parametrize(
    "text",
    [
        "vent_click=pass;smoke=fail",
        "Vent_Click = Pass, smoke=FAIL",
        "vent_click:pass smoke=false",
        "VC=OK; Rauch: fail",
    ],
)
def test_checks_are_written_in_one_way(text: str):
    mapping = {"VC": "vent_click", "Rauch": "smoke"}
    assert to_words(pl.Series([text]), "checks", mapping).values.to_list() == [
        ["vent_click=pass", "smoke=fail"]
    ]


def test_a_whole_check_may_be_mapped():
    read = to_words(pl.Series(["Vent ok; kicked tire"]), "checks", {"Vent ok": "vent_click=pass"})
    assert read.values.to_list() == [["vent_click=pass", "kicked", "tire"]]


def test_monitors_in_common_spellings():
    text = "EVAP; Oxygen Sensor Heater, cat A/C EGR"
    read = to_words(pl.Series([text]), "monitors_not_ready", {}).values.to_list()[0]
    assert read == ["evap", "o2_heater", "catalyst", "ac_refrigerant", "egr_vvt"]
    assert to_words(pl.Series([["flux"]]), "monitors_not_ready", {}).values.to_list() == [["flux"]]
    assert set(MONITOR_ALIASES.values()) <= set(MONITORS)


def test_monitor_bytes_are_put_in_one_form():
    """Bytes of SAE J1979 service 01 PID 01 in the spellings that scan tools write (common practice)."""
    spellings = [
        "82076504",
        "82 07 65 04",
        "0x82,0x07,0x65,0x04",
        "41 01 82 07 65 04",
        "82 07 65",
        "82 07 6G 04",
        None,
    ]
    read = to_status_bytes(pl.Series(spellings))
    assert read.values.to_list() == ["82076504"] * 4 + [None] * 3
    assert read.reasons is not None
    assert read.reasons[4] == "'82 07 65' holds 3 data bytes where 4 are due."
    assert read.reasons.is_not_null().to_list() == [False] * 4 + [True, True, False]


def test_an_empty_cell_beside_a_known_lamp_says_that_every_monitor_is_ready(read_one):
    rows = ["I1,no,,", "I2,,,", "I3,no,evap,", "I4,no,,82076504"]
    text = "\n".join(["inspection_id,mil_on,monitors_not_ready,monitor_status_hex", *rows])
    listed = read_one(text, "inspections.csv").records["monitors_not_ready"].to_list()
    assert listed == [[], None, ["evap"], None]
    without_column = read_one("inspection_id,mil_on\nI1,no\n", "inspections.csv")
    assert without_column.records["monitors_not_ready"].to_list() == [None]
