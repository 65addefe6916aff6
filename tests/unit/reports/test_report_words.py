"""Numbers and words are written one way everywhere."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime

import pytest

from pipeline.contract import vocabulary
from pipeline.contract.rules import RULE_MEANINGS
from pipeline.contract.tables import FAILURE_RATE, LEAK_SIZE
from reports import theme, words
from reports.pages.refusals import ADVICE
from reports.pages.verdicts import MEANINGS


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (203.94, "204"),
        (0.00123456, "0.00123"),
        (12.34, "12.3"),
        (0, "0"),
        (123456.0, "123,456"),
        (None, "–"),
        (math.inf, "–"),
    ],
)
def test_number_has_three_significant_digits_and_no_power_of_ten(value, text):
    assert words.number(value) == text


def test_a_small_chance_is_a_bound_and_never_zero():
    assert words.chance(1e-12) == "< 0.0001"
    assert words.chance(0.034) == "0.034"


def test_an_interval_with_one_side_says_which_side_is_known():
    assert words.interval(1.0, 2.0) == "1.00 to 2.00"
    assert words.interval(1.0, None) == "at least 1.00"
    assert words.interval(None, 2.0) == "at most 2.00"
    assert words.interval(None, None) == "no interval"
    assert words.bounded_share(0.31, 0.24, 0.38) == "31.0% (24.0% to 38.0%)"
    assert words.bounded_share(None, 0.0, 0.453) == "0.0% to 45.3%"
    assert words.bounded_share(None, None, None) == "– (no interval)"


def test_counts_carry_their_noun():
    assert words.plural(1, "failure") == "1 failure"
    assert words.plural(12345, "failure") == "12,345 failures"
    assert words.plural(2, "way out", "ways out") == "2 ways out"


def test_listing_reads_as_a_person_would_say_it():
    assert [words.listed(x) for x in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]


def test_times_are_written_in_utc():
    assert words.moment(datetime(2026, 2, 3, 4, 5, tzinfo=UTC)) == "2026-02-03 04:05 UTC"
    assert words.day(date(2026, 2, 3)) == "2026-02-03"


def test_axis_titles_take_their_unit_from_the_contract():
    assert words.axis_title(LEAK_SIZE, "median_mm") == "median effective leak diameter [mm]"
    assert words.axis_title(FAILURE_RATE, "rate_per_1000_vehicle_years") == "failures per 1000 vehicle-years"


def test_every_closed_word_is_written_without_underscores():
    lists = (
        vocabulary.COMPONENTS,
        vocabulary.MONITORS,
        vocabulary.VERDICTS,
        vocabulary.VERIFIED,
        vocabulary.FUNNEL,
    )
    assert not [w for every in lists for w in every if "_" in words.label(w)]


def test_every_rule_has_advice_and_every_verdict_a_meaning():
    assert set(ADVICE) == set(RULE_MEANINGS)
    assert set(MEANINGS) == set(vocabulary.VERDICTS)


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (W3C Recommendation, section 8, definitions)."""
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_contrast_formula_gives_21_for_black_on_white():
    """WCAG 2.2: contrast ranges from 1:1 to 21:1."""
    assert (luminance("#ffffff") + 0.05) / (luminance("#000000") + 0.05) == pytest.approx(21)


@pytest.mark.parametrize("color", [theme.INK, theme.GRAY, theme.TEAL, theme.RUST, theme.BLUE, theme.PLUM])
def test_text_and_mark_colors_stand_on_white(color):
    """WCAG 2.2, 1.4.3: at least 4.5 to 1 for text."""
    assert 1.05 / (luminance(color) + 0.05) >= 4.5


def test_funnel_places_differ_in_color_and_in_shape():
    looks = list(theme.FUNNEL_MARKS.values())
    assert len({c for c, _ in looks}) == len({s for _, s in looks}) == len(vocabulary.FUNNEL)
    assert tuple(theme.FUNNEL_MARKS) == vocabulary.FUNNEL
