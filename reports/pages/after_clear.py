"""How far a vehicle must be driven after a clear until a monitor is complete: a section of the inspection page."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import words
from reports.charts.intervals import draw_intervals, interval_dot
from reports.pages import cells
from reports.pages.page import Cell, Grid, Picture, Section, choice, table
from reports.pages.run import Run

COUNTERS = {"distance_km": "distance, km", "warmups": "warm-ups"}
SERIES = ("by the records alone", "curve, pooled over models")
MAX_MODELS = 60

HOW = (
    "Each vehicle is looked at once: at the first visit of the test cycle that came soonest after a clear, by its"
    " distance or warm-ups since the codes were cleared (SAE J1979 parameters 31 and 30). It shows the"
    " monitor complete or"
    " not, so the distance it needed is known only to lie below or above. A counter at its end counts as more than it"
    " can count.",
    "By the records alone: isotonic regression, the nonparametric maximum likelihood estimate (M. Ayer and others,"
    " Ann. Math. Stat. 26, 1955); bounds by inverting the likelihood ratio test (M. Banerjee and J. A. Wellner, Ann."
    " Stat. 29, 2001).",
    "Curve: lognormal, each model leaning on the others by as much as its own records leave open (N. M."
    " Laird and J. H."
    " Ware, Biometrics 38, 1982).",
)
LEFT_OUT = (
    "Later visits of a test cycle: they are made because of what the first one showed.",
    "Readings that three or more vehicles of one station share: they are no reading of these vehicles.",
)


def how_far(after: pl.DataFrame, run: Run) -> Section:
    """Ask how far to drive; rows of `mart.monitor_after_clear`."""
    question = "How far must a vehicle be driven after a clear until a monitor is complete?"
    every = after.sort("monitor", "counter", "share_ready", "make", "model").to_dicts()
    rows = [r for r in every if r["share_ready"] is not None and r["counter"] in COUNTERS]
    shown = [r for r in rows if r["reading"] is not None or r["pooled"] is not None]
    if not shown:
        nothing = (
            "Not known: no inspection tells the distance or the warm-ups since a clear and the monitors."
        )
        return Section("after-clear", question, (nothing,), how=HOW)
    ninety = [r for r in shown if r["share_ready"] == 0.9]
    asked = [(key(r), key_text(r)) for r in (ninety or shown)]
    options = list(dict.fromkeys(asked))
    first = next((k for k, _ in options if k == "evap distance_km"), options[0][0])
    alt = "Reading since a clear at which 90% of a model's vehicles have the chosen monitor complete, with intervals."
    chart = draw_intervals(
        [d for k, _ in options for d in dots([r for r in ninety if key(r) == k])],
        x_title="km or warm-ups since a clear at which 90% are complete",
        description=alt,
        series=SERIES,
        scale="sqrt",
        chosen={"monitor": first},
        count_title="not complete, of",
    )
    return Section(
        "after-clear",
        question,
        answer([r for r in ninety if key(r) == first], run),
        choices=(choice("monitor", "Monitor and counter", options, first),),
        picture=Picture(
            chart,
            alt,
            f"Dot: reading at which 90% of the vehicles have it complete; line: {run.level_text} interval, dashed"
            " where it has no upper end. The axis is a square root.",
        ),
        grids=(numbers(rows),),
        how=HOW,
        left_out=LEFT_OUT,
    )


def key(r: dict[str, Any]) -> str:
    return f"{r['monitor']} {r['counter']}"


def key_text(r: dict[str, Any]) -> str:
    return f"{words.label(r['monitor'])}, {COUNTERS[r['counter']]}"


def answer(rows: list[dict[str, Any]], run: Run) -> tuple[str, ...]:
    """Say which model must be driven farthest, by the estimate that leans on the others."""
    known = [r for r in rows if r["pooled"] is not None]
    if not known:
        return ("Too few vehicles were looked at soon after a clear to say it for any model.",)
    most = max(known, key=lambda r: (r["pooled"], r["make"], r["model"]))
    least = min(known, key=lambda r: (r["pooled"], r["make"], r["model"]))
    return tuple(sentence(name, r, run) for name, r in (("Farthest", most), ("Nearest", least)))


def sentence(name: str, r: dict[str, Any], run: Run) -> str:
    unit = "km" if r["counter"] == "distance_km" else "warm-ups"
    return (
        f"{name}: 90% of {words.of_model(r)} have the {words.label(r['monitor'])} monitor complete by"
        f" {words.number(r['pooled'])} {unit} ({run.level_text} interval"
        f" {words.interval(r['pooled_low'], r['pooled_high'])}; curve pooled over models;"
        f" {words.count(r['n_not_ready'])} of {words.plural(r['n_vehicles'], 'vehicle')} not complete when looked at)."
    )


def dots(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    ordered = sorted(rows, key=lambda r: (-(r["pooled"] or r["reading"] or 0), words.of_model(r)))[
        :MAX_MODELS
    ]
    return [
        interval_dot(
            words.of_model(r),
            order,
            estimate,
            f"{words.count(r['n_not_ready'])} of {words.count(r['n_vehicles'])}",
            monitor=key(r),
            series=series,
        )
        for order, r in enumerate(ordered)
        for series, estimate in (
            (SERIES[0], (r["reading"], r["low"], r["high"])),
            (SERIES[1], (r["pooled"], r["pooled_low"], r["pooled_high"])),
        )
        if estimate[0] is not None
    ]


def numbers(rows: list[dict[str, Any]]) -> Grid:
    return table(
        "The chosen monitor and counter, by model",
        (
            ("Model", lambda r: cells.text(words.of_model(r))),
            ("Monitor, counter", lambda r: cells.text(key_text(r))),
            ("Ready", lambda r: Cell(f"{100 * r['share_ready']:.0f}%", r["share_ready"])),
            ("Vehicles", lambda r: cells.count(r["n_vehicles"])),
            ("Not complete", lambda r: cells.count(r["n_not_ready"])),
            (
                "By the records",
                lambda r: Cell(words.number(r["reading"]), r["reading"], spread(r, "low", "high", "reason")),
            ),
            (
                "Pooled curve",
                lambda r: Cell(
                    words.number(r["pooled"]),
                    r["pooled"],
                    spread(r, "pooled_low", "pooled_high", "pooled_reason"),
                ),
            ),
        ),
        rows,
        "mart.monitor_after_clear",
        choice="monitor",
        n_text_columns=2,
        limit=3000,
        of=lambda r: key(r),
    )


def spread(r: dict[str, Any], low: str, high: str, reason: str) -> str:
    return r[reason] or words.interval(r[low], r[high])
