"""A thirteenth author's lake, blind to the tool: what first contact gave, and what holds as reached since.

First contact (26 November 2026, `blanket_traces(1400, 1)`, judged once before any line of the estimator was read), of
1,260 clear ones: right 96.98 %, wrong 1.59 %, wrong though sure 0.63 %, not judged 1.51 %; tight below their limit
100 % of 471. Holes told as leaks, by band 0.25-0.5, 0.5-1 and from 1 mm: median error 7.3, 4.9 and 4.6 %, median signed
error -6.9, -4.8 and -4.6 %, interval holding the truth 100, 97.3 and 100 % of 76, 111 and 136. A second lake (key 2,
judged once): 97.63, 0.87, 0.32 and 1.58 % of 1,267; 100 % of 441; errors 4.5, 3.9 and 3.3 %, signed -2.7, -3.8 and
-3.3 %, always held (88, 114 and 119). So the mark of right verdicts was missed by a hair once and met once, that of
sizes from 1 mm up missed, and intervals are wider than they need be.

A slip of the author's, mended since: some sensors' lines went below 0 V within their range, so that volts of a deep
vacuum stood still while the pressure went on; all told as `sensor_disagrees` were such. Without it, keys 1 and 2:
97.70 and 98.03 % right, 0.24 and 0.08 % wrong and sure. Also the author's: where a gross leak begins (half gone within
1 s, whatever vacuum stood; the contract's cannot build any), and purges that are stuck on a tank that does not creep.

What is left lies with the volume: draws tell what a model holds beside its tank within 1.3 l (key 1) and 0.3 l
(key 2) in the mean, but a third of what sets a lake apart is taken for an error (`extra_volume.Lake.in_holds`), so that
4.0 and 2.6 l of 16.6 and 14.0 are missing. With the true volumes (gas, what carbon takes and walls give) errors are
4.2, 1.8, 1.1 and 3.7, 1.6, 1.5 %, and nothing is small by more than 0.5 % from 0.5 mm up: heat, vapor and holes are
told right.

Since, this lake and two others have moved what is believed of lakes in general (9 l, not 6.5; a quarter taken for an
error, not a third): keys 1 and 2, with the slip mended, then gave 6.0, 3.7, 3.4 and 4.4, 2.9, 2.0 %.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.end_to_end.blanket_traces import blanket_traces
from tests.end_to_end.judged_recordings import judge, sized_leaks, worst

SURE = 0.9
#: Causes with one sign that no other shares: of each, nearly all are to be right.
PLAIN_CAUSES = (
    "tight",
    "purge_passes",
    "vent_blocked",
    "reading_frozen",
    "reading_shifted",
    "volts_stray",
    "routine",
    "cut_short",
)


@pytest.fixture(scope="module")
def clear() -> pl.DataFrame:
    return judge(*blanket_traces(500, 3)).filter(~pl.col("is_ambiguous"))


def test_most_verdicts_are_right(clear: pl.DataFrame) -> None:
    """Measured 98.4 % of 450."""
    assert clear.height > 400
    assert clear["is_right"].mean() >= 0.97, worst(clear)


def test_hardly_any_is_wrong_though_sure(clear: pl.DataFrame) -> None:
    """Measured none of 450."""
    wrong = clear.filter(
        ~pl.col("is_right") & (pl.col("verdict") != "not_judged") & (pl.col("confidence") >= SURE)
    )
    assert wrong.height <= 0.005 * clear.height, worst(wrong)


def test_few_good_recordings_are_not_judged(clear: pl.DataFrame) -> None:
    """Measured 1.0 %."""
    good = clear.filter(pl.col("truth") != "not_judged")
    assert (good["verdict"] == "not_judged").mean() <= 0.025


@pytest.mark.parametrize("cause", PLAIN_CAUSES)
def test_plain_causes_are_told(clear: pl.DataFrame, cause: str) -> None:
    mine = clear.filter(pl.col("cause") == cause)
    assert mine.height >= 6
    assert (~mine["is_right"]).sum() <= max(1, 0.02 * mine.height), worst(mine)


def test_tight_tanks_lie_below_their_limit(clear: pl.DataFrame) -> None:
    """Measured all of 154."""
    tight = clear.filter(pl.all_horizontal(pl.col("truth", "verdict") == "holds"))
    assert tight.height > 120
    assert (tight["diameter_mm"] < tight["leak_diameter_high_mm"]).mean() >= 0.98


@pytest.mark.parametrize(
    ("least_mm", "below_mm", "error", "n"),
    [(0.25, 0.5, 0.075, 25), (0.5, 1.0, 0.04, 35), (1.0, 9.0, 0.03, 50)],
)
def test_diameters_are_near_the_truth(
    clear: pl.DataFrame, least_mm: float, below_mm: float, error: float, n: int
) -> None:
    """Measured 4.7, 2.7 and 2.4 % of 30, 42 and 61; marks of issue 3 are 20, 6 and 3 %."""
    band = sized_leaks(clear.filter("is_sized"), least_mm, below_mm)
    assert band.height >= n
    assert (band["leak_diameter_mm"] / band["diameter_mm"] - 1).abs().median() <= error


@pytest.mark.parametrize(("least_mm", "below_mm"), [(0.25, 0.5), (0.5, 1.0), (1.0, 9.0)])
def test_intervals_hold_the_truth(clear: pl.DataFrame, least_mm: float, below_mm: float) -> None:
    """Measured all of 30, 42 and 61: more than the 90 to 99 % that are asked for."""
    band = sized_leaks(clear.filter("is_sized"), least_mm, below_mm)
    held = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
    assert held.mean() >= 0.95


def test_volumes_that_come_out_short_make_holes_small_and_no_smaller(clear: pl.DataFrame) -> None:
    """Measured -1.9 % from 1 mm up: most by what is believed of lakes in general (see above)."""
    band = sized_leaks(clear.filter("is_sized"), 1.0, 9.0)
    assert -0.03 <= (band["leak_diameter_mm"] / band["diameter_mm"] - 1).median() <= 0.01


def test_a_key_gives_one_lake() -> None:
    one, other = blanket_traces(6, 5), blanket_traces(6, 5)
    assert all(a.equals(b) for a, b in zip(one, other, strict=True))
    assert not one[0].equals(blanket_traces(6, 6)[0])
