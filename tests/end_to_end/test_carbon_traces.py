"""The ninth author's fleet, judged: tanks that breathe through a bed of carbon, six shops, fills and fed flows.

He had not read the estimator. His marks (`carbon_truth`) stood before any recording did. First contact, 3,000
recordings under key 90009, and again under 90010 once he had mended what it showed to be wrong in his own fleet: cuts
before which a whole hold had been recorded, flat sensors over tanks that nothing had moved, releases that nobody
recorded, half-lives of cracks taken from the law of a sharp hole, holes whose flow was counted on after their vacuum
was gone, beds of one width in cars and vans, no relief in the cap.

    clear recordings (of good ones: not judged)      90009           90010
    n                                                2,452           2,421
    right                                            89.97 %         91.16 %
    sure (0.9) and wrong                             3.02 %          1.86 %
    not judged                                       5.92 %          5.81 %

    leaks told as leaks: median error, bias, interval holds the truth, n
    0.25-0.5 mm    8.77 %  +8.56 %  86.2 %  247      7.98 %  +6.61 %  86.7 %  248
    0.5-1 mm       5.82 %  +4.51 %  84.1 %  290      4.83 %  +3.48 %  87.9 %  289
    1 mm up        4.19 %  +2.98 %  91.0 %  346      4.12 %  +2.77 %  89.7 %  349
    fills          10.56, 7.55 and 4.07 %, n 79      15.54, 5.60 and 2.73 %, n 90
    fed flows      6.25, 2.94 and 6.21 %, n 122      5.93, 6.13 and 7.83 %, n 124
    tight: bound above the hole 100 % of 815         100 % of 846

Of 90010 without leaks behind the carbon: 7.03, 4.46 and 3.76 %; 88.8, 90.9 and 93.8 % inside. A leak behind it
brings in air that takes up vapor on its way, and looks larger by 7 to 18 %; of those 59 to 68 % lay inside. Wrong
and sure were 45, of them 32 tight tanks told to leak: in the half that was looked at, fuel and warming gas gave back
12 to 35 % of the vacuum, and holes of 0.2 to 0.4 mm were told.

Since the lake's own tight tanks tell how fast its fuel gives vapor back (`traces/fleet_vapor.py`), and a feed drives
vapor out, of the same fleets 94.4 and 95.2 % are right, 0.8 and 0.6 % sure and wrong, 3.8 and 3.3 % not judged; errors
are 6.2, 4.8, 3.9 and 6.2, 4.0, 3.4 %, and 91, 89, 91 and 91, 89, 90 % lie inside. Half of what is missed is on his line
of leak and gross leak. Since all models of a lake tell what lies beside a tank's ullage (`traces/extra_volume.py`)
errors are 5.8, 4.5, 3.7 and 5.9, 3.7, 3.7 %, and 95, 94, 96 and 97, 95, 97 % lie inside.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.end_to_end.carbon_traces import carbon_traces
from tests.end_to_end.carbon_truth import BANDS_MM, BOUND_ABOVE_HOLE, COVERAGE, MEDIAN_ERROR, SURE
from tests.end_to_end.judged_recordings import judge, sized_leaks, worst

NUMBER, KEY = 500, 90010
#: Levels of these 500, where the marks are missed: 94.3 % right, from 1 mm up 3.7 %.
RIGHT, SURE_AND_WRONG, NOT_JUDGED = 0.935, 0.01, 0.05
MOST_ERROR = (*MEDIAN_ERROR[:2], 0.042)
LEAST_INSIDE = (COVERAGE[0], COVERAGE[0], COVERAGE[0])


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    return judge(*carbon_traces(NUMBER, KEY))


@pytest.fixture(scope="module")
def clear(judged: pl.DataFrame) -> pl.DataFrame:
    return judged.filter(~pl.col("is_ambiguous"))


def test_verdicts_of_clear_recordings_are_right(clear: pl.DataFrame) -> None:
    assert clear.height > 300
    assert clear["is_right"].mean() >= RIGHT, worst(clear)


def test_few_are_wrong_and_sure_of_it(clear: pl.DataFrame) -> None:
    is_told = pl.col("verdict") != "not_judged"
    sure = clear.filter(~pl.col("is_right") & is_told & (pl.col("confidence") >= SURE))
    assert sure.height <= SURE_AND_WRONG * clear.height, worst(sure)


def test_few_good_recordings_are_not_judged(clear: pl.DataFrame) -> None:
    good = clear.filter(pl.col("truth") != "not_judged")
    left = good.filter(pl.col("verdict") == "not_judged")
    assert left.height <= NOT_JUDGED * good.height, worst(left)


def test_every_verdict_occurs(clear: pl.DataFrame) -> None:
    assert clear["truth"].n_unique() == 10


@pytest.mark.parametrize("band", range(3), ids=["quarter", "half", "millimeter"])
def test_diameters_are_near_and_their_intervals_honest(judged: pl.DataFrame, band: int) -> None:
    leaks = sized_leaks(judged.filter("is_sized"), *BANDS_MM[band])
    error = (leaks["leak_diameter_mm"] / leaks["diameter_mm"] - 1).abs()
    inside = leaks["diameter_mm"].is_between(leaks["leak_diameter_low_mm"], leaks["leak_diameter_high_mm"])
    assert leaks.height >= 30
    assert error.median() <= MOST_ERROR[band], error.median()
    assert inside.mean() >= LEAST_INSIDE[band], inside.mean()


def test_a_tight_system_lies_below_its_bound(judged: pl.DataFrame) -> None:
    tight = judged.filter(
        (pl.col("leak_censoring") == "left")
        & pl.col("truth").is_in(["holds", "leak"])
        & pl.col("leak_diameter_high_mm").is_not_null()
    )
    hole = pl.coalesce("diameter_mm", "residual_mm")
    below = tight.filter(pl.col("leak_diameter_high_mm") >= hole)
    assert tight.height > 100
    assert below.height >= BOUND_ABOVE_HOLE * tight.height
