"""ACCOUNT"""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from tests.end_to_end.judged_recordings import judge, worst
from tests.end_to_end.layered_marks import measured
from tests.end_to_end.layered_traces import layered_traces
from tests.end_to_end.layered_truth import (
    BANDS_MM,
    COVERAGE,
    LEAST_BELOW_LIMIT,
    LEAST_RIGHT,
    MOST_NOT_JUDGED,
    MOST_SURE_AND_WRONG,
)

KEY, N = 20261126, 400


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    return judge(*layered_traces(N, KEY))


@pytest.fixture(scope="module")
def numbers(judged: pl.DataFrame) -> dict[str, Any]:
    return measured(judged)


def test_the_same_key_makes_the_same_recordings() -> None:
    """One key, one lake: samples, headers and truth to the last digit."""
    for one, other in zip(layered_traces(25, 3), layered_traces(25, 3), strict=True):
        assert one.equals(other, null_equal=True)


def test_verdicts_are_right(judged: pl.DataFrame, numbers: dict[str, Any]) -> None:
    """Of the clear recordings nearly all are judged right, few surely wrong, few left unjudged."""
    assert numbers["right"] >= LEAST_RIGHT, worst(judged.filter(~pl.col("is_ambiguous")))
    assert numbers["sure_wrong"] <= MOST_SURE_AND_WRONG, worst(judged.filter(~pl.col("is_ambiguous")))
    assert numbers["not_judged"] <= MOST_NOT_JUDGED


@pytest.mark.parametrize("band", BANDS_MM, ids=lambda b: f"{b[0]}-{b[1]} mm")
def test_diameters_are_as_near_as_asked(numbers: dict[str, Any], band: tuple[float, float, float]) -> None:
    """The median error of a band keeps its mark."""
    assert numbers[f"{band[0]}"]["n"] >= 10
    assert numbers[f"{band[0]}"]["median_error"] <= band[2]


@pytest.mark.parametrize("band", BANDS_MM, ids=lambda b: f"{b[0]}-{b[1]} mm")
def test_intervals_hold_the_truth(numbers: dict[str, Any], band: tuple[float, float, float]) -> None:
    """The 95 % interval of a band holds the true diameter as often as it says, no more than it must."""
    assert COVERAGE[0] <= numbers[f"{band[0]}"]["coverage"]


def test_tight_systems_lie_below_their_limit(numbers: dict[str, Any]) -> None:
    """A system that holds is tighter than the bound stated for it."""
    assert numbers["n_tight"] >= 50
    assert numbers["below_limit"] >= LEAST_BELOW_LIMIT
