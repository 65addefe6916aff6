"""Indirect standardization against a published example."""

import numpy as np
import pytest

from pipeline.statistics.standardization import expected_counts, standardized_ratio

# S. Selvin, Statistical Analysis of Epidemiologic Data (2004), as in R epitools `ageadjust.indirect`: US cancer
# deaths 1940 on the rates of 1960, 11 ages. Observed 71058, expected 85556.89, ratio 0.83 (0.82, 0.84)
# [public example, output from running it]; 6 digits by numpy [two libraries].
DEATHS_1960 = [141, 926, 1253, 1080, 1869, 4891, 14956, 30888, 41725, 26501, 5928]
PEOPLE_1960 = [
    1784033,
    7065148,
    15658730,
    10482916,
    9939972,
    10563872,
    9114202,
    6850263,
    4702482,
    1874619,
    330915,
]
DEATHS_1940 = [45, 201, 320, 670, 1126, 3160, 9723, 17935, 22179, 13461, 2238]
PEOPLE_1940 = [
    906897,
    3794573,
    10003544,
    10629526,
    9465330,
    8249558,
    7294330,
    5022499,
    2920220,
    1019504,
    142532,
]


def test_selvin_cancer_deaths():
    """Expected deaths, their ratio and its exact (Garwood) limits."""
    ages = np.arange(11)
    fit = expected_counts(DEATHS_1940, PEOPLE_1940, ages, ["1940"] * 11, (ages, DEATHS_1960, PEOPLE_1960))
    assert float(fit.observed[0]) == 71058
    assert float(fit.expected[0]) == pytest.approx(85556.888845, abs=6e-7)
    ratio = standardized_ratio(fit.observed, fit.expected)
    assert [float(v[0]) for v in ratio] == pytest.approx([0.830535, 0.824440, 0.836665], abs=6e-7)
    crude_1960 = sum(DEATHS_1960) / sum(PEOPLE_1960) * 1e5
    assert float(ratio.value[0]) * crude_1960 == pytest.approx(137.941454, abs=1e-6)
