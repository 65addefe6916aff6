"""At what age parts fail: a section of the fleet page."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.tables import COMPONENT_LIFE_CURVE
from reports import words
from reports.charts.life import draw_life_curve
from reports.pages import cells
from reports.pages.page import Cell, Grid, Picture, Section, choice, table
from reports.pages.parts import key_of, names_of, options_of
from reports.pages.run import Run

#: Wear or early failures are named below this false-discovery rate.
TOLD_Q = 0.05
MAX_NAMED = 6
PATTERNS = {"wear_out": "Wear", "early": "Early failures"}
TOGETHER = {
    "wear_out": "wear",
    "early": "early failures",
    "random": "chance at any age",
    "leans_wear": "not decided between chance and wear",
    "leans_early": "not decided between chance and early failures",
}

#: Curves may be chosen for so many parts, all models together first, then those with the most failures.
MAX_CURVES = 150

LIFE = (
    "The first unit of a part is as old as its vehicle; the next one starts when the repair that replaced it was"
    " closed. A unit that was already old when the window began enters late, one still alive leaves at the window's"
    " end or with its vehicle. A repair without a new part leaves the unit as old as it was. A failure on the day a"
    " unit came under observation counts half a day."
)

RETURNS = (
    "A failure within the follow-up window after a repair of the same part speaks of that repair and not of the"
    " part's age: it is left out of the life and counted in the forecast."
)

WEIBULL = (
    "Weibull life by maximum likelihood under late entry and survivors; within the follow-up window of a repair a part"
    " is not under observation. Bounds on the logarithmic scale (W. Meeker"
    " and L. Escobar, Statistical Methods for Reliability Data, 1998). Wear or early failures are named only where the"
    " bounds of the shape exclude 1 and a likelihood-ratio test agrees; chance where they hold 1 and lie within a"
    " factor of 2; otherwise unclear. The sentences name wear and early failures only where that test holds, too, when"
    " corrected for how many lives were tested (Benjamini-Hochberg, q below 0.05; models, and all of them together,"
    " apart). B10: age by which a tenth have failed."
)

PROBABILITY_PLOT = (
    "As counted: Nelson-Aalen sum of failures over units at risk (O. Aalen, Annals of Statistics 6, 1978); it needs no"
    " formula, and unlike a survival curve it does not end where few old units were all lost."
)

MIXED = "Models that fail at different rates look like early failures when they are taken together: choose the model."


def lives_with_words(lives: pl.DataFrame) -> list[dict[str, Any]]:
    """Give each row of `mart.component_life` its names, all models together first."""
    rows = [row | names_of(row) for row in lives.sort("component", "make", "model").to_dicts()]
    return sorted(rows, key=lambda r: not r["is_pooled"])


def wear(lives: list[dict[str, Any]], curve: pl.DataFrame, run: Run) -> Section:
    question = "At what age do parts fail: wear, or chance?"
    have = {key_of(r) for r in curve.select("make", "model", "component").unique().to_dicts()}
    offered = sorted(
        (r for r in lives if r["group_key"] in have),
        key=lambda r: (not r["is_pooled"], -(r["n_failures"] or 0)),
    )[:MAX_CURVES]
    if not offered:
        return Section("wear", question, ("Not known: no part has failures enough for a life.",), how=(LIFE,))
    keys = {r["group_key"] for r in offered}
    points = [
        curve_point(r)
        for r in curve.sort("make", "model", "component", "age_years").to_dicts()
        if key_of(r) in keys and (r["age_years"] or 0) > 0
    ]
    first = max(
        (r for r in offered if r["is_pooled"]), key=lambda r: r["n_failures"] or 0, default=offered[0]
    )
    alt = "Failures per unit by age for the chosen part, as counted with bounds and by the Weibull fit."
    chart = draw_life_curve(
        points,
        words.axis_title(COMPONENT_LIFE_CURVE, "age_years"),
        words.axis_title(COMPONENT_LIFE_CURVE, "failures_per_unit"),
        alt,
        first["group_key"],
    )
    return Section(
        "wear",
        question,
        pattern_answer(lives),
        choices=(choice("group_key", "Part", options_of(offered), first["group_key"]),),
        picture=Picture(
            chart,
            alt,
            f"Solid: as counted, band: {run.level_text} bounds; dashed: Weibull fit. Both axes are logarithmic: a"
            " Weibull life seen from age 0 is a straight line there. Where the two part, trust what was counted.",
        ),
        grids=(life_grid(lives, run),),
        how=(LIFE, RETURNS, WEIBULL, PROBABILITY_PLOT),
        left_out=(
            "Failures before a vehicle went into service or after it left: they have no age.",
            "Failures after a repair of the same part that never closed, later than the follow-up window: nobody knows"
            " when that repair ended.",
            "Use: a part of a vehicle that stands ages here like one that runs.",
            "A repair of the wrong part counts as that part's failure; records cannot tell.",
            MIXED,
        ),
    )


def pattern_answer(lives: list[dict[str, Any]]) -> tuple[str, ...]:
    """Name the parts of models that wear or fail early by their own lives; then tell all models together as such."""
    told = [r for r in lives if not r["is_pooled"] and is_told(r)]
    sentences = [
        f"{said}: {words.listed(of_models([r for r in told if r['pattern'] == pattern]))}."
        for pattern, said in PATTERNS.items()
        if any(r["pattern"] == pattern for r in told)
    ]
    n_tested = sum(not r["is_pooled"] and r["q_constant"] is not None for r in lives)
    if not told and n_tested:
        sentences.append(
            f"Of {words.plural(n_tested, 'part')} of models, each by its own failures, none is told to wear or to fail"
            " early rather than by chance."
        )
    return (*sentences, *together(lives, told), *mixed(lives)) or (
        "Not known: no part has failures enough for a life.",
    )


def is_told(r: dict[str, Any]) -> bool:
    """Say whether a life wears or fails early, allowing for how many were looked at."""
    return r["pattern"] in PATTERNS and r["q_constant"] is not None and r["q_constant"] < TOLD_Q


def of_models(rows: list[dict[str, Any]]) -> list[str]:
    """Name parts of models, those with the most failures first."""
    ordered = sorted(rows, key=lambda r: (-(r["n_failures"] or 0), r["name"], r["part"]))
    return first_of([f"{r['part']} of {r['name']} ({tenth(r)}{shape(r)})" for r in ordered])


def together(lives: list[dict[str, Any]], told: list[dict[str, Any]]) -> list[str]:
    """Tell the lives of all models together, and beside each the models that have a pattern of their own."""
    pooled = [r for r in lives if r["is_pooled"] and r["pattern"]]
    groups: dict[str, list[str]] = {}
    for r in sorted(pooled, key=lambda r: (list(TOGETHER).index(standing(r)), lives.index(r))):
        groups.setdefault(TOGETHER[standing(r)], []).append(f"{r['part']} ({shape(r)}{by_model(r, told)})")
    if not groups:
        return []
    listed = "; ".join(f"{said}: {words.listed(named)}" for said, named in groups.items())
    return [f"All models taken together, which need not hold for any one of them: {listed}."]


def standing(r: dict[str, Any]) -> str:
    """Say what all models together show; what is not told for sure leans to one side of chance."""
    if is_told(r) or r["pattern"] == "random":
        return str(r["pattern"])
    return "leans_wear" if (r["weibull_shape"] or 0) > 1 else "leans_early"


def by_model(r: dict[str, Any], told: list[dict[str, Any]]) -> str:
    """Name the models that are told to wear or to fail early by themselves."""
    own = [m for m in told if m["component"] == r["component"]]
    if not own:
        return "; of no model by itself" if r["pattern"] in PATTERNS and is_told(r) else ""
    kinds = [
        f"{words.label(pattern)} of {words.listed(first_of([m['name'] for m in own if m['pattern'] == pattern]))}"
        for pattern in PATTERNS
        if any(m["pattern"] == pattern for m in own)
    ]
    return f"; by itself: {words.listed(kinds)}"


def first_of(names: list[str]) -> list[str]:
    rest = len(names) - MAX_NAMED
    return [*names[:MAX_NAMED], f"{words.count(rest)} more"] if rest > 0 else names


def tenth(r: dict[str, Any]) -> str:
    """Tell by what age a tenth have failed, where age matters."""
    if r["pattern"] not in ("wear_out", "early") or r["b10_years"] is None:
        return ""
    bounds = words.interval(r["b10_low_years"], r["b10_high_years"], words.two_digits)
    return f"a tenth by {words.two_digits(r['b10_years'])} years, {bounds}; "


def shape(r: dict[str, Any]) -> str:
    bounds = words.interval(r["weibull_shape_low"], r["weibull_shape_high"], words.two_digits)
    return (
        f"shape {words.two_digits(r['weibull_shape'])}, {bounds}; {words.plural(r['n_failures'], 'failure')}"
    )


def mixed(lives: list[dict[str, Any]]) -> list[str]:
    """Name the models that do not fail early where all models together do: mixing rates is enough for that."""
    early = {r["component"] for r in lives if r["is_pooled"] and r["pattern"] == "early"}
    told = {"random": "fails by chance at any age", "wear_out": "wears"}
    others = [r for r in lives if not r["is_pooled"] and r["component"] in early and r["pattern"] in told]
    others.sort(key=lambda r: (-(r["n_failures"] or 0), r["name"], r["part"]))
    if not others:
        return []
    named = words.listed(f"{r['part']} of {r['name']} {told[r['pattern']]} ({shape(r)})" for r in others[:3])
    return [f"Not early on every model: {named}. {MIXED}"]


def curve_point(r: dict[str, Any]) -> dict[str, Any]:
    numbers = ("age_years", "failures_per_unit", "low", "high", "weibull_failures_per_unit")
    return {name: r[name] for name in numbers} | {
        "group_key": key_of(r),
        "age_text": f"{words.number(r['age_years'])} years",
        "value_text": words.number(r["failures_per_unit"]),
        "interval_text": words.interval(r["low"], r["high"]),
        "fit_text": words.number(r["weibull_failures_per_unit"]),
        "count_text": (
            f"{words.plural(r['n_failures'], 'failure')} so far, {words.count(r['n_at_risk'])} units of that age"
        ),
    }


def life_grid(lives: list[dict[str, Any]], run: Run) -> Grid:
    caption = f"Lives of parts with {run.level_text} intervals, all models together first"
    return table(
        caption,
        (
            ("Part", lambda r: cells.text(r["part"])),
            ("Model", lambda r: cells.text(r["name"])),
            (
                "Failures (returns)",
                lambda r: Cell(
                    f"{words.count(r['n_failures'])} ({words.count(r['n_returns'])})", r["n_failures"]
                ),
            ),
            ("Years observed", lambda r: cells.number(r["unit_years"])),
            ("Pattern", lambda r: cells.text(words.label(r["pattern"]) if r["pattern"] else words.MISSING)),
            ("Shape", lambda r: bounded(r, "weibull_shape", "")),
            ("Scale, years", lambda r: bounded(r, "weibull_scale", "_years")),
            ("B10, years", lambda r: bounded(r, "b10", "_years")),
            ("p (shape 1)", lambda r: cells.chance(r["p_constant"])),
            ("q (shape 1)", lambda r: cells.chance(r["q_constant"])),
            ("Why a number is missing", lambda r: cells.text(r["reason"] or "")),
        ),
        lives,
        "mart.component_life",
        n_text_columns=2,
    )


def bounded(r: dict[str, Any], name: str, unit: str) -> Cell:
    return cells.bounded(*(r[f"{name}{end}{unit}"] for end in ("", "_low", "_high")))
