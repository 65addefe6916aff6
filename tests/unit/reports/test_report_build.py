"""The site as files: same bytes for the same tables, complete in themselves, safe with hostile text."""

from __future__ import annotations

import base64
import hashlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from reports.build import build_site
from tests.unit.reports.page_reading import PAGE_FILES, read_page
from tests.unit.reports.report_frames import HOSTILE, empty_tables, full_tables, reader

ROOT = Path(__file__).parents[3]


def bytes_of(site: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(site.iterdir())}


def test_every_page_is_written_and_linked(site, pages):
    assert sorted(bytes_of(site)) == sorted(PAGE_FILES)
    for page in pages.values():
        assert set(PAGE_FILES) <= {a.get("href") for tag, a in page.tags if tag == "a"}


def test_links_lead_to_sections_that_exist(pages):
    ids = {f"{name}#{a['id']}" for name, page in pages.items() for _, a in page.tags if a.get("id")}
    for name, page in pages.items():
        for tag, a in page.tags:
            href = a.get("href") or ""
            if tag == "a" and "#" in href:
                assert (name + href if href.startswith("#") else href) in ids


def test_the_same_tables_give_the_same_bytes_again_and_in_another_process(site, tables, tmp_path):
    build_site(reader(tables), tmp_path / "again")
    program = (
        "import sys; from pathlib import Path\n"
        "from reports.build import build_site\n"
        "from tests.unit.reports.report_frames import full_tables, reader\n"
        "build_site(reader(full_tables()), Path(sys.argv[1]))"
    )
    environment = os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": str(ROOT)}
    subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "other")], check=True, env=environment, cwd=ROOT
    )
    assert bytes_of(site) == bytes_of(tmp_path / "again") == bytes_of(tmp_path / "other")


def test_row_order_of_a_table_does_not_matter(site, tables, tmp_path):
    shuffled = {name: frame.reverse() for name, frame in tables.items()}
    build_site(reader(shuffled), tmp_path)
    assert bytes_of(tmp_path) == bytes_of(site)


def test_a_page_carries_one_bundle_and_one_stylesheet_and_asks_for_no_file(site, pages):
    for name, page in pages.items():
        scripts = [a for tag, a in page.tags if tag == "script" and a.get("type") != "application/json"]
        assert len(scripts) == (2 if page.specs else 1)
        assert not [a for tag, a in page.tags if tag in ("link", "img", "iframe") or a.get("src")]
        assert (site / name).stat().st_size < 2_500_000


def test_the_policy_allows_our_scripts_by_hash_and_nothing_else(site):
    for name in PAGE_FILES:
        html = (site / name).read_text(encoding="utf-8")
        policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html).group(1).replace("&#39;", "'")
        assert policy.startswith("default-src 'none'; script-src 'sha256-")
        assert "unsafe-eval" not in policy
        allowed = set(re.findall(r"'(sha256-[^']*)'", policy))
        inline = re.findall(r"<script>(.*?)</script>", html, re.S)
        hashes = {"sha256-" + base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in inline}
        assert hashes == allowed


def test_hostile_text_reaches_the_page_as_text_only(tmp_path):
    build_site(reader(full_tables(hostile=True)), tmp_path)
    for name in PAGE_FILES:
        html = (tmp_path / name).read_text(encoding="utf-8")
        assert "<script>document.title" not in html
        page = read_page(html)
        assert not [tag for tag, _ in page.tags if tag == "img"]
    leaks = read_page((tmp_path / "leaks.html").read_text(encoding="utf-8"))
    assert HOSTILE in leaks.text


@pytest.mark.parametrize("name", PAGE_FILES)
def test_pages_are_built_for_everyone(pages, name):
    """WCAG 2.2: language (3.1.1), headings (1.3.1), labels (3.3.2), text alternatives (1.1.1)."""
    page = pages[name]
    assert ("html", {"lang": "en-US"}) in page.tags
    assert [tag for tag, _ in page.tags if tag in ("h1", "h2", "h3")].count("h1") == 1
    charts = [a for tag, a in page.tags if tag == "div" and "chart" in (a.get("class") or "").split()]
    assert len(charts) == len(page.specs)
    assert all(a["aria-label"] for a in charts)
    assert all(len(rows) > 1 for rows in page.tables.values())
    captions = re.findall(r"<caption[^>]*>(.*?)</caption>", page.html)
    assert len(captions) == len(set(captions)), "two tables of one name"
    headed = [a for tag, a in page.tags if tag == "th"]
    assert all(a.get("scope") in ("col", "row") for a in headed)


def test_every_chart_has_a_table_beside_it(pages):
    for page in pages.values():
        for spec in page.specs:
            key = spec.removesuffix("-spec")
            assert any((a.get("id") or "").startswith(f"{key}-numbers") for _, a in page.tags), key


@pytest.mark.parametrize("name", PAGE_FILES)
def test_the_cautions_stand_on_every_page(pages, name):
    text = pages[name].text
    assert "Fuel vapor is explosive" in text
    assert "An inspection result comes from the authorized station alone" in text


def test_an_empty_warehouse_gives_a_whole_site(tmp_path):
    index = build_site(reader(empty_tables()), tmp_path / "site")
    assert index == tmp_path / "site" / "index.html"
    assert sorted(bytes_of(tmp_path / "site")) == sorted(PAGE_FILES)
