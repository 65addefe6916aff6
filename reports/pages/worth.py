"""What proof is worth: a section of the shops page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.contract.tables import PROOF_CURVE
from reports import words
from reports.charts.worth import draw_two_sides
from reports.pages import cells
from reports.pages.page import Cell, Grid, Picture, Section, choice, table
from reports.pages.run import Run

#: Comparison: what it compares, its side "with", its side "without".
COMPARISONS = {
    "proved_or_not": ("proved or not", "proved", "not proved, disproved or without a recording"),
    "proved_or_no_recording": ("proved or without a recording", "proved", "without a recording"),
    "with_or_against_evidence": (
        "with or against the recording before",
        "of a part among the suspects of the recording before",
        "of another part",
    ),
}
#: Of which comparison the comebacks avoided are told, the fairer one first: among all others are repairs that their own
#: recording disproved, which come back whatever is recorded.
TOLD_OF = {
    "proved_or_no_recording": ("repairs without a recording", ""),
    "proved_or_not": (
        "all other repairs",
        " Among these may be repairs that their own recording disproved, which come back in any case.",
    ),
}
#: How the two sides are named in the picture.
SIDES = {"with": "proved, or with the evidence", "without": "the others"}

KAPLAN_MEIER = (
    "First-time fix: Kaplan-Meier share of repairs without a comeback at the end of the follow-up window; bounds by"
    " Greenwood on the log-log scale (E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53, 1958)."
    " Repairs not yet followed so long count as far as they were followed. Where the share is 0% or 100% Greenwood has"
    " no bounds: there they are the exact binomial ones of the repairs followed to the end (C. J. Clopper and E. S."
    " Pearson, Biometrika 26, 1934), 0% to 100% where none was."
)

COX = (
    "Hazard ratio: Cox regression (J. R. Stat. Soc. B 34, 1972), a baseline for every shop, adjusted for component and"
    " model, ties by Efron (J. Am. Stat. Assoc. 72, 1977). Below 1: repairs on the first side come back less. Shops,"
    " components and models without a comeback say nothing of the ratio and are left out of it. With fewer than three"
    " comebacks for each part and model no ratio is given: the adjustment alone would find differences."
)

AVOIDED = (
    "Comebacks avoided: comebacks of the second side times one less the ratio, as if the ratio were a cause; hours and"
    " parts at the mean of those comebacks of both sides whose jobs carry them. Bounds of hours and parts are those of"
    " the comebacks at that mean: how far the mean itself may be off is not in them."
)

ASSOCIATION = (
    "This is an association, not a trial. Who records also works with more care, easy repairs are recorded more"
    " often, and a recording can only prove what it can feel; none of that is in the records. The ratio compares"
    " repairs of one shop, part and model with each other, which takes away the largest differences and not all."
)


def worth(rows: pl.DataFrame, curve: pl.DataFrame, run: Run) -> Section:
    question = "What is proof worth?"
    compared = [
        r for r in rows.sort("comparison").to_dicts() if r["n_repairs_with"] and r["n_repairs_without"]
    ]
    if not compared:
        return Section(
            "worth",
            question,
            ("Not known: there are no repairs on both sides of any comparison.",),
            how=(COX,),
        )
    order = list(COMPARISONS)
    compared.sort(key=lambda r: order.index(r["comparison"]) if r["comparison"] in order else len(order))
    names = {r["comparison"] for r in compared}
    drawn = [
        curve_point(r)
        for r in curve.sort("comparison", "side", "day").to_dicts()
        if r["comparison"] in names and r["share_without_comeback"] is not None
    ]
    alt = "Share of repairs without a comeback, day by day, on both sides of the chosen comparison."
    first = compared[0]["comparison"]
    chart = draw_two_sides(
        drawn,
        "days since the repair was closed",
        words.axis_title(PROOF_CURVE, "share_without_comeback"),
        alt,
        (SIDES["without"], SIDES["with"]),
        first,
    )
    options = [(r["comparison"], said(r["comparison"])[0]) for r in compared]
    return Section(
        "worth",
        question,
        (*(sentence(r, run) for r in compared), *avoided(compared, run), ASSOCIATION),
        choices=(choice("comparison", "Compare repairs", options, first),),
        picture=Picture(
            chart,
            alt,
            f"Solid: the first side (proved, or with the evidence); dashed: the other; bands: {run.level_text} bounds."
            " Not adjusted: the ratio in the table is.",
        ),
        grids=(worth_grid(compared, run),),
        how=(COX, AVOIDED, KAPLAN_MEIER),
        left_out=("Repairs of which the recording before names no suspects, in the last comparison.",),
    )


def said(comparison: str) -> tuple[str, str, str]:
    return COMPARISONS.get(comparison, (words.label(comparison), "with", "without"))


def sentence(r: dict[str, Any], run: Run) -> str:
    _, with_, without = said(r["comparison"])
    counts = (
        f"Repairs {with_}: {share_of(r, 'with')} without a comeback"
        f" ({words.plural(r['n_comebacks_with'], 'comeback')} of {words.count(r['n_repairs_with'])});"
        f" {without}: {share_of(r, 'without')}"
        f" ({words.plural(r['n_comebacks_without'], 'comeback')} of {words.count(r['n_repairs_without'])})."
    )
    if r["hazard_ratio"] is None:
        return f"{counts} No ratio: {r['reason'] or 'not known'}."
    bounds = words.interval(r["hazard_ratio_low"], r["hazard_ratio_high"])
    doubt = (
        " The interval holds 1: no difference is shown."
        if (r["hazard_ratio_low"] or 0) <= 1 <= (r["hazard_ratio_high"] or 1)
        else ""
    )
    return (
        f"{counts} Within shop, part and model the first come back {words.number(r['hazard_ratio'])} times as often"
        f" ({run.level_text} interval {bounds}).{doubt}"
    )


def share_of(r: dict[str, Any], side: str) -> str:
    """Write one side's share with its bounds."""
    names = (f"first_time_fix_{side}{end}" for end in ("", "_low", "_high"))
    return words.bounded_share(*(r[name] for name in names))


def avoided(compared: list[dict[str, Any]], run: Run) -> tuple[str, ...]:
    """Say what the comebacks without proof would have come to, by the fairest comparison that has a ratio."""
    told = {r["comparison"]: r for r in compared if r["hazard_ratio_high"] is not None}
    name = next((c for c in TOLD_OF if c in told), None)
    if name is None:
        return ()
    r, (others, caution) = told[name], TOLD_OF[name]
    n = f"{words.number(r['comebacks_avoided'], 2)} comebacks ({run.level_text} interval {spread(r, 'comebacks')})"
    if r["hazard_ratio_high"] >= 1:
        return (
            f"Against {others}: had these come back like the proved ones, {n} fewer; the interval holds 0, so no saving"
            f" is shown.{caution}",
        )
    text = f"Against {others}: had these come back like the proved ones, {n} would not have been"
    costs = []
    if r["hours_avoided"] is not None:
        known = words.plural(r["n_labor_known"], "comeback")
        costs.append(
            f"{words.number(r['hours_avoided'], 2)} hours of labor ({spread(r, 'hours')}; known for {known})"
        )
    if r["parts_cost_avoided"] is not None:
        money = f"{words.number(r['parts_cost_avoided'], 2)} {r['currency']} of parts"
        costs.append(f"{money} ({spread(r, 'parts_cost')}; known for {words.count(r['n_cost_known'])})")
    return (f"{text}, with {words.listed(costs)}.{caution}" if costs else f"{text}.{caution}",)


def spread(r: dict[str, Any], what: str) -> str:
    return words.interval(r[f"{what}_avoided_low"], r[f"{what}_avoided_high"], words.two_digits)


def curve_point(r: dict[str, Any]) -> dict[str, Any]:
    numbers = ("comparison", "side", "day", "share_without_comeback", "low", "high")
    return {name: r[name] for name in numbers} | {
        "side": SIDES[r["side"]],
        "day_text": words.count(r["day"]),
        "value_text": words.share(r["share_without_comeback"]),
        "interval_text": words.interval(r["low"], r["high"], words.share),
        "count_text": words.plural(r["n_at_risk"], "repair"),
    }


def worth_grid(rows: list[dict[str, Any]], run: Run) -> Grid:
    def bounded(r: dict[str, Any], name: str, write: Callable[[float | None], str] = words.number) -> Cell:
        return cells.bounded(*(r[f"{name}{end}"] for end in ("", "_low", "_high")), write=write)

    return table(
        f"Both sides with {run.level_text} intervals",
        (
            ("Repairs", lambda r: cells.text(said(r["comparison"])[0])),
            ("First side", lambda r: cells.count(r["n_repairs_with"])),
            ("Without a comeback", lambda r: bounded(r, "first_time_fix_with", words.share)),
            ("Second side", lambda r: cells.count(r["n_repairs_without"])),
            ("Without a comeback", lambda r: bounded(r, "first_time_fix_without", words.share)),
            ("Hazard ratio", lambda r: bounded(r, "hazard_ratio")),
            ("p", lambda r: cells.chance(r["p_value"])),
            ("Comebacks avoided", lambda r: bounded(r, "comebacks_avoided")),
            ("Hours avoided", lambda r: bounded(r, "hours_avoided")),
            ("Parts cost avoided", lambda r: bounded(r, "parts_cost_avoided")),
            ("Why a number is missing", lambda r: cells.text(r["reason"] or "")),
        ),
        rows,
        "mart.proof_worth",
    )
