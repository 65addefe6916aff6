"""Recordings of tanks whose fuel gives off dissolved air, by an author who had not read the estimator.

Held, and asserted of 600 recordings under key 18: the verdicts, the errors of the diameters, intervals that hold
the truth, and limits that tight systems lie below, all by the figures that the project asks of itself.

Not held, and so only stated (1,500 recordings each under keys 2 and 3 unless said otherwise; shares of clear ones):

- Intervals of leaks hold the truth in 99 to 100 % of cases, where 90 to 99 % was asked: they are wider than need be.
- Fills alone are judged rightly in 92 %, not 97: 7 % are left unjudged, since the gas cools and fuel takes up vapor.
- A leak behind the canister that is measured under pressure is told 12 % too large (median of 24): carbon keeps the
  fuel's heavy vapor from it, and the record does not tell that air alone flows there. The intervals hold the truth.
- Median error from 1 mm up: 2.7 % of key 3, 2.6 % of key 2, and 3.1 % of 49 in a lake of 600 (key 19).
- Where a tank holds more than twice as much fuel as gas, draw-downs are told 4 % too large, by vapor that is taken for
  a leak (without the vapor: 3 % too small).
- Purge valves that pass little (below 0.12 l/min) are told as holding in 9 of 13, five of them with 0.9 or more.
- A clock that is set back by 20 s: three of 32 are left unjudged, when a run has refused the samples that lie over
  earlier ones; none is told wrongly.
- Ten lakes of 150 each in place of one: 96.0 and 96.7 % right, 1.6 and 0.8 % wrong with 0.9 or more. Most of these are
  sensors whose gain or zero of the volts is not their model's: of 74 such sensors 54 are found, since it takes four
  recordings of a model with volts to tell.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.end_to_end.fizz_traces import fizz_traces
from tests.end_to_end.judged_recordings import judge, sized_leaks, worst

SURE = 0.9


@pytest.fixture(scope="module")
def clear() -> pl.DataFrame:
    """Return the judged recordings that somebody could tell."""
    return judge(*fizz_traces(600, 18)).filter(~pl.col("is_ambiguous"))


def test_every_fault_is_among_them(clear: pl.DataFrame) -> None:
    """Ten verdicts are asked for, three recordings of each at least, and most recordings are clear."""
    counts = dict(clear.group_by("truth").len().iter_rows())
    assert len(counts) == 10
    assert min(counts.values()) >= 3
    assert clear.height > 450


@pytest.mark.parametrize("kinds", [("draw", "fill", "steady", "routine"), ("draw",)])
def test_verdicts_are_right(clear: pl.DataFrame, kinds: tuple[str, ...]) -> None:
    """At least 97 % right, wrong for sure in at most 1 %, not judged in at most 5 %; of draw-downs alone as well."""
    of = clear.filter(pl.col("kind").is_in(kinds))
    is_left = ~of["is_right"] & (of["verdict"] == "not_judged")
    is_sure = ~of["is_right"] & ~is_left & (of["confidence"] >= SURE)
    assert of["is_right"].mean() >= 0.97, worst(of)
    assert is_sure.mean() <= 0.01, worst(of)
    assert is_left.mean() <= 0.05, worst(of)


@pytest.mark.parametrize(("low", "high", "error"), [(0.25, 0.5, 0.20), (0.5, 1.0, 0.06), (1.0, 9.0, 0.03)])
def test_diameters_are_near_the_truth(clear: pl.DataFrame, low: float, high: float, error: float) -> None:
    """The median error of all kinds, and of draw-downs alone; intervals hold the truth in at least 90 %."""
    for of in (clear, clear.filter(pl.col("kind") == "draw")):
        band = sized_leaks(of.filter("is_sized"), low, high)
        assert band.height >= 20
        off = (band["leak_diameter_mm"] / band["diameter_mm"] - 1).abs().median()
        inside = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
        assert off <= error
        assert inside.mean() >= 0.90


@pytest.mark.parametrize("kinds", [("draw", "fill", "steady"), ("draw",)])
def test_tight_systems_lie_below_their_limits(clear: pl.DataFrame, kinds: tuple[str, ...]) -> None:
    """At least 95 % of known size are told to hold, with a limit that the little they seep is below."""
    is_tight = (pl.col("truth") == "holds") & pl.col("is_sized") & pl.col("kind").is_in(kinds)
    tight = clear.filter(is_tight)
    is_below = pl.col("diameter_mm") <= pl.col("leak_diameter_high_mm")
    told = tight.filter((pl.col("verdict") == "holds") & (pl.col("leak_censoring") == "left") & is_below)
    assert told.height / tight.height >= 0.95, worst(tight)


def test_a_tight_system_without_its_tanks_size_has_a_limit_by_volume(clear: pl.DataFrame) -> None:
    """No diameter is told without a tank's size or a level, but an area for each volume of gas."""
    is_told = (pl.col("verdict") == "holds") & (pl.col("truth") == "holds") & (pl.col("kind") != "steady")
    told = clear.filter(is_told & ~pl.col("is_sized"))
    assert told.height >= 5
    assert told["leak_area_per_volume_high_mm2_m3"].null_count() == 0
