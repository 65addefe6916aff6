"""Real Chromium for the pages. Without it these tests skip and say how to get it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from reports.build import build_site
from tests.unit.reports.job_frames import job_stories
from tests.unit.reports.report_frames import HOSTILE, empty_tables, full_tables, reader

NAMES = ("chromium", "chromium-browser")
HOW = "no Chromium found: install it with `apt-get install chromium` (Debian) and run the tests again"


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    if path is None:
        pytest.skip(HOW)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-background-networking"]
        )
        yield browser
        browser.close()


@dataclass
class Opened:
    """A page as it stands in the browser, with everything it said and asked for."""

    page: Any
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Callable[..., Opened]]:
    contexts = []

    def opened(path: Path, width: int = 1400) -> Opened:
        context = chromium.new_context(viewport={"width": width, "height": 900}, offline=True)
        contexts.append(context)
        seen = Opened(context.new_page())
        seen.page.on("console", lambda message: seen.said.append(message.text))
        seen.page.on("pageerror", lambda error: seen.said.append(str(error)))
        seen.page.on("request", lambda request: seen.asked.append(request.url))
        seen.page.goto(path.as_uri())
        seen.page.wait_for_selector("html[data-ready]", timeout=20_000)
        return seen

    yield opened
    for context in contexts:
        context.close()


def _site(tables: dict[str, pl.DataFrame], where: Path) -> Path:
    return build_site(reader(tables), where).parent


@pytest.fixture(scope="session")
def full_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _site(full_tables(), tmp_path_factory.mktemp("full"))


@pytest.fixture(scope="session")
def hostile_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _site(full_tables(hostile=True), tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="session")
def job_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("jobs")
    return build_site(reader(full_tables()), where, job_stories(HOSTILE)).parent


@pytest.fixture(scope="session")
def empty_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _site(empty_tables(), tmp_path_factory.mktemp("empty"))
