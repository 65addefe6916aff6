"""Diagnostic bytes and VINs over their whole range: a decoding or a reason, never a crash; and back again."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.standards.obd import (
    decode_monitor_status,
    decode_monitor_status_columns,
    decode_response,
    decode_response_columns,
    decode_trouble_code,
    encode_monitor_status,
    encode_trouble_code,
    parse_bytes,
)
from pipeline.standards.trouble_codes import is_trouble_code
from pipeline.standards.vin import VALUES, WEIGHTS, check_digit, is_valid_vin

VIN_CHARACTERS = "".join(VALUES)


@given(st.binary(min_size=4, max_size=4))
def test_any_four_bytes_decode_and_are_written_again_as_they_came(data):
    status = decode_monitor_status(data)
    assert encode_monitor_status(status) == data
    assert set(status.not_ready) <= set(status.supported)
    assert 0 <= status.trouble_code_count <= 127
    assert status.mil_on == (data[0] >= 128)


@given(st.binary(max_size=12).filter(lambda data: len(data) != 4))
def test_any_other_length_is_refused(data):
    with pytest.raises(ValueError, match="4 data bytes"):
        decode_monitor_status(data)


@given(st.one_of(st.text(max_size=30), st.text("0123456789abcdefABCDEFx :;,|-7E841", max_size=40)))
def test_any_text_gives_a_decoding_or_a_reason(text):
    columns = decode_monitor_status_columns([text])
    assert (columns["mil_on"][0] is None) == (columns["reason"][0] is not None)
    values, reasons = decode_response_columns([text])
    assert bool(values) == (reasons[0] is None)


@given(
    st.binary(min_size=4, max_size=4),
    st.sampled_from(["", " ", ":", ",", ", "]),
    st.booleans(),
    st.booleans(),
)
def test_every_spelling_of_the_same_bytes_is_read_alike(data, between, has_header, is_upper):
    full = (b"\x41\x01" if has_header else b"") + data
    text = between.join(f"{b:02x}" for b in full)
    assert parse_bytes(text.upper() if is_upper else text, service=1, pid=1, length=4) == data


@given(st.integers(0, 0xFFFF))
def test_any_two_bytes_are_a_trouble_code_and_back(number):
    code = decode_trouble_code(number.to_bytes(2, "big"))
    assert is_trouble_code(code)
    assert int.from_bytes(encode_trouble_code(code), "big") == number


@given(st.integers(-32768, 32767))
def test_the_two_tank_pressure_parameters_are_twos_complement(raw):
    data = raw.to_bytes(2, "big", signed=True).hex()
    assert decode_response(f"4132{data}") == {"tank_pressure_pa": raw / 4}
    assert decode_response(f"4154{data}") == {"tank_pressure_pa": raw}


@settings(max_examples=50)
@given(
    st.lists(
        st.sampled_from(
            ["4132FC18", "412E80", "412E802FBF", "41 2F BF; 41 2E 00", "4132", "zz", "410500", None]
        ),
        max_size=30,
    )
)
def test_many_cells_decode_as_one_by_one(texts):
    values, reasons = decode_response_columns(texts)
    for row, text in enumerate(texts):
        got = {name: column[row] for name, column in values.items() if not np.isnan(column[row])}
        want = decode_response(text) if text is not None and reasons[row] is None else {}
        assert got == want


@given(st.text(VIN_CHARACTERS, min_size=17, max_size=17), st.integers(0, 16), st.sampled_from(VIN_CHARACTERS))
def test_a_change_of_one_character_is_caught_unless_its_value_stays(raw, place, character):
    vin = raw[:8] + check_digit(raw) + raw[9:]
    assert is_valid_vin(vin)
    changed = vin[:place] + character + vin[place + 1 :]
    stays = changed == vin if place == 8 else VALUES[character] == VALUES[vin[place]]
    assert WEIGHTS[8] == 0
    assert is_valid_vin(changed) == stays
