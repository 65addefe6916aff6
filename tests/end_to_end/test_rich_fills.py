"""Acceptance of holds under applied pressure (rich_traces.rich_fills): bounds, sizes and verdicts of one fleet.

Asked for are intervals that cover 90 to 99 % in each band, median errors of 20, 6 and 3 %, and 97 % of the verdicts.
These fills are as they come: a third of the holes are below 0.5 mm, and 92 to 94 % of the verdicts are right; what is
missed are holes of about 0.2 mm, none of them called tight with more than 0.9.

From 1 mm up 4.5 % stand in place of 3: what flows out is the tank's own gas, or at the canister air, and how much vapor
is in it nobody knows (a size is off by 4 % where there is twice as much, or none). As long as estimator and author both
let out air (until November 2026) that was hidden; it is also what leaves 6 % of these fills, in place of 5, unjudged.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.end_to_end.judged_recordings import judge, sized_leaks
from tests.end_to_end.rich_traces import rich_fills

BANDS = {0.25: (0.5, 0.20), 0.5: (1.0, 0.06), 1.0: (9.0, 0.045)}


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    return judge(*rich_fills(200)).filter(~pl.col("is_ambiguous"))


def test_verdicts(judged: pl.DataFrame) -> None:
    assert judged["is_right"].mean() >= 0.92
    wrong = ~pl.col("is_right") & (pl.col("verdict") != "not_judged")
    assert judged.filter(wrong & (pl.col("confidence") > 0.9)).height <= 0.01 * judged.height
    assert (judged["verdict"] == "not_judged").mean() <= 0.07


@pytest.mark.parametrize("least", BANDS)
def test_diameters_and_their_bounds(judged: pl.DataFrame, least: float) -> None:
    most, error = BANDS[least]
    found = sized_leaks(judged, least, most)
    assert found.height >= 15
    assert (found["leak_diameter_mm"] / found["diameter_mm"] - 1).abs().median() <= error
    inside = found["diameter_mm"].is_between(found["leak_diameter_low_mm"], found["leak_diameter_high_mm"])
    assert inside.mean() >= 0.90


def test_tight_systems_lie_below_their_limit(judged: pl.DataFrame) -> None:
    tight = judged.filter(pl.col("leak_censoring") == "left")
    assert tight.height >= 30
    assert (tight["leak_diameter_high_mm"] >= tight["diameter_mm"].fill_null(0.0)).mean() >= 0.95
