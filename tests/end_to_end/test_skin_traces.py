"""Recordings of the skin fleet, judged: a tenth author's, simulated from nothing of the tool, with marks set before.

The physics that is special: evaporation that the fuel's own skin limits, gas heavy with vapor (it cools less when drawn
and flows out slower), canisters whose carbon counts for several times its void, shells that give and creep, holes that
are partly laminar, gauges a few per cent off, commands polled up to half a period beside the pressure.

First contact, 1,800 recordings of 12 models (key 2026), all kinds together: right 1626 of 1708 clear ones (95.2 %),
sure and wrong 4 (0.23 %), not judged 74 of 1600 (4.6 %); median error 5.1, 4.4, 4.3 % for 0.25-0.5, 0.5-1 and 1 mm up
(129, 165, 226 leaks; bias -2.6, -3.3, -2.3 %), the interval held 92.3, 83.0, 91.2 %; 550 of 550 tight ones below their
limit. Draw-downs alone: right 98.2 % of 1413, sure and wrong 0.21 %, not judged 1.3 %, median error 4.8, 3.9, 4.1 %,
held 95.0, 90.3, 93.1 %. Fills: right 82 of 132; errors 11, 13, 8 %; held 60, 33, 73 %. Steady flows: right 71 of 78.

Slips of the simulator found in it, and mended: tests under pressure were read on sensors that end at 1.4 to 3.4 kPa
(they now use the shop's gauge), and made on vehicles whose fuel warmed by up to 0.15 K/min with the engine off; the
blend did not follow the season. The second measurement (key 4711) had right 98.4 % of 1703, sure and wrong 0.12 %, not
judged 1.5 %, errors 4.5, 4.3, 3.5 % (bias -2.6, -2.4, -2.3 %), held 94.1, 92.5, 92.0 %, tight 599 of 599; it showed
that fills were fed too slowly for the larger holes and that the truth did not say what a fill is that its hole outruns.
The third (key 90210): right 98.2 % of 1697, sure and wrong 0.18 %, not judged 1.4 %, errors 4.8, 3.4, 3.4 % (bias -2.4,
-1.2, -1.3 %), held 97.5, 93.8, 95.2 %, tight 598 of 598.

What stayed in all three was the tool's: from 1 mm up the median error was 3.4 to 4.3 % (the mark is 3), and full tanks
came out small (-6 to -9 % where the gauge says 80 % or more, the interval holding 73 to 92 % of them): what these
systems hold beside the ullage was learned 3 to 9 l short. Since it is told by the middle of the draw, with the gauge's
error, and by all models of a lake together (`traces/extra_volume.py`), the same three fleets come out at 5.3, 4.0, 3.8,
then 3.7, 2.8, 3.0, and from 1 mm up 3.2, 2.9, 2.4 %; 96 to 100 % held. That is no first contact any more.

Left: a purge valve that passes less than a hundredth of its flow is taken for a tight system with confidence, where the
closed phase falls by 5 to 30 Pa: ambiguous by the rule of `skin_truth`, but an expert would see it.
"""

from __future__ import annotations

import polars as pl
import pytest
from scipy.stats import binom

from tests.end_to_end import skin_truth as mark
from tests.end_to_end.judged_recordings import judge, sized_leaks, worst
from tests.end_to_end.skin_traces import skin_traces


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    return judge(*skin_traces(600, 1018))


@pytest.fixture(scope="module")
def judged_in_parts() -> pl.DataFrame:
    """The same recordings in lakes of 90, of twelve models each."""
    samples, headers, truth = skin_traces(600, 1018)
    parts = [truth["trace_id"][k : k + 90].to_frame() for k in range(0, 540, 90)]
    return pl.concat(
        judge(
            *(table.join(part, on="trace_id", maintain_order="left") for table in (samples, headers, truth))
        )
        for part in parts
    )


@pytest.fixture(scope="module")
def clear(judged: pl.DataFrame) -> pl.DataFrame:
    return judged.filter(~pl.col("is_ambiguous"))


def test_the_verdict_is_right(clear: pl.DataFrame) -> None:
    """At least 97 % of the clear recordings get the right verdict, which is not to be silent about them."""
    assert clear.height >= 510
    assert clear["is_right"].mean() >= mark.LEAST_RIGHT, worst(clear)


def test_hardly_any_is_sure_and_wrong(clear: pl.DataFrame) -> None:
    """At most 1 % of the clear recordings are judged wrongly with a confidence of 0.9 or more."""
    wrong = clear.filter(~pl.col("is_right") & (pl.col("confidence") >= mark.SURE))
    assert wrong.height <= mark.MOST_SURE_WRONG * clear.height, worst(wrong)


def test_good_recordings_are_judged(clear: pl.DataFrame) -> None:
    """At most 5 % of the recordings that an expert could judge are not judged."""
    good = clear.filter(pl.col("truth") != "not_judged")
    assert (good["verdict"] == "not_judged").mean() <= mark.MOST_NOT_JUDGED, worst(good)


@pytest.mark.parametrize(("least_mm", "below_mm", "most"), mark.BANDS)
def test_the_diameter_is_right(clear: pl.DataFrame, least_mm: float, below_mm: float, most: float) -> None:
    """The median error of a band is within its mark."""
    leaks = sized_leaks(clear.filter("is_sized"), least_mm, below_mm)
    assert leaks.height >= 20
    error = (leaks["leak_diameter_mm"] / leaks["diameter_mm"] - 1).abs().median()
    assert isinstance(error, float)
    assert error <= most


@pytest.mark.parametrize(("least_mm", "below_mm", "most"), mark.BANDS)
def test_the_interval_holds_the_truth(
    clear: pl.DataFrame, least_mm: float, below_mm: float, most: float
) -> None:
    """The 95 % interval holds the truth as often as one that holds 90 % of them would in 19 of 20 such samples."""
    leaks = sized_leaks(clear.filter("is_sized"), least_mm, below_mm)
    held = leaks.filter(pl.col("diameter_mm").is_between("leak_diameter_low_mm", "leak_diameter_high_mm"))
    assert held.height >= binom.ppf(0.05, leaks.height, mark.COVERAGE[0]), f"{held.height} of {leaks.height}"


def test_the_interval_holds_the_truth_over_all(clear: pl.DataFrame) -> None:
    """Over all bands the 95 % interval holds at least 90 % of the true diameters."""
    leaks = sized_leaks(clear.filter("is_sized"), 0.25, 9.0)
    is_held = leaks.select(pl.col("diameter_mm").is_between("leak_diameter_low_mm", "leak_diameter_high_mm"))
    assert is_held.to_series().mean() >= mark.COVERAGE[0]


def test_a_tight_system_lies_below_its_limit(judged: pl.DataFrame) -> None:
    """What a tight system leaks is below the stated limit in at least 95 %."""
    tight = judged.filter(pl.all_horizontal(pl.col("truth", "verdict") == "holds")).drop_nulls(
        "leak_diameter_high_mm"
    )
    assert tight.height >= 80
    assert (tight["diameter_mm"] <= tight["leak_diameter_high_mm"]).mean() >= mark.LEAST_TIGHT_BELOW


def test_ninety_recordings_tell_nearly_as_much_as_six_hundred(judged_in_parts: pl.DataFrame) -> None:
    """Seven or eight recordings of a model: what lies beside its tank was taken as 3.5 l until twelve draws told.

    The median error from 1 mm up had been 13.9 %, and the interval held 56 % of such holes.
    """
    clear = judged_in_parts.filter(~pl.col("is_ambiguous"))
    assert clear["is_right"].mean() >= mark.LEAST_RIGHT, worst(clear)
    band = sized_leaks(clear.filter("is_sized"), 1.0, 9.0)
    error = (band["leak_diameter_mm"] / band["diameter_mm"] - 1).abs()
    assert error.median() <= 0.045
    inside = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
    assert inside.mean() >= 0.92
