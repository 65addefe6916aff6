"""Cells of a page's tables: how a number of each kind is written, and what it sorts by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from reports import words
from reports.pages.page import Cell


def text(words_: str, flagged: bool = False) -> Cell:
    return Cell(words_, words_.casefold(), flagged=flagged)


def job(job_id: str | None, files: Mapping[str, str], small: str = "") -> Cell:
    """Name a job and lead to its page where `files` has one."""
    if job_id is None:
        return text(words.MISSING)
    return Cell(words.drawable(job_id), job_id.casefold(), small, href=files.get(job_id, ""))


def named(words_: str | None, small: str = "") -> Cell:
    """Write a name with what belongs to it below it; a dash where it is not known."""
    return Cell(words_ or words.MISSING, (words_ or "").casefold(), small)


def year(model_year: int | None) -> Cell:
    return Cell("not recorded" if model_year is None else str(model_year), model_year)


def count(n: int | None) -> Cell:
    return Cell(words.count(n), n)


def number(value: float | None, digits: int = 3) -> Cell:
    return Cell(words.number(value, digits), value)


def share(value: float | None) -> Cell:
    return Cell(words.share(value), value)


def chance(p: float | None) -> Cell:
    return Cell(words.chance(p), p)


def bounded(
    value: float | None,
    low: float | None,
    high: float | None,
    *,
    write: Callable[[float | None], str] = words.number,
) -> Cell:
    """Write a number with its bounds below it."""
    return Cell(write(value), value, words.interval(low, high, write))


def counts(heads: dict[str, str]) -> tuple[tuple[str, Callable[[Any], Cell]], ...]:
    """Make columns of counts; `heads` by the name of the count in a row."""
    return tuple((head, lambda row, name=name: count(row[name])) for name, head in heads.items())


def rate_ratio(row: Mapping[str, Any]) -> Cell:
    """Write how many times as often as the others, with bounds."""
    return bounded(*(row[f"rate_ratio{end}"] for end in ("", "_low", "_high")), write=words.two_digits)
