"""Diagnostic bytes against SAE J1979 / J2012 scaling.

Sources: [M] SAE J1979 and J2012 from memory (not read); [D] arithmetic derived from those formulas.
"""

import pytest

from pipeline.standards.obd import (
    decode_monitor_status,
    decode_response,
    decode_trouble_code,
    parse_bytes,
)
from pipeline.standards.trouble_codes import EVAP_CODES, family, is_evap_code


def test_monitor_status_example():
    # [M/D] SAE J1979 service 01 PID 01: `82 07 65 04`.
    status = decode_monitor_status(parse_bytes("41 01 82 07 65 04", service=1, pid=1, length=4))
    assert (status.mil_on, status.trouble_code_count, status.ignition) == (True, 2, "spark")
    continuous = ("misfire", "fuel_system", "comprehensive")
    assert status.supported == (*continuous, "catalyst", "evap", "o2_sensor", "o2_heater")
    assert status.not_ready == ("evap",)


def test_a_not_complete_bit_without_its_support_bit_is_never_counted():
    # [M/D] D bit 2 (EVAP) set, C bit 2 not.
    assert decode_monitor_status(bytes.fromhex("00076104")).not_ready == ()


def test_continuous_monitors_have_their_not_complete_bits_in_b_4_to_6():
    # [M] B bits 0-2 supported, bits 4-6 not complete.
    assert decode_monitor_status(bytes.fromhex("00570000")).not_ready == ("misfire", "comprehensive")


def test_compression_ignition_has_another_map_without_evap():
    # [M] B bit 3 = 1.
    status = decode_monitor_status(bytes.fromhex("000FEBEB"))
    assert status.ignition == "compression"
    slow = (
        "nmhc_catalyst",
        "nox_aftertreatment",
        "boost_pressure",
        "exhaust_gas_sensor",
        "pm_filter",
        "egr_vvt",
    )
    assert status.not_ready == slow


@pytest.mark.parametrize(
    ("answer", "name", "value"),
    [
        # [M/D] scaling table of service 01
        ("41 32 FC 18", "tank_pressure_pa", -250.00),
        ("41 32 36 7D", "tank_pressure_pa", 3487.25),
        ("41 32 80 00", "tank_pressure_pa", -8192.00),
        ("41 32 7F FF", "tank_pressure_pa", 8191.75),
        ("41 54 FF 06", "tank_pressure_pa", -250.0),
        ("41 54 0D 9F", "tank_pressure_pa", 3487.0),
        ("41 53 4F 29", "tank_pressure_abs_kpa", 101.325),
        ("41 2E 80", "purge_duty_pct", 50.196),
        ("41 2F BF", "fuel_level_pct", 74.902),
        ("41 30 0F", "warmups_since_clear", 15.0),
        ("41 31 01 F4", "distance_since_clear_km", 500.0),
        ("41 33 65", "barometric_kpa", 101.0),
        ("41 46 41", "ambient_c", 25.0),
    ],
)
def test_scaling(answer, name, value):
    assert decode_response(answer) == {name: pytest.approx(value, abs=5e-4)}


def test_pid_32_is_not_read_unsigned():
    # [D] An unsigned reading of FC18 would give 16134.
    assert decode_response("4132FC18")["tank_pressure_pa"] != 16134.0


@pytest.mark.parametrize(
    ("data", "code"), [("0456", "P0456"), ("2422", "P2422"), ("1456", "P1456"), ("C100", "U0100")]
)
def test_two_byte_trouble_codes(data, code):
    # [M] SAE J2012: bits 15-14 letter, 13-12 first digit.
    assert decode_trouble_code(bytes.fromhex(data)) == code


def test_evap_codes_are_the_published_ranges_and_nothing_else():
    # [M] SAE J2012 generic codes; the list is the contract's. 20 + 5 + 4 + 5 + 8 + 2 + 2 codes.
    numbers = [*range(440, 460), *range(465, 470), *range(496, 500)]
    want = {f"P0{n}" for n in numbers} | {
        f"P{n}" for n in [*range(2418, 2423), *range(2400, 2408), 2450, 2451]
    }
    assert want | {"P043E", "P043F"} == EVAP_CODES
    assert len(EVAP_CODES) == 46


@pytest.mark.parametrize("code", ["P0494", "P0495", "P1456", "P1450", "P0460", "P0464", "P0420", "P0439"])
def test_cooling_fan_manufacturer_and_fuel_level_codes_are_not_evap(code):
    # [M] P0494/P0495 cooling fan; P1xxx manufacturer; P0460-P0464 fuel level sensor.
    assert not is_evap_code(code)


@pytest.mark.parametrize(
    ("code", "name"),
    [
        # [M] SAE J2012 definitions
        ("P0442", "leak_small"),
        ("P0455", "leak_large"),
        ("P0456", "leak_very_small"),
        ("P0457", "leak_cap"),
        ("P0441", "purge_flow"),
        ("P0443", "purge_circuit"),
        ("P0446", "vent_circuit"),
        ("P0452", "sensor"),
        ("P2422", "vent_function"),
        ("P2420", "switching_valve"),
    ],
)
def test_families_follow_the_definitions(code, name):
    assert family(code) == name
