"""For the owner of several shops: whose repairs last, and what recordings prove of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import polars as pl

from pipeline.contract.tables import FIRST_TIME_FIX
from reports import words
from reports.charts.fixes import draw_funnel
from reports.charts.intervals import draw_intervals
from reports.pages.against import against
from reports.pages.comebacks import comebacks
from reports.pages.fix_rows import MAX_GROUPS, SERIES, fix_dots, fix_grid, with_words
from reports.pages.page import Finding, Page, Picture, Section, choice
from reports.pages.proof import proof
from reports.pages.recurrence import recurrence
from reports.pages.run import Run
from reports.pages.worth import KAPLAN_MEIER, worth

FOLLOWED_ONLY = (
    "Followed only: the plain share of the repairs followed to the end; bounds by E. B. Wilson (J. Am. Stat. Assoc. 22,"
    " 1927)."
)

NO_FUNNEL = (
    "By part and by model there are no limits: what is expected is standardized over just these two, and adds up to"
    " their own comebacks."
)

GROUPINGS = {
    "shop": "shop",
    "component": "part",
    "model": "model",
    "verified": "what recordings prove",
    "evidence": "whether the part is among the suspects of the recording before",
}

COMEBACK = (
    "A comeback is the first job on the same vehicle, at any shop, with an EVAP component or an EVAP trouble"
    " code, opened after the repair was closed and within the follow-up window, its last day included. It"
    " counts against the repair before it."
)

AGAINST_OTHERS = (
    "Against the others: comebacks over those expected of the mix, divided by the same of all other repairs; exact"
    " bounds given both counts, q by Benjamini and Hochberg. It allows for chance and the mix, and for nothing else"
    " that shops differ by; the limits of the funnel allow for that too, and so may hide a few bad shops among few."
)

FUNNEL = (
    "Expected: indirect standardization over model and component, so that a shop with harder work is not blamed"
    " for it. Limits: 95% and 99.8% about the expected value, widened for over-dispersion (D. J. Spiegelhalter,"
    " Funnel plots for comparing institutional performance, Statistics in Medicine 24, 2005)."
)


def make_page(
    read: Callable[[str], pl.DataFrame], run: Run, job_files: Mapping[str, str] | None = None
) -> Page:
    """Make the shops page from the marts of repairs that come back and of what recordings prove.

    job_files : the page of each job that has one, by its job_id.
    """
    files = job_files or {}
    fixes = with_words(read("mart.first_time_fix"))
    n_repairs = sum(f["n_repairs"] or 0 for f in fixes if f["by"] == "all")
    checks = read("mart.repair_check")
    sections = (
        funnel(fixes, run),
        compare(fixes, run),
        comebacks(read("mart.comeback"), n_repairs, files),
        proof(checks),
        against(read("mart.against_evidence"), checks, run, files),
        worth(read("mart.proof_worth"), read("mart.proof_curve"), run),
        recurrence(read("mart.recurrence"), read("mart.repeated_failure"), run, files),
        technicians(fixes, run),
    )
    lead = (
        f"Repairs closed {run.window_text}, each followed for {run.follow_up_days} days. Bounds are"
        f" {run.level_text} intervals.",
    )
    return Page("shops.html", "Shops", "Which repairs last", "For the owner of several shops", lead, sections)


def funnel(fixes: list[dict[str, Any]], run: Run) -> Section:
    question = "Which shops' repairs come back more, or less, often than their work lets expect?"
    shops = [f for f in fixes if f["by"] == "shop"]
    if not shops:
        return Section("funnel", question, (nothing(),), how=(COMEBACK,))
    judged = [s for s in shops if s["funnel"] is not None]
    beyond, others = far_out(shops), [apart_sentence(s, run) for s in apart(shops)]
    drawn = [s for s in shops if s["first_time_fix"] is not None]
    alt = "Shops by number of repairs and share without a comeback, each with its expected value and limits."
    chart = draw_funnel(
        [funnel_dot(s) for s in drawn],
        words.axis_title(FIRST_TIME_FIX, "n_repairs"),
        words.axis_title(FIRST_TIME_FIX, "first_time_fix"),
        alt,
    )
    return Section(
        "funnel",
        question,
        funnel_answer(fixes, judged, beyond, len(others), run),
        notable=True,
        findings=tuple(Finding(text) for text in [*(shop_sentence(s, run) for s in beyond), *others][:6]),
        picture=Picture(
            chart,
            alt,
            "Each upright bar is one shop's limits for its number and mix of repairs: thick 95%, thin 99.8%; the short"
            " dash is what its mix lets expect. Click a word of the legend to single out its shops.",
        ),
        grids=(fix_grid(shops, "Shop", run),),
        how=(COMEBACK, KAPLAN_MEIER, FOLLOWED_ONLY, FUNNEL, AGAINST_OTHERS),
        left_out=(
            "Repairs that are still open, and repairs closed outside the window.",
            "By chance alone about 1 shop in 20 lies outside the 95% limits: none is named for that.",
        ),
    )


def far_out(shops: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick the shops beyond the outer limits, those with more comebacks than expected first, the lowest share first."""
    found = (s for s in shops if s["flag"])
    return sorted(found, key=lambda s: (s["funnel"] != "beyond_below", s["first_time_fix"]))


def apart(shops: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick the shops with more comebacks than chance and the mix explain that lie within the outer limits, the farthest
    from the others first."""
    found = (s for s in shops if s["comes_back_more"] and not s["flag"])
    return sorted(found, key=lambda s: -s["comeback_ratio"])


def funnel_answer(
    fixes: list[dict[str, Any]],
    judged: list[dict[str, Any]],
    beyond: list[dict[str, Any]],
    n_apart: int,
    run: Run,
) -> tuple[str, ...]:
    everyone = next((f for f in fixes if f["by"] == "all"), None)
    overall = (f"Over all shops: {fix_sentence(everyone, run)}",) if everyone else ()
    n_wide = sum(s["funnel"] in ("above", "below") for s in judged)
    near = (
        f" {words.plural(n_wide, 'shop lies', 'shops lie')} between the 95% and the 99.8% limits."
        if n_wide
        else ""
    )
    if n_apart:
        near += (
            f" But {words.plural(n_apart, 'shop has', 'shops have')} more comebacks than chance and the mix explain"
            " against the others together."
        )
    if not judged:
        return ("Not known: no shop could be compared with what its work lets expect.", *overall)
    if not beyond:
        start = "None" if n_apart else "Nothing stands out: none"
        return (
            f"{start} of {words.plural(len(judged), 'shop')} lies beyond the 99.8% limits.{near}",
            *overall,
        )
    verb = "lies" if len(beyond) == 1 else "lie"
    return (
        f"{len(beyond)} of {words.plural(len(judged), 'shop')} {verb} beyond the 99.8% limits.{near}",
        *overall,
    )


def fix_sentence(row: dict[str, Any], run: Run) -> str:
    return (
        f"{row['value_text']} of {words.plural(row['n_repairs'], 'repair')} without a comeback within"
        f" {run.follow_up_days} days ({run.level_text} interval {row['interval_text']};"
        f" {words.plural(row['n_comebacks'], 'comeback')})."
    )


def shop_sentence(row: dict[str, Any], run: Run) -> str:
    return (
        f"{row['name']} lies {words.label(row['funnel'])}: {fix_sentence(row, run)} Expected for its mix:"
        f" {words.share(row['expected'])}, {words.number(row['n_comebacks_expected'])} comebacks."
    )


def apart_sentence(row: dict[str, Any], run: Run) -> str:
    ratio = words.interval(row["comeback_ratio_low"], row["comeback_ratio_high"])
    return (
        f"{row['name']}: {words.plural(row['n_comebacks'], 'comeback')} of {words.plural(row['n_repairs'], 'repair')},"
        f" {words.number(row['comeback_ratio'])} times as many as all other repairs with the same mix"
        f" ({run.level_text} interval {ratio}; q {words.chance(row['q_value'])}). Chance alone hardly explains that;"
        f" what the others differ by among themselves, which makes limits {words.number(row['funnel_widened'])} times"
        " as wide, may."
    )


def funnel_dot(row: dict[str, Any]) -> dict[str, Any]:
    limits = ("funnel_low", "funnel_high", "funnel_beyond_low", "funnel_beyond_high")
    return {name: row[name] for name in ("group", "n_repairs", "first_time_fix", "expected", *limits)} | {
        "funnel_label": words.label(row["funnel"] or "inside"),
        "note": row["group"] if row["flag"] else "",
        "value_text": row["value_text"],
        "interval_text": row["interval_text"],
        "expected_text": words.share(row["expected"]),
        "count_text": row["count_text"],
    }


def compare(fixes: list[dict[str, Any]], run: Run) -> Section:
    question = "Choose a grouping: where do repairs last?"
    present = [by for by in GROUPINGS if any(f["by"] == by for f in fixes)]
    if not present:
        return Section("compare", question, (nothing(),))
    rows = [d for by in present for d in fix_dots([f for f in fixes if f["by"] == by])]
    alt = "Share of repairs without a comeback by group, with and without the repairs still followed."
    chart = draw_intervals(
        rows,
        x_title=words.axis_title(FIRST_TIME_FIX, "first_time_fix"),
        description=alt,
        series=SERIES,
        as_share=True,
        chosen={"by": present[0]},
        count_title="repairs",
    )
    chosen = [f for f in fixes if f["by"] in present]
    return Section(
        "compare",
        question,
        (
            "Two estimates for each group. The first counts every repair as far as it was followed;"
            " the second leaves out"
            " those not yet followed to the end. Where they part, many repairs are recent.",
        ),
        choices=(choice("by", "Group by", [(by, GROUPINGS[by]) for by in present]),),
        picture=Picture(
            chart,
            alt,
            f"Dot: share; line: {run.level_text} interval.",
        ),
        grids=(fix_grid(chosen, "Group", run, "by"),),
        how=(COMEBACK, KAPLAN_MEIER, FOLLOWED_ONLY, NO_FUNNEL),
        left_out=(
            "Groups by recording hold only as far as shops record: a repair without one may be as good.",
        ),
    )


def technicians(fixes: list[dict[str, Any]], run: Run) -> Section:
    question = "How do repairs last by technician?"
    rows = [f for f in fixes if f["by"] == "technician"]
    if not rows:
        return Section("technicians", question, ("Not known: no repair names a technician.",))
    alt = "Share of repairs without a comeback by technician, with intervals."
    chart = draw_intervals(
        [d for d in fix_dots(rows) if d["series"] == SERIES[0]],
        x_title=words.axis_title(FIRST_TIME_FIX, "first_time_fix"),
        description=alt,
        as_share=True,
        count_title="repairs",
    )
    wide = f" Shown: the {MAX_GROUPS} lowest shares; the table has all." if len(rows) > MAX_GROUPS else ""
    return Section(
        "technicians",
        question,
        (
            f"{words.plural(len(rows), 'technician')} with repairs in the window. Read this as a"
            " place to offer help, not as a mark: the work people are given differs, and few repairs tell little."
            f" {beyond_limits(rows)}",
        ),
        picture=Picture(chart, alt, f"Dot: share; line: {run.level_text} interval.{wide}"),
        grids=(fix_grid(rows, "Technician", run),),
        how=(COMEBACK, KAPLAN_MEIER, FOLLOWED_ONLY, FUNNEL),
        left_out=(
            "Repairs that name no technician.",
            "Whose fault a comeback was: a new fault on the same vehicle counts as well.",
        ),
    )


def beyond_limits(rows: list[dict[str, Any]]) -> str:
    """Count the technicians beyond the limits for their number and mix of repairs, without a name."""
    judged = [f for f in rows if f["funnel"] is not None]
    if not judged:
        return "None could be compared with what the work lets expect."
    n = sum(f["flag"] for f in judged)
    return (
        f"{words.count(n) if n else 'None'} of {words.count(len(judged))} that could be compared"
        f" {'lie' if n > 1 else 'lies'} beyond the 99.8% limits for the number and mix of repairs."
    )


def nothing() -> str:
    return "Not known: no repair was closed inside the window."
