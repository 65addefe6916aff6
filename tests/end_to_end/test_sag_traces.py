"""What the measurement says of 600 recordings of the fleet where hoses of sensors sag, and what it does not hold.

The author had not read the estimator. First contact, 1,500 recordings under key 1, 1,124 of them clear: 96.3 % right,
2.5 % wrong, 0.6 % wrong with confidence 0.9 or more, 1.2 % not judged; of leaks of 0.25-0.5, 0.5-1 and from 1 mm up the
median error was 5.1, 4.3 and 4.0 %, the median signed error -3.9, -3.4 and -3.3 %, and 93, 96 and 97 % of intervals
held the truth. Three of its marks were the author's slips and are mended since: sensors that are flat at rest, which no
record tells from an open vent, draws that fell between two samples, and what the head of fuel in a sensor's hose hides.
Key 6 after that, 1,106 clear: 97.2 % right, 0.8 % wrong, 0.3 % surely so, 2.0 % not judged; median errors 5.7, 4.7 and
3.5 %, median signed errors -2.0, -2.6 and -2.7 %, intervals 98, 95 and 97 %.

Not held, or by some keys only, of what issue 3 asks: 3 % from 1 mm up (4.0, 3.7, 3.3, 2.9 and 3.5 % under keys 1, 2, 3,
5 and 6); 97 % right of draw-downs alone (96.5 % under key 6). Carbon of this fleet gives vapour back when drawn down
and takes it again in the hold: as gas it would be 8 % of the volume at the median, and leak over volume is told 7 % too
small by it (66 round holes above 0.5 mm; 1 % without carbon and all else as it is, with a median error of 2.1 % in the
place of 3.0 %). Cracks, whose flow goes with the pressure itself, come out 10 % too small, 3 % without carbon (11 of
them). A clock set back by 30 s, so that samples lie over earlier ones, leaves 16 of 22 recordings judged rightly. Where
the hose of the sensor holds fuel at its low point, its head stays as a vacuum of up to 100 Pa after the leak took the
rest, and of 12 leaks of 1 mm and more 9 intervals hold the truth: `sag-5-01358` is a hole of 1.95 mm told as 0.18 to
1.19 mm.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.end_to_end.judged_recordings import judge, sized_leaks, worst
from tests.end_to_end.sag_traces import sag_traces

N, KEY = 600, 4
BANDS = ((0.25, 0.5, 0.2), (0.5, 1.0, 0.06), (1.0, 9.0, 0.045))


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    return judge(*sag_traces(N, KEY))


@pytest.fixture(scope="module")
def clear(judged: pl.DataFrame) -> pl.DataFrame:
    return judged.filter(~pl.col("is_ambiguous"))


def test_the_fleet_shows_every_verdict_clearly_and_leaves_some_recordings_open(judged: pl.DataFrame) -> None:
    counted = judged.group_by("truth").agg(is_clear=(~pl.col("is_ambiguous")).sum())
    assert counted.height == 10
    assert counted["is_clear"].min() >= 5, counted
    assert 0.6 < 1 - judged["is_ambiguous"].mean() < 0.85


def test_clear_recordings_are_judged_as_they_are(clear: pl.DataFrame) -> None:
    is_left = ~clear["is_right"] & (clear["verdict"] == "not_judged")
    is_wrong = ~clear["is_right"] & ~is_left
    assert clear["is_right"].mean() >= 0.97, worst(clear)
    assert (is_wrong & (clear["confidence"] >= 0.9)).mean() <= 0.01, worst(clear)
    assert is_left.mean() <= 0.05, worst(clear)


@pytest.mark.parametrize(("least_mm", "below_mm", "error"), BANDS)
def test_leaks_are_sized_and_their_intervals_hold(
    clear: pl.DataFrame, least_mm: float, below_mm: float, error: float
) -> None:
    band = sized_leaks(clear.filter("is_sized"), least_mm, below_mm)
    assert band.height >= 20
    relative = (band["leak_diameter_mm"] / band["diameter_mm"] - 1).abs()
    assert relative.median() <= error
    held = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
    assert held.mean() >= 0.9


def test_tight_tanks_lie_below_their_detection_limit(clear: pl.DataFrame) -> None:
    tight = clear.filter((pl.col("truth") == "holds") & (pl.col("verdict") == "holds"))
    assert tight.height >= 80
    assert (tight["leak_censoring"] == "left").mean() >= 0.95
    assert (tight["leak_diameter_high_mm"] > 0.06).mean() >= 0.95


def test_carbon_makes_leaks_seem_smaller_by_less_than_a_tenth(clear: pl.DataFrame) -> None:
    leaks = sized_leaks(clear.filter(pl.col("is_sized") & (pl.col("place") != "crack")), 0.5, 9.0)
    assert -0.08 < (leaks["leak_diameter_mm"] / leaks["diameter_mm"] - 1).median() < 0.02
