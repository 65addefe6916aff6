"""For whoever works on the vehicles: how big leaks are, and what recordings conclude."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.contract.tables import LEAK_SIZE_CURVE
from reports import words
from reports.charts.leaks import draw_size_curve
from reports.pages import cells
from reports.pages.leak_codes import code_sizes
from reports.pages.leak_groups import GROUPINGS, HOW_SIZE, MAX_GROUPS, compare, why_missing
from reports.pages.page import Cell, Grid, Page, Picture, Section, choice, table
from reports.pages.run import Run
from reports.pages.verdicts import verdicts


def make_page(read: Callable[[str], pl.DataFrame], run: Run) -> Page:
    """Make the leaks page from `mart.leak_size`, `mart.leak_size_curve` and `mart.trace_result`."""
    sizes = sizes_with_words(read("mart.leak_size"))
    curve = read("mart.leak_size_curve")
    traces = read("mart.trace_result")
    sections = (
        distribution(sizes, curve, without_tank(traces), run),
        compare(sizes, run),
        code_sizes(sizes, run),
        verdicts(traces),
    )
    lead = (
        f"Sizes from pressure recordings. Bounds are {run.level_text} intervals.",
        coefficient_sentence(traces, run),
    )
    return Page(
        "leaks.html",
        "Leaks",
        "How big are the leaks",
        "For technicians and whoever plans their tests",
        lead,
        sections,
    )


def coefficient_sentence(traces: pl.DataFrame, run: Run) -> str:
    used = sorted({float(c) for c in traces["discharge_coefficient"].drop_nulls().to_list()})
    stated = words.listed(f"{c:.2f}" for c in used) or f"{float(run.settings['discharge_coefficient']):.2f}"
    textbook = ", the textbook value" if stated == "0.61" else " (the textbook value is 0.61)"
    return (
        f"Every diameter is that of the sharp-edged orifice with the same flow, at a discharge coefficient of {stated}"
        f"{textbook}. The certification equation of 40 CFR 1066.985 implies about 0.75, which"
        " makes the same hole 11% smaller."
    )


def sizes_with_words(sizes: pl.DataFrame) -> list[dict[str, Any]]:
    rows = []
    for r in sizes.sort("by", "group").to_dicts():
        name = words.label(r["group"]) if r["by"] in ("component", "stage", "all") else r["group"]
        rows.append(
            r
            | {
                "name": "all recordings" if r["by"] == "all" else name,
                "count_text": (
                    f"{words.plural(r['n_traces'], 'recording')}:"
                    f" {words.count(r['n_below_detection'])} too tight to tell,"
                    f" {words.count(r['n_too_large'])} too large to tell"
                ),
            }
        )
    return rows


def group_key(row: dict[str, Any]) -> str:
    return f"{row['by']}: {row['group']}"


def without_tank(traces: pl.DataFrame) -> int:
    """Count the recordings that tell a leak, or that there is none, for each m3 of gas and not in millimeters."""
    return traces.filter(
        pl.col("leak_area_per_volume_high_mm2_m3").is_not_null(),
        pl.col("leak_diameter_mm").is_null(),
        pl.col("leak_diameter_low_mm").is_null(),
        pl.col("leak_diameter_high_mm").is_null(),
    ).height


def no_tank(n: int) -> str:
    return (
        f"{words.plural(n, 'recording')} of vehicles whose tank size (fuel_tank_l) is not known:"
        f" {'it tells' if n == 1 else 'they tell'} a leak for each m³ of gas"
        " (leak_area_per_volume_mm2_m3 of mart.trace_result) and no diameter."
    )


def distribution(sizes: list[dict[str, Any]], curve: pl.DataFrame, n_no_tank: int, run: Run) -> Section:
    question = "How big are the leaks?"
    everyone = next((s for s in sizes if s["by"] == "all"), None)
    drawn = [r for r in curve.sort("by", "group", "diameter_mm").to_dicts() if r["diameter_mm"] is not None]
    if everyone is None or not drawn:
        reason = (
            everyone["reason"]
            if everyone and everyone["reason"]
            else "no recording gives a diameter or a bound"
        )
        why = (no_tank(n_no_tank),) if n_no_tank else ()
        return Section("sizes", question, (f"Not known: {reason}.", *why), how=HOW_SIZE)
    counts = {group_key(s): s for s in sizes}
    largest = sorted(sizes, key=lambda s: (s["by"] != "all", -(s["n_traces"] or 0)))
    have = {group_key(r) for r in drawn}
    offered = [s for s in largest if group_key(s) in have][: 3 * MAX_GROUPS]
    keys = {group_key(s) for s in offered}
    rows = [curve_point(r, counts.get(group_key(r))) for r in drawn if group_key(r) in keys]
    options = [
        (group_key(s), s["name"] if s["by"] == "all" else f"{GROUPINGS.get(s['by'], s['by'])}: {s['name']}")
        for s in offered
    ]
    options = options[:1] + sorted(options[1:], key=lambda o: o[1])
    alt = (
        "Share of recordings with a leak at most so large, as a step curve with bounds, for the chosen group."
    )
    chart = draw_size_curve(
        rows,
        words.axis_title(LEAK_SIZE_CURVE, "diameter_mm"),
        words.axis_title(LEAK_SIZE_CURVE, "share_at_most"),
        alt,
        options[0][0],
    )
    return Section(
        "sizes",
        question,
        (size_sentence(everyone, run), over_sentence(everyone), *before_repair(sizes, run)),
        choices=(choice("group_key", "Recordings", options),),
        picture=Picture(
            chart,
            alt,
            f"Steps: share of recordings with a leak at most so large; band: {run.level_text} pointwise bounds;"
            " dashed: lognormal. The axis is logarithmic.",
        ),
        grids=(curve_grid(rows, run),),
        how=HOW_SIZE,
        left_out=(
            "Recordings that judge a valve or the sensor and give no size.",
            "Sizes beyond the last step: leaks too large to size.",
            *((no_tank(n_no_tank),) if n_no_tank else ()),
        ),
    )


def size_sentence(s: dict[str, Any], run: Run) -> str:
    bounds = words.interval(s["median_low_mm"], s["median_high_mm"])
    if s["median_mm"] is None:
        why = (
            why_missing(s["reason"]).split("; ")[0].removeprefix("median: ")
            or "too few recordings give a size"
        )
        return (
            f"The median size is not known ({run.level_text} interval {bounds} mm; {s['count_text']}): {why}."
        )
    return (
        f"Half of the recordings show a leak of at most {words.number(s['median_mm'])} mm"
        f" ({run.level_text} interval {bounds} mm; {s['count_text']})."
    )


def before_repair(sizes: list[dict[str, Any]], run: Run) -> tuple[str, ...]:
    """Say the same of recordings made before a repair, where leaks are what was looked for."""
    rows = [s for s in sizes if (s["by"], s["group"]) == ("stage", "before_repair") and s["n_traces"]]
    sentences = (size_sentence(s, run) for s in rows)
    return tuple(f"Before a repair: {text[0].lower()}{text[1:]}" for text in sentences)


def over_sentence(s: dict[str, Any]) -> str:
    half, one = (
        words.bounded_share(*(s[f"share_over_{size}{end}"] for end in ("_mm", "_low", "_high")))
        for size in ("0_5", "1_0")
    )
    return f"Larger than 0.5 mm: {half} of the recordings. Larger than 1.0 mm: {one}."


def curve_point(r: dict[str, Any], size: dict[str, Any] | None) -> dict[str, Any]:
    return {name: r[name] for name in ("diameter_mm", "share_at_most", "low", "high", "lognormal_share")} | {
        "group_key": group_key(r),
        "size_text": f"{words.number(r['diameter_mm'])} mm",
        "value_text": words.share(r["share_at_most"]),
        "interval_text": words.interval(r["low"], r["high"], words.share),
        "count_text": size["count_text"] if size else words.MISSING,
        "from_text": words.number(r["interval_low_mm"]),
    }


def curve_grid(rows: list[dict[str, Any]], run: Run) -> Grid:
    return table(
        f"The curve, step by step, with {run.level_text} bounds",
        (
            ("At most", lambda p: Cell(p["size_text"], p["diameter_mm"], f"from {p['from_text']} mm")),
            ("Share of recordings", lambda p: Cell(p["value_text"], p["share_at_most"], p["interval_text"])),
            ("By the lognormal", lambda p: cells.share(p["lognormal_share"])),
        ),
        rows,
        "mart.leak_size_curve",
        choice="group_key",
        limit=len(rows),
        of=lambda p: p["group_key"],
    )
