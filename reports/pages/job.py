"""One job with recordings: its facts, each recording as a picture and in words, and whether the repair is proved."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from pipeline.traces.explain import TraceExplanation
from reports import words
from reports.charts.trace import WIDTH, describe, diameter, trace_spec
from reports.pages import cells
from reports.pages.page import Cell, Grid, Page, Picture, Row, Section, grid
from reports.pages.run import Run

#: So many samples of a recording are drawn on a page; `explain` draws them all.
MAX_POINTS = 700

VERIFIED = {
    "proved": "The recording after the repair proves it: the system holds, or the leak that is left is smaller than"
    " a monitor must find.",
    "not_proved": "The recording after the repair does not decide whether it is mended.",
    "disproved": "The recording after the repair still shows a fault.",
    "no_trace": "No recording was made after the repair.",
}
HELD_BOTH = (
    "The system held before the repair as well as after it: no recording shows that anything was mended."
)
SUPPORTED = {
    "yes": "The part that was repaired is among those that the recording before it leaves open.",
    "no": "The part that was repaired is not among those that the recording before it leaves open.",
    "cannot_say": "The recording before it cannot say whether the part was the right one.",
}
#: A hold under applied pressure, by the published criterion (`pressure_test` of mart.trace_result).
TESTED = {
    "pass": "passes",
    "fail": "fails",
    "invalid": "not run as the criterion asks",
    "no_verdict": "ended before it could pass",
}
STAGE = {
    "before_repair": "Before the repair",
    "after_repair": "After the repair",
    "routine": "Routine recording",
}


@dataclass(frozen=True)
class JobStory:
    """One job: its facts (columns of core.jobs and core.vehicles, and `n_traces`), its row of mart.repair_check (None
    where it is no repair), and its recordings in the order in which they were made."""

    facts: dict[str, Any]
    check: dict[str, Any] | None
    traces: tuple[TraceExplanation, ...]

    @property
    def file(self) -> str:
        """Name of the page below the site: a hash, for an id may hold anything."""
        return f"jobs/{hashlib.sha256(self.facts['job_id'].encode()).hexdigest()[:20]}.html"


@dataclass(frozen=True)
class JobStories:
    """The jobs that get a page, latest first, and how many jobs with a recording there are."""

    jobs: tuple[JobStory, ...]
    n_all: int

    @property
    def files(self) -> dict[str, str]:
        """Page of each job that has one, by its job_id."""
        return {job.facts["job_id"]: job.file for job in self.jobs}


def make_job_page(job: JobStory, run: Run) -> Page:
    """Make the page of one job."""
    facts = job.facts
    lead = [f"{facts['make']} {facts['model']}, {facts['model_year']}; vehicle {facts['vehicle_id']}."]
    more = facts["n_traces"] - len(job.traces)
    if more:
        lead.append(
            f"{words.plural(more, 'older recording')} of this job are not drawn here: evapfleet explain DIR TRACE_ID."
        )
    return Page(
        job.file,
        "Jobs",
        f"Job {words.drawable(facts['job_id'])}",
        "For whoever works on the vehicle",
        tuple(lead),
        (about(job), *(recording(trace, at, run) for at, trace in enumerate(job.traces, 1))),
        root="../",
    )


def about(job: JobStory) -> Section:
    check = job.check
    if check is None:
        answer: tuple[str, ...] = (
            "This job is not counted as a repair, so no recording is asked to prove it.",
        )
    else:
        held = check["before_verdict"] == check["after_verdict"] == "holds"
        answer = (HELD_BOTH if held else VERIFIED[check["verified"]], SUPPORTED[check["evidence_agrees"]])
    return Section("job", "What was done, and is it proved?", answer, grids=(fact_grid(job.facts),))


def fact_grid(facts: dict[str, Any]) -> Grid:
    told = {
        "Vehicle": facts["vehicle_id"],
        "Make and model": f"{facts['make']} {facts['model']}, {facts['model_year']}",
        "Shop": facts["shop_id"],
        "Opened": words.moment(facts["opened_at"]),
        "Closed": words.moment(facts["closed_at"]) if facts["closed_at"] else "still open",
        "Component": words.label(facts["component"]),
        "Action": words.label(facts["action"]),
        "Trouble codes": words.listed(facts["trouble_codes"] or ()) or "none recorded",
        "Checks": words.listed(check_in_words(c) for c in facts["checks"] or ()) or "none recorded",
        "Odometer, km": words.number(facts["odometer_km"], 6),
        "Fuel tank, l": words.number(facts["fuel_tank_l"]),
    }
    lines = [Row((cells.text(name), cells.text(value))) for name, value in told.items()]
    return grid("Facts of the job", ("Fact", "Recorded"), lines, "core.jobs", n_text_columns=2, opened=True)


def check_in_words(check: str) -> str:
    name, _, result = check.partition("=")
    return f"{words.label(name)}: {result}"


def recording(trace: TraceExplanation, at: int, run: Run) -> Section:
    result = trace.result
    size = diameter(result)
    head = f"{STAGE.get(result['stage'], words.label(result['stage']))}: {words.label(result['verdict'])}"
    return Section(
        f"recording-{at}",
        f"{head}, {size}" if size else head,
        tuple(said for said in trace.sentences if said not in trace.grounds),
        how=tuple(trace.grounds),
        picture=Picture(
            trace_spec(trace, MAX_POINTS, is_titled=False),
            describe(trace),
            caption(trace, run.level_text),
            scrolls=True,
            seen_from=round(begins_at(trace)),
        ),
        grids=(number_grid(result, at),),
        wide=True,
    )


def begins_at(trace: TraceExplanation) -> float:
    """Where in the picture [px] its draw begins, or without a draw its hold: what the verdict rests on."""
    starts = {name: start for name, start, _ in reversed(trace.phases)}
    start = starts.get("draw", starts.get("hold"))
    if start is None or len(trace.t_s) < 2:
        return 0
    first, last = min(trace.t_s), max(trace.t_s)
    return WIDTH * (start - first) / (last - first) if last > first else 0


def caption(trace: TraceExplanation, level: str) -> str:
    """Say what the lines of a recording's picture are."""
    lines = ["Solid: measured."]
    if trace.hold:
        lines.append(f"Rust dashes: the fitted hold, with its {level} band.")
    if trace.stories:
        lines.append("Gray dashes: what other stories would have drawn, each with its probability.")
    return " ".join(lines)


def tested(result: dict[str, Any]) -> dict[str, str]:
    """Return the line of the published pressure test, for holds under applied pressure."""
    test = result["pressure_test"]
    return {"Published pressure test": TESTED[test]} if test else {}


def number_grid(result: dict[str, Any], at: int) -> Grid:
    """Lay out the numbers of a recording, for those who cannot see the picture."""
    told = {
        "Recording": words.drawable(result["trace_id"]),
        "Verdict": words.label(result["verdict"]),
        "Probability of the verdict": words.share(result["confidence"]),
        "Second likeliest story": words.label(result["second_verdict"])
        if result["second_verdict"]
        else words.MISSING,
        "Its probability": words.share(result["second_confidence"]),
        "Effective leak diameter": diameter(result) or words.MISSING,
        **tested(result),
        "Deepest vacuum, Pa": words.number(result["peak_vacuum_pa"]),
        "Longest hold, s": words.number(result["hold_s"]),
        "Pressure rise when shut, Pa/s": words.number(result["vapor_rise_pa_s"]),
        "Pressure with the vent open, Pa": words.number(result["rest_pressure_pa"]),
        "Vapor volume, l": words.number(result["vapor_volume_l"]),
        "Samples": words.count(result["n_samples"]),
    }
    lines = [Row((cells.text(name), Cell(value))) for name, value in told.items()]
    return grid(
        f"Recording {at} in numbers", ("Number", "Value"), lines, "mart.trace_result", n_text_columns=2
    )
