"""What a page is made of: questions with an answer, a picture, its numbers, and how they came about."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

#: A table longer than this shows its first rows and says where the rest is.
MAX_ROWS = 400


@dataclass(frozen=True)
class Cell:
    """One cell: its text, what it sorts by, a second line in small type, whether it stands out, where it leads."""

    text: str
    sort: float | str | None = None
    small: str = ""
    flagged: bool = False
    href: str = ""


@dataclass(frozen=True)
class Row:
    """One table row; `of` names the choice it belongs to ("" = always shown)."""

    cells: tuple[Cell, ...]
    of: str = ""


@dataclass(frozen=True)
class Grid:
    """A table of numbers. `n_all` counts the rows there are, `source` names the table they come from.

    A table that is `printed` stands on paper though it is closed on the screen.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    n_all: int
    source: str = ""
    choice: str = ""
    n_text_columns: int = 1
    opened: bool = False
    printed: bool = False


@dataclass(frozen=True)
class Choice:
    """Something the reader may choose: the chart's parameter, its label, (value, label) options."""

    name: str
    label: str
    options: tuple[tuple[str, str], ...]
    chosen: str


@dataclass(frozen=True)
class Picture:
    """One chart: its Vega-Lite spec, what it shows in words, and how to read it.

    One of fixed width `scrolls`; where wider than its place it is first seen from `seen_from` on [px of the plot].
    """

    spec: dict[str, Any]
    alt: str
    caption: str = ""
    scrolls: bool = False
    seen_from: float = 0


@dataclass(frozen=True)
class Finding:
    """One sentence that stands out, and the place that shows it."""

    text: str
    href: str = ""
    link: str = ""


@dataclass(frozen=True)
class Section:
    """One question. Without a picture and a table, `answer` says why there is none.

    `wide` sets the numbers below the text, not beside it; `notable` marks its findings as standing out.
    """

    key: str
    question: str
    answer: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    choices: tuple[Choice, ...] = ()
    picture: Picture | None = None
    grids: tuple[Grid, ...] = ()
    how: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    wide: bool = False
    notable: bool = False


@dataclass(frozen=True)
class Page:
    """One page of the site. `file` and `root` are relative to the site and to the page: a page in a folder has "../" as
    its root, and takes the chart libraries from a file that such pages share."""

    file: str
    nav: str
    title: str
    reader: str
    lead: tuple[str, ...]
    sections: tuple[Section, ...]
    prints_as_report: bool = False
    root: str = ""


def grid(
    caption: str,
    heads: Sequence[str],
    rows: Iterable[Row],
    source: str = "",
    choice: str = "",
    n_text_columns: int = 1,
    limit: int = MAX_ROWS,
    opened: bool = False,
    printed: bool = False,
    n_all: int | None = None,
) -> Grid:
    """Lay rows out as a table of at most `limit` rows; `n_all` says how many there are where not all are given."""
    given = tuple(rows)
    n_rows = len(given) if n_all is None else n_all
    return Grid(caption, tuple(heads), given[:limit], n_rows, source, choice, n_text_columns, opened, printed)


#: Head of a column and the cell of a row in it.
Column = tuple[str, Callable[[Any], Cell]]


def table(
    caption: str,
    columns: Sequence[Column],
    rows: Iterable[Any],
    source: str = "",
    *,
    of: Callable[[Any], str] = lambda row: "",
    **how: Any,
) -> Grid:
    """Lay rows out by columns (head, cell of a row); `of` names the choice a row belongs to, `how` goes to `grid`."""
    heads, written = zip(*columns, strict=True)
    lines = (Row(tuple(cell(row) for cell in written), of(row)) for row in rows)
    return grid(caption, heads, lines, source, **how)


def choice(name: str, label: str, options: Iterable[tuple[str, str]], chosen: str = "") -> Choice:
    """Offer options; the first is chosen unless another is named."""
    listed = tuple(options)
    return Choice(name, label, listed, chosen or (listed[0][0] if listed else ""))
