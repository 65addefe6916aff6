"""On which models and parts, and under which codes, leaks are larger: a section of the leaks page."""

from __future__ import annotations

from typing import Any

from pipeline.contract.tables import LEAK_SIZE
from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Cell, Grid, Picture, Section, choice, table
from reports.pages.run import Run

GROUPINGS = {
    "all": "all",
    "model": "model",
    "component": "part",
    "trouble_code": "trouble code",
    "stage": "stage",
}

#: Curves and medians are drawn for so many groups of a kind, those with the most recordings.
MAX_GROUPS = 40
#: So many groups without a median are named in a sentence; the table holds all.
MAX_UNTOLD = 6

HOW_SIZE = (
    "A recording too tight to tell counts as smaller than its upper bound, a gross leak as larger"
    " than its lower bound, and"
    " every other with its own interval: the curve is the nonparametric maximum likelihood one for"
    " interval-censored data"
    " (B. W. Turnbull, J. R. Stat. Soc. B 38, 1976). Dashed: a lognormal fitted to the same intervals.",
)

#: How the columns that a reason speaks of are named on the page.
NAMED = {
    "lognormal_median_mm": "lognormal median",
    "median_mm": "median",
    "share_over_0_5_mm": "share over 0.5 mm",
    "share_over_1_0_mm": "share over 1.0 mm",
    "share_over_nominal": "share at or over the code's size",
}


def why_missing(reason: str | None) -> str:
    """Write why a number is missing, with columns by their names on the page."""
    parts = (reason or "").split("; ")
    named = (part.partition(": ") for part in parts)
    return "; ".join(f"{NAMED.get(head, head)}{colon}{rest}" for head, colon, rest in named)


def compare(sizes: list[dict[str, Any]], run: Run) -> Section:
    question = "Where are the larger leaks?"
    present = [
        by
        for by in GROUPINGS
        if by != "all" and any(s["by"] == by and s["median_mm"] is not None for s in sizes)
    ]
    if not present:
        return Section("compare", question, ("Not known: no group of recordings has a median size.",))
    rows = [d for by in present for d in median_dots([s for s in sizes if s["by"] == by])]
    alt = "Median leak size by group, with intervals."
    chart = draw_intervals(
        rows,
        x_title=words.axis_title(LEAK_SIZE, "median_mm"),
        description=alt,
        scale="sqrt",
        chosen={"by": present[0]},
        count_title="recordings",
    )
    return Section(
        "compare",
        question,
        tuple(extremes([s for s in sizes if s["by"] == by], GROUPINGS[by], run) for by in present),
        choices=(choice("by", "Group by", [(by, GROUPINGS[by]) for by in present]),),
        picture=Picture(
            chart,
            alt,
            f"Dot: median; line: {run.level_text} interval; a dashed line has no upper bound:"
            " too many of those leaks were too large to tell. A group without a median has no dot; the table holds it.",
        ),
        grids=(size_grid(sizes, run),),
        how=HOW_SIZE,
        left_out=("A recording with several trouble codes counts under each of them.",),
    )


def extremes(sizes: list[dict[str, Any]], noun: str, run: Run) -> str:
    """Name the group with the largest median and the one with the smallest, and say whether they are told apart."""
    ranked = sorted((s for s in sizes if s["median_mm"] is not None), key=lambda s: -s["median_mm"])
    first, last = ranked[0], ranked[-1]
    others = untold(sizes)
    if first is last:
        return f"By {noun}: only {median_phrase(first)} has a median ({run.level_text} interval).{others}"
    lowest, highest = first["median_low_mm"], last["median_high_mm"]
    apart = None not in (lowest, highest) and lowest > highest
    told = "their intervals lie apart" if apart else "their intervals overlap"
    among = "of the medians that can be told, largest" if others else "largest"
    return f"By {noun}: {among} {median_phrase(first)}, smallest {median_phrase(last)}; {told}.{others}"


def untold(sizes: list[dict[str, Any]]) -> str:
    """Name the groups whose median is beyond what could be told: they are the largest, or the smallest, of all."""
    without = [s for s in sizes if s["median_mm"] is None]
    large = [s for s in without if s["median_low_mm"] is not None]
    small = [s for s in without if s["median_low_mm"] is None and s["median_high_mm"] is not None]
    large.sort(key=lambda s: (-s["median_low_mm"], s["name"]))
    small.sort(key=lambda s: (s["median_high_mm"], s["name"]))
    return "".join(
        f" {said}: {words.listed(bound_phrase(s) for s in groups[:MAX_UNTOLD])}"
        f"{f', and {len(groups) - MAX_UNTOLD} more in the table' if len(groups) > MAX_UNTOLD else ''}."
        for said, groups in (("Too large to tell a median", large), ("Too tight to tell one", small))
        if groups
    )


def bound_phrase(s: dict[str, Any]) -> str:
    bounds = words.interval(s["median_low_mm"], s["median_high_mm"])
    return f"{s['name']} ({bounds} mm; {words.plural(s['n_traces'], 'recording')})"


def median_phrase(s: dict[str, Any]) -> str:
    bounds = words.interval(s["median_low_mm"], s["median_high_mm"])
    return f"{s['name']}, {words.number(s['median_mm'])} mm ({bounds}; {words.plural(s['n_traces'], 'recording')})"


def median_dots(sizes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    kept = sorted(sizes, key=lambda s: -(s["n_traces"] or 0))[:MAX_GROUPS]
    ordered = sorted(kept, key=lambda s: (-(s["median_mm"] or 0), s["name"]))
    return [
        interval_dot(
            s["name"],
            order,
            (s[f"median{end}_mm"] for end in ("", "_low", "_high")),
            s["count_text"],
            unit=" mm",
            by=s["by"],
            mark="",
        )
        for order, s in enumerate(ordered)
    ]


def size_grid(sizes: list[dict[str, Any]], run: Run) -> Grid:
    def over(s: dict[str, Any], size: str) -> Cell:
        return cells.bounded(
            *(s[f"share_over_{size}{end}"] for end in ("_mm", "_low", "_high")), write=words.share
        )

    return table(
        f"Leak sizes of the chosen groups with {run.level_text} intervals",
        (
            ("Group", lambda s: cells.text(s["name"])),
            ("Recordings", lambda s: cells.count(s["n_traces"])),
            ("Too tight to tell", lambda s: cells.count(s["n_below_detection"])),
            ("Too large to tell", lambda s: cells.count(s["n_too_large"])),
            ("Median, mm", lambda s: cells.bounded(s["median_mm"], s["median_low_mm"], s["median_high_mm"])),
            ("Over 0.5 mm", lambda s: over(s, "0_5")),
            ("Over 1.0 mm", lambda s: over(s, "1_0")),
            ("Why a number is missing", lambda s: cells.text(why_missing(s["reason"]))),
        ),
        sizes,
        "mart.leak_size",
        of=lambda s: "" if s["by"] == "all" else s["by"],
        choice="by",
        limit=2000,
    )
