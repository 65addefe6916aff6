"""Numbers that are written all at once: as Python's own format writes each of them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.traces.written import choose, each, fixed, percent, say, signed, written


def numbers() -> np.ndarray:
    """Return numbers of any size, many of them on the very edge between two roundings, or next to it as doubles go."""
    rng = np.random.default_rng(3)
    on_edge = [np.round(rng.uniform(-3, 3000, 3000), digits) for digits in (1, 2, 3, 4)]
    in_binary = rng.integers(-9000, 9000, 3000) / 2**7
    any_size = rng.choice([-1, 1], 3000) * 10 ** rng.uniform(-9, 9, 3000)
    return np.concatenate([*on_edge, in_binary, any_size, [0.0, -0.0, 0.5, -0.5, 0.05, -0.05, np.nan]])


@pytest.mark.parametrize("digits", [0, 1, 2, 3])
def test_fixed_and_signed_numbers_are_those_of_pythons_format(digits):
    given = numbers()
    for text, spec in ((fixed(given, digits), f"z.{digits}f"), (signed(given, digits), f"+z.{digits}f")):
        expected = [None if np.isnan(x) else format(x, spec) for x in given.tolist()]
        assert written(text, len(given)).to_list() == expected


def test_percents_are_those_of_pythons_format():
    shares = np.concatenate([np.random.default_rng(4).random(3000), np.arange(0, 1.0001, 0.005)])
    assert written(percent(shares), len(shares)).to_list() == [f"{x:.0%}" for x in shares.tolist()]


def test_numbers_beyond_what_doubles_count_are_written_whole():
    given = np.array([1e17, -1e300, 123456789012345678.0, np.inf, np.nan, -0.0])
    expected = [f"{x:z.2f}" if np.isfinite(x) else None for x in given.tolist()]
    assert written(fixed(given, 2), len(given)).to_list() == expected


def test_a_sentence_without_numbers_is_told_of_every_recording():
    assert written(say("nothing"), 3).to_list() == ["nothing"] * 3
    assert written(say("{} of {}", "one", "all"), 2).to_list() == ["one of all"] * 2


def test_the_first_case_that_is_so_is_told():
    small, even = np.array([True, True, False, False]), np.array([False, True, False, True])
    parts = (small, "small"), (even, say("even {}", each(np.arange(4.0), ".0f")))
    assert written(choose(*parts, otherwise="neither"), 4).to_list() == [
        "small",
        "small",
        "neither",
        "even 3",
    ]
    assert written(choose((small | ~small, "all")), 4).to_list() == ["all"] * 4
    assert written(choose((small & ~small, "none")), 4).to_list() == [""] * 4
