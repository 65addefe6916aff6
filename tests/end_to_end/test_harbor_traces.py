"""Verdicts and sizes of a fifteenth author's fleet: gas slow to warm, carbon that takes vapor, a dome above "full".

The author had read neither the estimator nor the other fleets. First contact (key 1501, 1,450 recordings, 1,352 clear
by rules committed before; judged once, nothing mended):

    what          n   right  wrong  not j.  sure    0.25-0.5 mm      0.5-1 mm         1 mm up
                                                    err bias cover   err bias cover   err  bias cover
    all        1352   96.5    0.7    2.8    0.2    10.0 +10.0 96.3   6.7 +6.6 93.4    3.2  +3.2 98.0
    draw-down   987   97.2    0.9    1.9    0.3     9.3  +7.5 96.2   7.4 +6.9 90.9    3.2  +3.2 96.7
    fill        137   88.3    0.0   11.7    0.0    32.4 +32.4  100   6.6 +6.6  100   11.4 +10.6  100
    flow         86   96.5    0.0    3.5    0.0     5.4  +2.7 92.9   3.6 -0.4  100    2.1  +0.8  100
    routine     142    100      0      0      0

Second lake (key 1502, 1,370 clear, judged once):

    all        1370   95.9    0.7    3.4    0.1     8.9  +8.7 95.3   9.9 +9.9 81.1    4.4  +4.4 99.4
    draw-down   991   96.7    0.8    2.5    0.1     8.0  +7.8 94.9   9.9 +9.9 73.0    4.0  +4.0 99.2
    fill        133   89.5    0.0   10.5    0.0    30.6 +30.6 88.9  12.1 +12.1 100   11.0 +11.0  100
    flow         87   89.7    1.1    9.2    0.0     7.2  +4.2  100   7.9 +7.9  100    3.1  +2.7  100
    routine     159    100      0      0      0

Tight systems below their limit: all of 632 and of 642, limits 0.21 mm at the median.

Slips of the author, seen after both. Duty, purge valve and vacuum of a model were drawn apart, so that three models of
each lake were drawn in less than 1 s; the lag of valve and sensor (0.1 to 0.4 s) is then much of the draw, and the
volume learned 2 l too large: with lags of 0.03 s the second lake's bias from 1 mm up falls from +4.0 to +0.2 % (draws,
holes at the tank). Draws take 4 to 12 s since. And where no vacuum came and nothing crept, a purge that is stuck and an
open system look alike: to judge nothing is fair since. So mended, a new lake (key 1504, 1,361 clear) stands at:

    all        1361   98.0    0.7    1.3    0.3     5.2  +2.0 98.7   3.4 +2.3 94.8    3.1  +2.8 98.4
    draw-down  1007   98.7    0.9    0.4    0.4     4.2  +1.2 98.2   2.8 +1.6 92.3    2.9  +2.1 97.4
    fill        134   90.3    0.0    9.7    0.0    12.4 +12.4  100   7.4 +7.4  100    6.6  +6.6  100
    flow         60   98.3    0.0    1.7    0.0     5.3  -3.2  100   5.1 +0.9  100    2.5  +2.2  100

The volume learned is then 0.8 % too small at the median, -4 to +3.5 % by model.

What stays is the estimator's. A sensor is told flat, and surely, where a step of 25 Pa hides what little a gross leak
moves at the vented reading (five in two mended lakes: half of what is wrong though sure). A fill that loses a
third of its pressure in a minute, or all of it through a crack, is not judged. Of holes told to hold, all in draws lie
inside the limit told beside them. Holes beyond the carbon lose vapor to it on the way out: fills +11 % there, +3 at
the tank (1 mm up).

What the author doubts: 3 to 5.5 W/m2K for gas to wall (three times as much took the second lake's bias below 1 mm
from +8 and +10 to +4 and +3 %), two of five holes beyond the carbon, whose vapor comes and goes within 20 s without
heat, and a purge flow that does not mind how heavy the vapor is.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.end_to_end.harbor_traces import harbor_traces
from tests.end_to_end.judged_recordings import judge, sized_leaks, worst


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    return judge(*harbor_traces(500, 1503))


@pytest.fixture(scope="module")
def clear(judged: pl.DataFrame) -> pl.DataFrame:
    return judged.filter(~pl.col("is_ambiguous"))


def test_nearly_all_verdicts_are_right_and_hardly_one_is_wrong_though_sure(clear: pl.DataFrame) -> None:
    """Reached: 97.6 % right (asked: 97), 0.2 wrong, none of them sure (asked: 1), 2.1 not judged (asked: 5)."""
    is_left = ~clear["is_right"] & (clear["verdict"] == "not_judged")
    is_wrong = ~clear["is_right"] & ~is_left
    assert clear.height > 450
    assert clear["is_right"].mean() >= 0.97, worst(clear)
    assert is_wrong.mean() <= 0.007, worst(clear)
    assert (is_wrong & (clear["confidence"] >= 0.9)).mean() <= 0.004, worst(clear)
    assert is_left.mean() <= 0.027, worst(clear)


def test_a_leak_is_told_to_hold_only_below_the_limit_that_is_told_with_it(clear: pl.DataFrame) -> None:
    missed = clear.filter((pl.col("truth") == "leak") & (pl.col("verdict") == "holds"))
    assert missed.height <= 2
    assert (missed["diameter_mm"] <= missed["leak_diameter_high_mm"]).all()


def test_fills_that_are_judged_are_right(clear: pl.DataFrame) -> None:
    """Under pressure 12.8 % are left, more than asked, but nothing is wrong."""
    fills = clear.filter(pl.col("kind") == "fill")
    is_left = fills["verdict"] == "not_judged"
    assert (fills["is_right"] | is_left).all(), worst(fills)
    assert is_left.mean() <= 0.18


def test_tight_systems_lie_below_their_limit(clear: pl.DataFrame) -> None:
    tight = clear.filter(pl.all_horizontal(pl.col("truth", "verdict") == "holds"))
    assert tight.height > 190
    assert (tight["diameter_mm"] <= tight["leak_diameter_high_mm"]).mean() >= 0.99


@pytest.mark.parametrize(
    ("least_mm", "below_mm", "error", "cover"),
    # Reached 8.2, 4.2 and 2.4 % (asked: 20, 6 and 3), coverage 100, 96.4 and 100 % (asked: 90 to 99).
    [(0.25, 0.5, 0.10, 0.95), (0.5, 1.0, 0.055, 0.92), (1.0, 9.0, 0.03, 0.95)],
)
def test_sizes_and_their_intervals(
    judged: pl.DataFrame, least_mm: float, below_mm: float, error: float, cover: float
) -> None:
    """All holes of the band, in draws, fills and flows; cracks have no size and are left out."""
    band = sized_leaks(judged.filter("is_sized"), least_mm, below_mm)
    assert band.height >= 22
    off = (band["leak_diameter_mm"] / band["diameter_mm"] - 1).abs()
    inside = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
    assert off.median() <= error
    assert inside.mean() >= cover
