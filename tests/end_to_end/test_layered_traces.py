"""Recordings of tanks whose vapor lies in layers, judged: an eleventh author's first contact, and the marks since.

The tank: vapor and air in a rich layer, a dome and a canister whose carbon keeps vapor and lends air; heat of the wall;
shells that give and creep; holes that are sharp, drilled or cracks, at the tank or at the canister; purge valves that a
control module opens further where nothing comes; sensors and recorders of eight shops. Marks: `layered_truth`.

First contact (26 November 2026, 17:30 UTC, key 20261126, the tool's head of that hour): 2,003 recordings, 1,539 clear.
Right 98.0 %, sure and wrong 0.13 %, not judged 1.9 %; tight below limit 859 of 859. Sized leaks, median |error|, bias,
coverage: 0.25-0.5 mm 6.7 %, +3.5 %, 92.5 % (67); 0.5-1 mm 5.1 %, +3.8 %, 86.7 % (188); 1 mm up 3.9 %, +3.2 %,
87.2 % (156).
Draw-downs (1,627; right 98.2 %): 5.2, 4.9, 3.6 %; coverage 96.3, 90.8, 95.0 %. Fills (181; right 93.8 %): 13.8, 7.5,
11.8 %; coverage 70.0, 77.4, 45.8 %. Steady flows (86; right 100 %): 2.1, 1.5, 2.2 %; coverage 100, 66.7, 91.7 %.

The author's slips of it, since mended: a gross leak was called clear with up to half the aim built (8 recordings: no
reader knows the aim); fills that never showed an inch of water were called clear (8: no column tells that gas was fed);
an offset was called clear without a recorded release (2 later ones); vapor thinned the gas too much, and the truth of a
crack under pressure took another vapor share than the one that flowed. Mended, key 2213, 2,001 recordings, 1,515 clear:
right 99.4 %, sure and wrong 0.13 %, not judged 0.5 %; 6.3, 5.1, 3.8 %; coverage 88.7, 88.7, 94.7 %; draw-downs 96.0,
92.8, 98.6 %; fills 71.4, 63.3, 75.0 %; flows 71.4, 94.1, 88.9 %.

The tool's misses. (1) Under pressure, a hole at the canister: the gas that leaves the tank leaves its vapor on the
carbon, so the tank loses up to half as much again as the hole passes, and what passes is lean; fills read 20 to 33 %
large, flows 12 to 31 %, and the interval, which knows no such loss, holds one in five. (2) Gas volume by model: where
the purge duty climbs in long draws of large tanks, the volume beside the ullage is learned 4 l short to 10 l long, and
the diameters of one model go wrong together (-4 to +12 %). (3) A tank filled in seconds cools for most of a minute:
fills of holes at the tank read 4 to 9 % large. (4) An offset sensor is called a restricted vent, surely, though the
reading jumps back to the very same value when the vent opens. (5) A draw cut after 0.5 to 2 s of a commanded ramp is
surely "no vacuum". (6) A fill of 900 Pa behind a hole of 5 mm, fed for a minute and a half, is read as a hold.
Since (2), (4) and (5) are mended, with these recordings in sight, 98.3 % of the first fleet are right (sure and wrong
0.1 %, not judged 1.5 %) and 99.7 % of key 2213 (0.0 and 0.3 %); errors are 4.1, 3.7, 2.5 and 5.6, 4.0, 2.5 %, coverage
95.5, 95.7, 94.2 and 91.5, 93.0, 97.1 %. (1) is known of since: such holes read as large as before, and their intervals
hold them; coverage 98.5, 100, 98.1 % of the first fleet; fills 90, 100, 100 %, flows 100 %.
"""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from tests.end_to_end.judged_recordings import judge, sized_leaks, worst
from tests.end_to_end.layered_marks import measured, pressed_at_canister
from tests.end_to_end.layered_traces import layered_traces
from tests.end_to_end.layered_truth import (
    BANDS_MM,
    COVERAGE,
    LEAST_BELOW_LIMIT,
    LEAST_RIGHT,
    MOST_NOT_JUDGED,
    MOST_SURE_AND_WRONG,
)

KEY, N = 2213, 1200

#: Levels of today where a mark is missed; the mark stands beside each.
PRESSED_AT_CANISTER_HELD = 0.75  # mark 0.90 of all; of eleven here: (1)
PRESSED_AT_CANISTER_RATIO = 1.35  # mark 1.03 to 1.20 by band: (1)


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
    clear = judged.filter(~pl.col("is_ambiguous"))
    assert len(clear) >= 800
    assert numbers["right"] >= LEAST_RIGHT, worst(clear)
    assert numbers["sure_wrong"] <= MOST_SURE_AND_WRONG, worst(clear)
    assert numbers["not_judged"] <= MOST_NOT_JUDGED, worst(clear)


@pytest.mark.parametrize("band", BANDS_MM, ids=lambda b: f"{b[0]}-{b[1]} mm")
def test_diameters_are_as_near_as_asked(numbers: dict[str, Any], band: tuple[float, float, float]) -> None:
    """The median error of a band keeps its mark."""
    found = numbers[f"{band[0]}"]
    assert found["n"] >= 30
    assert found["median_error"] <= band[2]


@pytest.mark.parametrize("band", BANDS_MM, ids=lambda b: f"{b[0]}-{b[1]} mm")
def test_intervals_hold_the_truth(judged: pl.DataFrame, band: tuple[float, float, float]) -> None:
    """The 95 % interval holds the true diameter as often as the mark asks, holes pressed at the canister and all."""
    found = measured(judged)[f"{band[0]}"]
    assert found["n"] >= 30
    assert found["coverage"] >= COVERAGE[0]


def test_a_hole_at_the_canister_reads_no_larger_than_today(judged: pl.DataFrame) -> None:
    """Under pressure its vapor stays on the carbon and is counted as leaked: the mark is missed, the level is kept."""
    sized = sized_leaks(judged.filter(pl.col("is_sized") & pressed_at_canister()), 0.25, 99.0)
    assert len(sized) >= 8
    held = pl.col("diameter_mm").is_between("leak_diameter_low_mm", "leak_diameter_high_mm")
    assert sized.select(held.mean()).item() >= PRESSED_AT_CANISTER_HELD
    assert (sized["leak_diameter_mm"] / sized["diameter_mm"]).median() <= PRESSED_AT_CANISTER_RATIO


def test_tight_systems_lie_below_their_limit(numbers: dict[str, Any]) -> None:
    """A system that holds is tighter than the bound stated for it."""
    assert numbers["n_tight"] >= 100
    assert numbers["below_limit"] >= LEAST_BELOW_LIMIT
