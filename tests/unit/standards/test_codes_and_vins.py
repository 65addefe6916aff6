"""Codes and VINs: form, membership, family; many at once equal one by one."""

import pytest

from pipeline.standards.trouble_codes import (
    EVAP_CODES,
    FAMILIES,
    family,
    has_evap_code,
    is_evap_code,
    is_trouble_code,
)
from pipeline.standards.vin import are_valid_vins, check_digit, is_valid_vin, vin_model_year


@pytest.mark.parametrize("code", ["P0455", "p0455", " P043E ", "U3FFF", "B0000", "C1234"])
def test_the_form_of_a_code_is_known(code):
    assert is_trouble_code(code)


@pytest.mark.parametrize(
    "code", ["", "P045", "P04555", "X0455", "P4455", "P0G55", "0455", "P 0455", "P0455;P0442"]
)
def test_what_has_not_the_form_is_no_code(code):
    assert not is_trouble_code(code)


def test_every_evap_code_has_the_form_and_a_family_and_every_family_a_code():
    assert all(is_trouble_code(code) and is_evap_code(code) for code in EVAP_CODES)
    assert {family(code) for code in EVAP_CODES} == set(FAMILIES)
    assert family("P0420") is None


def test_lists_of_codes_are_searched():
    assert has_evap_code([["P0420", "p0455"], ["P0420"], [], None]).tolist() == [True, False, False, False]


@pytest.mark.parametrize(
    "vin", ["", "1" * 16, "1" * 18, "IZZSYNTHXR0000005", "0ZZSYNTHXR000000É", "0ZZSYNTH1R0000005"]
)
def test_a_wrong_vin_is_not_valid(vin):
    assert not is_valid_vin(vin)
    assert not are_valid_vins([vin])[0]


def test_many_vins_equal_one_by_one():
    vins = ["0ZZSYNTHXR0000005", "0zzsynthxr0000005", "0ZZSYNTH1R0000005", None, "", "O" * 17, "1" * 17]
    assert are_valid_vins(vins).tolist() == [bool(v) and is_valid_vin(v) for v in vins]
    assert are_valid_vins([]).tolist() == []


def test_a_vin_that_has_no_check_digit_says_why():
    with pytest.raises(ValueError, match="17 characters; this one has 3"):
        check_digit("ABC")
    with pytest.raises(ValueError, match="I, Q"):
        check_digit("QZZSYNTHXR000000I")


def test_a_year_code_that_does_not_exist_gives_no_year():
    assert [vin_model_year(f"0ZZSYNTHX{c}0000005") for c in "IOQUZ0"] == [None] * 6
    assert vin_model_year("short") is None
