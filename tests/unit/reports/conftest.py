from __future__ import annotations

from pathlib import Path

import pytest

from reports.build import build_site
from tests.unit.reports.page_reading import PAGE_FILES, ReadPage, read_page
from tests.unit.reports.report_frames import full_tables, reader


@pytest.fixture(scope="session")
def tables():
    return full_tables()


@pytest.fixture(scope="session")
def site(tables, tmp_path_factory) -> Path:
    return build_site(reader(tables), tmp_path_factory.mktemp("site")).parent


@pytest.fixture(scope="session")
def pages(site: Path) -> dict[str, ReadPage]:
    return {name: read_page((site / name).read_text(encoding="utf-8")) for name in PAGE_FILES}
