"""Diagnostic bytes: any usual spelling is read, everything else is refused with a sentence."""

import numpy as np
import pytest

from pipeline.contract.vocabulary import MONITORS
from pipeline.standards.obd import (
    MonitorStatus,
    decode_monitor_status,
    decode_monitor_status_columns,
    decode_response,
    decode_response_columns,
    decode_trouble_codes,
    encode_monitor_status,
    encode_trouble_code,
    parse_bytes,
)

WANT = bytes.fromhex("82076504")


@pytest.mark.parametrize(
    "text",
    [
        "82076504",
        "82 07 65 04",
        "0x82 0x07 0x65 0x04",
        "0x82076504",
        "82,7,65,4",
        "82:07:65:04",
        "41 01 82 07 65 04",
        "410182076504",
        " 41 1 82 7 65 4 ",
        "7E8 06 41 01 82 07 65 04 AA",
        "18DAF110 06 41 01 82 07 65 04",
        "'82 07 65 04'",
    ],
)
def test_every_usual_spelling_gives_the_same_four_bytes(text):
    assert parse_bytes(text, service=1, pid=1, length=4) == WANT
    assert parse_bytes(text.lower(), service=1, pid=1, length=4) == WANT


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("820765", "3 data bytes where 4"),
        ("8207650400", "5 data bytes where 4"),
        ("41 01 82 07 65", "3 data bytes where 4|5 data bytes where 4"),
        ("82 07 65 0G", "not hexadecimal"),
        ("8207650", "odd number"),
        ("", "no bytes"),
        ("ready", "not hexadecimal"),
        ("７７７７７７７７", "not hexadecimal"),
        ("7E8 09 41 01 82", "not one whole CAN frame"),
    ],
)
def test_what_is_not_four_bytes_is_refused_with_a_sentence(text, says):
    with pytest.raises(ValueError, match=says):
        parse_bytes(text, service=1, pid=1, length=4)


def test_four_bytes_that_look_like_a_header_are_data():
    assert parse_bytes("41 01 07 00", service=1, pid=1, length=4) == bytes.fromhex("41010700")


def test_every_monitor_of_the_vocabulary_and_no_other_is_decoded():
    spark = decode_monitor_status(bytes.fromhex("0007FF00"))
    compression = decode_monitor_status(bytes.fromhex("000FFF00"))
    assert (spark.ignition, compression.ignition) == ("spark", "compression")
    assert set(spark.supported) | set(compression.supported) == set(MONITORS)
    assert "evap" not in compression.supported


@pytest.mark.parametrize(
    ("status", "says"),
    [
        (MonitorStatus(False, 128, "spark", (), ()), "0 to 127"),
        (MonitorStatus(False, 0, "compression", ("evap",), ()), "evap"),
        (MonitorStatus(False, 0, "spark", (), ("evap",)), "evap"),
    ],
)
def test_a_status_that_no_bytes_can_say_is_refused(status, says):
    with pytest.raises(ValueError, match=says):
        encode_monitor_status(status)


def test_columns_of_monitor_status_equal_one_by_one_and_keep_order():
    texts = ["82 07 65 04", None, "zz", "00076500", "82 07 65 04"]
    columns = decode_monitor_status_columns(texts)
    assert columns["mil_on"] == [True, None, None, False, True]
    assert columns["trouble_code_count"] == [2, None, None, 0, 2]
    assert columns["not_ready"] == [("evap",), None, None, (), ("evap",)]
    assert columns["ignition"] == ["spark", None, None, "spark", "spark"]
    assert [r is None for r in columns["reason"]] == [True, True, False, True, True]


def test_no_records_give_empty_columns():
    assert decode_monitor_status_columns([])["mil_on"] == []
    assert decode_response_columns([]) == ({}, [])


@pytest.mark.parametrize(
    "text",
    ["4132FC18|412E80", "41 32 FC 18 2e 80", "0x41 0x32 0xFC 0x18; 41 2E 80", "41 32 FC 18\n41 2E 80\n"],
)
def test_several_parameters_in_one_cell_are_all_read(text):
    assert decode_response(text) == pytest.approx(
        {"tank_pressure_pa": -250.0, "purge_duty_pct": 50.196}, abs=1e-3
    )


def test_the_finer_of_two_tank_pressures_counts():
    assert decode_response("41 54 FF 07; 41 32 FC 18")["tank_pressure_pa"] == -250.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no bytes"),
        ("41 32 FC", "cut short"),
        ("41", "cut short"),
        ("32 FC 18", "begins with 41, not 32"),
        ("41 05 7B", "PID 05"),
        ("41 xx", "not hexadecimal"),
    ],
)
def test_a_cell_that_is_no_answer_is_refused_with_a_sentence(text, says):
    with pytest.raises(ValueError, match=says):
        decode_response(text)


def test_columns_of_answers_equal_one_by_one_whatever_their_layouts():
    texts = [
        "41 32 FC 18",
        "41 2E 80 2F BF",
        "412F BF2E 80",
        None,
        "41 32",
        "41 05 7B",
        "nonsense",
        "41 32 36 7D",
    ]
    values, reasons = decode_response_columns(texts)
    for row, text in enumerate(texts):
        got = {name: column[row] for name, column in values.items() if not np.isnan(column[row])}
        if text is None or reasons[row]:
            assert got == {}
        else:
            assert got == decode_response(text)
    assert [r is None for r in reasons] == [True, True, True, True, False, False, False, True]


def test_trouble_codes_are_written_and_read_back():
    assert decode_trouble_codes(["0456", "24 22", "C1 00"]) == ["P0456", "P2422", "U0100"]
    assert encode_trouble_code(" p043e ").hex() == "043e"
    with pytest.raises(ValueError, match="form"):
        encode_trouble_code("P4456")
    with pytest.raises(ValueError, match="3 data bytes where 2"):
        decode_trouble_codes(["045600"])
