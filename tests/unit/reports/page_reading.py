"""Read a page back as a reader would: its text, its tables, its chart specs."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from reports.pages.run import last_run
from tests.unit.reports.report_frames import reader

#: The pages of a site, as its navigation names them.
PAGE_FILES = (
    "index.html",
    "look.html",
    "fleet.html",
    "shops.html",
    "inspection.html",
    "leaks.html",
    "jobs.html",
    "data.html",
)


@dataclass
class ReadPage(HTMLParser):
    """Tables as lists of rows of cell texts; specs by id; every tag; the visible text."""

    tables: dict[str, list[list[str]]] = field(default_factory=dict)
    specs: dict[str, Any] = field(default_factory=dict)
    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    text: str = ""
    html: str = ""

    def __post_init__(self) -> None:
        super().__init__()
        self._json = self._cell = self._caption = ""
        self._in: list[str] = []
        self._rows: list[list[str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = dict(attrs)
        self.tags.append((tag, known))
        if tag == "script" and known.get("type") == "application/json":
            self._json = known["id"] or ""
        if tag in ("script", "style", "td", "th", "caption"):
            self._in.append(tag)
            self._cell = ""
        if tag == "table":
            self._rows = []
        if tag == "tr":
            self._rows.append([])

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._rows[-1].append(" ".join(self._cell.split()))
        if tag == "caption":
            self._caption = self._cell
        if tag == "table":
            self.tables[self._caption] = self._rows
        if tag in ("script", "style", "td", "th", "caption"):
            self._in.pop()

    def handle_data(self, data: str) -> None:
        if self._in and self._in[-1] == "script":
            if self._json:
                self.specs[self._json] = json.loads(data)
                self._json = ""
            return
        if self._in and self._in[-1] == "style":
            return
        self._cell += data + " "
        self.text += data


def read_page(html: str) -> ReadPage:
    page = ReadPage(html=html)
    page.feed(html)
    return page


def table_of(page, start_of_caption):
    return next(rows for caption, rows in page.tables.items() if caption.startswith(start_of_caption))


def section(module, tables, key):
    page = module.make_page(reader(tables), last_run(tables["audit.runs"]))
    return next(s for s in page.sections if s.key == key)
