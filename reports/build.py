"""Write the site: one page for each reader, complete in one file that opens from disk; pages of jobs share a script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from importlib.resources import files
from pathlib import Path

import polars as pl
import polars.selectors as cs
import vl_convert
from altair.utils import schemapi
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.errors import OurFault
from reports import words
from reports.pages import data, fleet, inspection, jobs, leaks, look, shops, start
from reports.pages.cautions import CAUTIONS
from reports.pages.job import JobStories, make_job_page
from reports.pages.page import Page
from reports.pages.run import Run, last_run

Read = Callable[[str], pl.DataFrame]

#: What the bundle gives the page, under a name of our own.
CHART_LIBRARIES = "window.drawChart = vegaEmbed;"

#: The chart libraries, once for all pages of jobs: below the site, so that it works from disk as well.
SHARED_SCRIPT = "charts.js"


def build_site(read: Read, site: Path, stories: JobStories | None = None) -> Path:
    """Write every page of the site from the tables of a finished run.

    Parameters
    ----------
    read : gives a table by its full name, such as "mart.failure_rate".
    site : folder to write to; made where it is missing, its pages replaced.
    stories : the jobs that get a page of their own, with their recordings explained; None: no job.

    Returns
    -------
    Path of `index.html`. The same tables give the same bytes.
    """
    # Altair's own check of every chart is left to the tests: it takes longer than all else together.
    with ThreadPoolExecutor(1) as aside, schemapi.debug_mode(False):
        bundling = aside.submit(script_bundle)
        known = _once(read)
        run = last_run(known("audit.runs"))
        told = stories or JobStories((), 0)
        pages = [module.make_page(known, run) for module in (start, look, fleet)]
        pages.append(shops.make_page(known, run, told.files))
        pages += [module.make_page(known, run) for module in (inspection, leaks)]
        pages += [jobs.make_page(told), data.make_page(known, run)]
        job_pages = [make_job_page(job, run) for job in told.jobs]
        bundling.result()
    site.mkdir(parents=True, exist_ok=True)
    for page in pages:
        _write(site / page.file, render(page, pages, run))
    for old in (site / "jobs").glob("*.html"):
        old.unlink()
    if job_pages:
        (site / "jobs").mkdir(exist_ok=True)
        _write(site / SHARED_SCRIPT, script_bundle())
    for page in job_pages:
        _write(site / page.file, render(page, pages, run))
    return site / pages[0].file


def render(page: Page, pages: list[Page], run: Run) -> str:
    """Write one page as HTML that needs no file but the shared script of pages in a folder, and may run no script but
    ours."""
    has_chart = any(section.picture for section in page.sections)
    is_sharing = bool(page.root)
    bundle = script_bundle() if has_chart and not is_sharing else ""
    behavior = _template_text("behavior.js")
    return (
        _environment()
        .get_template("page.html")
        .render(
            page=page,
            pages=pages,
            cautions=CAUTIONS,
            colophon=colophon(run, is_sharing),
            missing=words.MISSING,
            style=Markup(_template_text("style.css")),
            bundle=Markup(bundle),
            behavior=Markup(behavior),
            shared_script=page.root + SHARED_SCRIPT if has_chart and is_sharing else "",
            policy=security_policy([bundle, behavior], is_sharing),
        )
    )


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def colophon(run: Run, is_sharing: bool = False) -> str:
    """Say which run the page was made from, and what it needs."""
    when = f"Run finished {words.moment(run.finished_at)}. " if run.finished_at else ""
    version = run.versions.get("evapfleet", "")
    needs = f"needs {SHARED_SCRIPT} of its site" if is_sharing else "is complete in one file"
    return f"{when}evapfleet {version}. This page {needs} and asks nothing of a network."


def security_policy(scripts: list[str], is_sharing: bool = False) -> str:
    """Allow our own scripts by their hash and nothing else: text from a record can never run.

    A page that shares a script file allows files of its own site beside them.
    """
    hashes = " ".join(f"'sha256-{_sha256(text)}'" for text in scripts if text)
    hashes += " 'self'" if is_sharing else ""
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


@cache
def script_bundle() -> str:
    """Bundle the chart libraries once for all pages, in a scope of their own."""
    text = "(() => {" + vl_convert.javascript_bundle(CHART_LIBRARIES) + "})();"
    if "</script" in text.lower() or "<!--" in text:
        raise OurFault("The chart libraries hold text that would end the script early.", "reports.build")
    return text


def _sha256(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("reports", "templates"), autoescape=True, undefined=StrictUndefined
    )


@cache
def _template_text(name: str) -> str:
    return (files("reports") / "templates" / name).read_text(encoding="utf-8")


def _once(read: Read) -> Read:
    """Read each table once; what is not a finite number becomes missing."""

    @cache
    def table(name: str) -> pl.DataFrame:
        frame = read(name)
        finite = pl.when(cs.float().is_finite()).then(cs.float())
        return frame.with_columns(finite)

    return table
