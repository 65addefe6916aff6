"""CSV for a spreadsheet: text that it would run as a formula is told as text; all else is as it was."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.steps.publish import for_spreadsheet


def written(text: str | None) -> str | None:
    return for_spreadsheet(pl.DataFrame({"a": [text]}, schema={"a": pl.String}))["a"][0]


@pytest.mark.parametrize(
    "text", ["=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", "-2+3", "\t=1", "\r=1", "-", " =1", "\nx", "\x1f="]
)
def test_a_formula_becomes_text(text):
    assert written(text) == "'" + text


@pytest.mark.parametrize("text", ["-250", "+4", "-1.5e-3", "", None, "P0442", "a=b", "2024-01-01", "'=1"])
def test_numbers_and_plain_words_stay(text):
    assert written(text) == text


def test_numbers_are_no_text():
    frame = pl.DataFrame({"n": [-1.5, None], "d": [True, None], "t": ["-x", "y"]})
    got = for_spreadsheet(frame)
    assert got.select("n", "d").equals(frame.select("n", "d"))
    assert got["t"].to_list() == ["'-x", "y"]


@given(st.text(max_size=12))
def test_what_is_written_never_starts_a_formula_and_can_be_taken_back(text):
    got = written(text)
    assert got in (text, "'" + text)
    if got == text and text.lstrip()[:1] in ("=", "@", "+", "-") and text.lstrip():
        float(text)
