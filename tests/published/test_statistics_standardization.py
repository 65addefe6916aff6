"""Indirect standardization against a published example."""

import pytest

from pipeline.statistics.standardization import expected_counts

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
    """Expected deaths of 1940. The people of 1960, taken so often that those of 1940 do not count, set the rates."""
    often = 1e12
    fit = expected_counts(
        DEATHS_1940 + [often * n for n in DEATHS_1960],
        PEOPLE_1940 + [often * n for n in PEOPLE_1960],
        [*range(11), *range(11)],
        ["1940"] * 11 + ["1960"] * 11,
    )
    assert fit.groups[0] == "1940"
    assert float(fit.observed[0]) == 71058
    assert float(fit.expected[0]) == pytest.approx(85556.888845, abs=6e-7)
