"""For technicians: which jobs have a page with their recordings."""

from __future__ import annotations

from reports import words
from reports.charts.trace import diameter
from reports.pages import cells
from reports.pages.job import JobStories, JobStory
from reports.pages.page import Cell, Page, Row, Section, grid

VERIFIED_SHORT = {"proved": "proved", "not_proved": "not decided", "disproved": "fault still there"}


def make_page(stories: JobStories) -> Page:
    """Make the index of the jobs that have a page."""
    return Page(
        "jobs.html",
        "Jobs",
        "What did each recording show",
        "For technicians",
        (how_many(stories),),
        (listing(stories),),
    )


def how_many(stories: JobStories) -> str:
    shown = len(stories.jobs)
    if not stories.n_all:
        return "No job has a recording."
    some = f"{words.count(shown)} of {words.plural(stories.n_all, 'job')} with a recording have a page"
    which = "" if shown == stories.n_all else ", the latest ones (setting job_pages)"
    return f"{some}{which}. Any other recording: evapfleet explain DIR TRACE_ID."


def listing(stories: JobStories) -> Section:
    question = "Which job do you look for?"
    if not stories.jobs:
        return Section(
            "jobs", question, ("No page was drawn: no job has a recording, or the setting job_pages is 0.",)
        )
    heads = ("Job", "Repair", "Before", "After", "Component", "Opened", "Vehicle", "Shop")
    return Section(
        "jobs",
        question,
        ("Each job leads to its recordings as pictures and in words, latest job first.",),
        grids=(
            grid(
                "Jobs with a page",
                heads,
                (line(job) for job in stories.jobs),
                n_text_columns=len(heads),
                limit=len(stories.jobs),
                opened=True,
            ),
        ),
        left_out=("Recordings that belong to no job.",),
        wide=True,
    )


def line(job: JobStory) -> Row:
    facts, check = job.facts, job.check
    proof = "no repair" if check is None else VERIFIED_SHORT.get(check["verified"], "no recording after")
    return Row(
        (
            Cell(words.drawable(facts["job_id"]), facts["job_id"].casefold(), href=job.file),
            cells.text(proof),
            at_stage(job, "before_repair"),
            at_stage(job, "after_repair"),
            cells.text(words.label(facts["component"])),
            cells.text(words.day(facts["opened_at"])),
            Cell(facts["vehicle_id"], facts["vehicle_id"].casefold(), f"{facts['make']} {facts['model']}"),
            cells.text(facts["shop_id"]),
        )
    )


def at_stage(job: JobStory, stage: str) -> Cell:
    """Name the verdict of the stage's last recording, its size below."""
    last = next((t.result for t in reversed(job.traces) if t.result["stage"] == stage), None)
    if last is None:
        return cells.text(words.MISSING)
    text = words.label(last["verdict"])
    return Cell(text, text.casefold(), diameter(last))
