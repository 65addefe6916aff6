"""VIN check digit and model year (49 CFR 565.15), and pressure units (NIST SP 811, appendix B.8).

Sources: [C] the clause was read in a public mirror; [P] a transcription of the table was read;
[D] derived by calculation from facts beside it.
"""

import numpy as np
import pint
import pytest
from scipy import constants

from pipeline.errors import WrongUsage
from pipeline.standards.units import UNITS, convert
from pipeline.standards.vin import VALUES, WEIGHTS, check_digit, is_valid_vin, vin_model_year


def test_the_rules_own_worked_example():
    # [C] 49 CFR 565.15(c), Table VI: products sum to 411, 411 = 37 x 11 + 4. (The rule prints this sample.)
    sample = "1G4AH59H?5G118341"
    total = sum(VALUES[c] * w for i, (c, w) in enumerate(zip(sample, WEIGHTS, strict=True)) if i != 8)
    assert total == 411
    assert check_digit(sample) == "4"


@pytest.mark.parametrize(
    "vin", ["1" * 17, "0" * 17, "0ZZSYNTH2R0000001", "0ZZSYNTHXR0000005", "0ZZSYNTH1R0000006"]
)
def test_numbers_with_a_known_check_digit_are_valid(vin):
    # [D] weights sum to 89 = 8 x 11 + 1, so seventeen 1s carry 1; synthetic numbers computed by hand.
    assert is_valid_vin(vin)


@pytest.mark.parametrize("letter", "IOQ")
def test_i_o_and_q_have_no_value(letter):
    # [C] Table III
    assert not is_valid_vin(letter + "1" * 16)


@pytest.mark.parametrize(
    ("position_7", "code", "year"),
    [("A", "A", 2010), ("A", "H", 2017),
     ("A", "J", 2018), ("Z", "T", 2026), ("B", "Y", 2030), ("C", "1", 2031),
     ("C", "9", 2039), ("1", "5", 2005), ("1", "9", 2009), ("0", "A", 1980), ("9", "Y", 2000)],
)  # fmt: skip
def test_model_year(position_7, code, year):
    # [C] 49 CFR 565.15(d)(1): position 10; a letter in position 7 says 2010-2039.
    assert vin_model_year(f"0ZZSYN{position_7}HX{code}0000005") == year


@pytest.mark.parametrize(
    ("unit", "pascal"),
    [
        # [P] NIST SP 811 B.8
        ("inH2O", 249.0889),
        ("inH2O_4C", 249.082),
        ("inH2O_60F", 248.84),
        ("inHg", 3386.389),
        ("mmHg", 133.3224),
        ("mmH2O", 9.80665),
        ("psi", 6894.757),
        ("kPa", 1000.0),
        ("mbar", 100.0),
        ("hPa", 100.0),
    ],
)
def test_pressure_units(unit, pascal):
    assert convert(1.0, "pressure", unit) == pytest.approx(pascal, rel=1e-9)


@pytest.mark.parametrize(
    ("inches", "pascal"),
    [(8, 1992.71), (13.5, 3362.70), (14, 3487.24), (14.5, 3611.79), (26, 6476.31), (30, 7472.67)],
)
def test_test_pressures_in_inches_of_water(inches, pascal):
    # [D] conventional inch of water
    assert convert(inches, "pressure", "inH2O") == pytest.approx(pascal, abs=0.006)


def test_the_conventional_inch_of_water_follows_from_gravity_and_the_inch():
    # [D] g_n x 1000 kg/m3 x 0.0254 m, with the constants of scipy (CODATA)
    assert convert(1.0, "pressure", "inH2O") == pytest.approx(constants.g * 1000 * constants.inch, rel=1e-6)
    assert 1 - convert(1, "pressure", "inH2O_60F") / convert(1, "pressure", "inH2O") == pytest.approx(
        0.000999, abs=1e-6
    )


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [("inH2O", "inH2O"), ("inH2O_4C", "inch_H2O_4C"), ("inH2O_60F", "inch_H2O_60F"), ("mmHg", "mmHg"),
     ("inHg", "inHg"), ("psi", "psi"), ("mbar", "mbar")],
)  # fmt: skip
def test_pressure_units_agree_with_an_independent_library(ours, theirs):
    # pint's own unit registry, rounded as NIST prints it
    want = pint.UnitRegistry().Quantity(1.0, theirs).to("Pa").magnitude
    assert convert(1.0, "pressure", ours) == pytest.approx(want, rel=2e-6)


def test_every_unit_round_trips():
    # [D] check item 13: within 1e-9
    values = np.array([-40.0, 0.0, 14.0, 1e4])
    for quantity, units in UNITS.items():
        for unit, (factor, offset) in units.items():
            assert (convert(values, quantity, unit) - offset) / factor == pytest.approx(
                values, abs=1e-9, rel=1e-9
            )


def test_an_inch_of_water_without_a_unit_is_flagged_and_not_guessed():
    # check item 13
    with pytest.raises(WrongUsage, match="Declare one of"):
        convert(14.0, "pressure", None)


def test_temperature_offsets_are_exact():
    # [D] definitions of the Celsius and Fahrenheit scales
    assert convert(np.array([273.15, 298.15]), "temperature", "K") == pytest.approx([0, 25])
    assert convert(np.array([-40.0, 77.0]), "temperature", "F") == pytest.approx([-40, 25])
