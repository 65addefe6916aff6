"""Units of a source: every usual spelling is found, an unknown one is refused with the choices."""

import numpy as np
import polars as pl
import pytest

from pipeline.errors import WrongUsage
from pipeline.standards.units import OUR_UNIT, UNITS, canonical_unit, convert, factor_and_offset, is_absolute


@pytest.mark.parametrize(
    ("quantity", "spelling", "name"),
    [
        ("pressure", "IN H2O", "inH2O"),
        ("pressure", "in. H₂O", "inH2O"),
        ("pressure", "inH2O (60F)", "inH2O_60F"),
        ("pressure", "inH2O@4°C", "inH2O_4C"),
        ("pressure", "KPA", "kPa"),
        ("pressure", "kPa abs", "kPa_abs"),
        ("pressure", "psia", "psi_abs"),
        ("temperature", "°F", "F"),
        ("temperature", "deg C", "C"),
        ("distance", "Miles", "mi"),
        ("time", "µs", "us"),
        ("duty", "percent", "%"),
        ("flow", "SLPM", "l/min"),
        ("flow", "cc/min", "ml/min"),
        ("flow", "scfh", "ft3/h"),
    ],
)
def test_a_usual_spelling_is_found(quantity, spelling, name):
    assert canonical_unit(quantity, spelling) == name


def test_every_unit_is_found_by_its_own_name_in_either_case():
    for quantity, units in UNITS.items():
        for unit in units:
            assert canonical_unit(quantity, unit) == canonical_unit(quantity, unit.upper()) == unit


def test_every_quantity_has_its_own_unit_with_factor_one():
    for quantity, unit in OUR_UNIT.items():
        assert factor_and_offset(quantity, unit) == (1.0, 0.0)


def test_an_unknown_unit_is_refused_and_the_choices_are_named():
    with pytest.raises(WrongUsage, match="inH2O_60F") as error:
        convert(1.0, "pressure", "furlong")
    assert "'furlong'" in error.value.what


@pytest.mark.parametrize("unit", [None, "", "  "])
def test_a_missing_unit_is_refused_and_not_guessed(unit):
    with pytest.raises(WrongUsage, match="A pressure has no unit"):
        convert(1.0, "pressure", unit)


def test_an_unknown_quantity_is_refused():
    with pytest.raises(WrongUsage, match="luminosity"):
        canonical_unit("luminosity", "cd")


def test_only_absolute_units_are_absolute():
    assert is_absolute("kPa_abs")
    assert is_absolute("PSIA")
    assert not is_absolute("kPa")


def test_numbers_lists_arrays_and_columns_are_converted_alike():
    want = [0.0, 100.0]
    assert convert(212.0, "temperature", "F") == pytest.approx(100.0)
    assert convert([32.0, 212.0], "temperature", "F") == pytest.approx(want)
    assert convert(np.array([32.0, 212.0]), "temperature", "F") == pytest.approx(want)
    assert convert(pl.Series([32.0, 212.0]), "temperature", "F").to_list() == pytest.approx(want)


def test_a_missing_value_stays_missing():
    assert np.isnan(convert([np.nan], "pressure", "psi")).all()
