"""Pages of jobs: the recordings as pictures and words, one shared script, hostile text as text."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from pipeline.traces.other_stories import StoryCurve
from reports.build import SHARED_SCRIPT, build_site, script_bundle
from reports.charts.stories import DASHES, name_heights, story_rows
from reports.charts.trace import trace_spec
from reports.pages.job import about, begins_at, caption, recording
from reports.pages.run import Run
from tests.unit.reports.job_frames import explained, job_stories
from tests.unit.reports.page_reading import read_page
from tests.unit.reports.report_frames import HOSTILE, full_tables, reader


@pytest.fixture(scope="module")
def job_site(tmp_path_factory):
    return build_site(reader(full_tables()), tmp_path_factory.mktemp("jobs"), job_stories(HOSTILE)).parent


def test_the_index_says_how_many_of_how_many_and_leads_to_each(job_site):
    index = read_page((job_site / "jobs.html").read_text(encoding="utf-8"))
    assert "2 of 9 jobs with a recording have a page" in index.text
    assert "evapfleet explain DIR TRACE_ID" in index.text
    links = {a["href"] for tag, a in index.tags if tag == "a" and a.get("href", "").startswith("jobs/")}
    assert links == {f"jobs/{p.name}" for p in (job_site / "jobs").iterdir()}
    assert all(re.fullmatch(r"jobs/[0-9a-f]{20}\.html", link) for link in links)


def test_a_job_page_tells_facts_recordings_and_cautions(job_site):
    file = job_stories(HOSTILE).jobs[0].file
    html = (job_site / file).read_text(encoding="utf-8")
    page = read_page(html)
    for told in (
        "Orrin",
        "still open",
        "fuel cap",
        "P0442",
        "cap seal: fail",
        "98,765",
        "3 older recordings",
        "proves it",
        "Before the repair: leak, 0.67 mm (0.63 to 0.71 mm)",
        "After the repair: holds, smaller than 0.71 mm",
        "Fuel vapor is explosive",
        HOSTILE,
    ):
        assert told in page.text, told
    # Beside the diameter of the recording that was put under pressure, and of no other.
    assert re.findall(r"Published pressure test(\w+)", page.text) == ["fails"]
    assert not [tag for tag, _ in page.tags if tag == "img"]
    assert len(page.specs) == 2
    hrefs = [a["href"] for tag, a in page.tags if tag == "a" and a["href"].startswith("../")]
    assert hrefs
    assert all((job_site / "jobs" / href).resolve().exists() for href in hrefs)


def test_a_repair_before_which_the_system_held_as_well_is_told_as_one_that_nothing_shows():
    job = job_stories("x").jobs[0]
    check = job.check | {"verified": "not_proved", "before_verdict": "holds", "evidence_agrees": "cannot_say"}
    said = " ".join(about(replace(job, check=check)).answer)
    assert "held before the repair as well as after it" in said
    assert "does not decide" not in said


def test_a_recording_tells_first_what_to_do_and_folds_its_grounds_away():
    section = recording(job_stories("x").jobs[0].traces[0], 1, Run({"level": 0.95}))
    assert section.answer[-1] == "Find the place."
    assert section.how == ("60 usable samples.",)
    assert not set(section.how) & set(section.answer)


def test_the_chart_libraries_are_written_once_for_all_jobs(job_site):
    assert (job_site / SHARED_SCRIPT).read_text(encoding="utf-8") == script_bundle()
    for path in (job_site / "jobs").iterdir():
        html = path.read_text(encoding="utf-8")
        assert path.stat().st_size < 100_000
        assert f'<script src="../{SHARED_SCRIPT}"></script>' in html
        policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html).group(1).replace("&#39;", "'")
        assert re.search(r"script-src 'sha256-[^ ]*' 'self';", policy)


def test_a_job_without_a_repair_is_asked_for_no_proof_and_old_pages_go(tmp_path):
    build_site(reader(full_tables()), tmp_path, job_stories())
    stale = {p.name for p in (tmp_path / "jobs").iterdir()}
    build_site(reader(full_tables()), tmp_path, job_stories("Other words."))
    now = {p.name for p in (tmp_path / "jobs").iterdir()}
    assert len(stale & now) == 1
    lone = (tmp_path / job_stories().jobs[1].file).read_text(encoding="utf-8")
    assert "not counted as a repair" in lone


def test_every_other_story_is_a_dashed_line_of_its_own_with_its_name_and_probability():
    spec = trace_spec(explained("t1", "before_repair", "leak", "Said."))
    points, names = spec["datasets"]["stories"], spec["datasets"]["story_names"]
    assert {(p["story"], tuple(p["dash"])) for p in points} == {
        ("sealed, vapor alone (5%)", tuple(DASHES[0])),
        ("hole of 1.0 mm", tuple(DASHES[1])),
    }
    assert [n["story"] for n in names] == ["sealed, vapor alone (5%)", "hole of 1.0 mm"]
    assert len({tuple(d) for d in DASHES}) == len(DASHES)
    assert "hole of 1.0 mm" in spec["description"]


def test_the_probability_beside_a_hole_is_said_to_be_that_of_any_leak():
    """A gross leak that may be a leak with 11 % is no hole of half a millimeter with 11 %."""
    told = explained("t1", "before_repair", "gross_leak", "Said.")
    hole = StoryCurve("leak", "hole of 0.5 mm", 0.11, [36.0, 47.0], [-360.0, -300.0])
    names = trace_spec(replace(told, stories=(hole,)))["datasets"]["story_names"]
    assert [n["story"] for n in names] == ["hole of 0.5 mm (any leak: 11%)"]


def test_the_picture_is_first_seen_from_the_draw_or_without_one_from_the_hold():
    """Five phases of 12 s in recorded 59 s: the draw begins at 24 s, the hold at 36 s, of 780 pixels."""
    trace = explained("t1", "before_repair", "leak", "Vacuum fell.")
    assert begins_at(trace) == pytest.approx(780 * 24 / 59)
    no_draw = replace(trace, phases=[p for p in trace.phases if p[0] != "draw"])
    assert begins_at(no_draw) == pytest.approx(780 * 36 / 59)
    assert begins_at(replace(trace, phases=[("rest", 0.0, 59.0)])) == 0
    assert begins_at(replace(trace, t_s=[])) == 0


def test_the_caption_names_the_lines_that_are_drawn():
    told = explained("t1", "before_repair", "leak", "Said.")
    assert caption(told, "95%") == (
        "Solid: measured. Rust dashes: the fitted hold, with its 95% band. Gray dashes: what other stories would have "
        "drawn, each with its probability."
    )
    assert caption(replace(told, hold=None, stories=()), "95%") == "Solid: measured."


def test_names_keep_their_distance_and_stay_beside_the_panel():
    at = name_heights([100.0, 101.0, 102.0, 299.0, 298.0], 300)
    gaps = [b - a for a, b in zip(sorted(at), sorted(at)[1:], strict=False)]
    assert min(gaps) >= 17
    assert min(at) >= 0
    assert max(at) <= 300
    assert at[0] < at[1] < at[2] < at[4] < at[3]


def test_a_recording_without_other_stories_draws_none():
    given = explained("t1", "routine", "not_judged", "Said.")
    assert story_rows(type(given)(**{**vars(given), "stories": ()}), 300)["stories"] == []
