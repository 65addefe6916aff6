"""Whether something new is starting: a section of the fleet page."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.tables import ALARMS
from reports import words
from reports.charts.months import draw_months
from reports.pages import cells
from reports.pages.page import Finding, Grid, Picture, Section, choice, table
from reports.pages.parts import names_of

#: Charts may be looked at for so many pairs, those with the most evidence of a rise first.
MAX_CHARTS = 60

EXPECTED = (
    "Expected: the months' exposure by age under the life of the part on all models, times the model's own level as"
    " its earlier months show it. Failures within the follow-up window after a repair of the same part count against"
    " that repair and not here."
)

CHART = (
    "Chart: Poisson CUSUM (J. Lucas, Technometrics 27, 1985) on the likelihood ratio of a raised level against the"
    " usual one, with what is not yet known of the usual level carried along; it starts, and starts again after a"
    " signal, at a quarter of its limit. The limit is set so that all charts together keep to the stated chance, by the"
    " martingale bound (M + head start)/limit for M months."
)


def something_new(rows: pl.DataFrame) -> Section:
    question = "Is something new starting?"
    every = [with_words(r) for r in rows.sort("make", "model", "component", "month").to_dicts()]
    judged = [r for r in every if r["month"] is not None and r["evidence"] is not None]
    if not judged:
        return Section(
            "new", question, ("Not known: no failure to follow from month to month.",), how=(EXPECTED,)
        )
    last = list({r["group_key"]: r for r in judged}.values())
    signals = [r for r in judged if r["is_signal"]]
    beginning = first_signals(judged)
    most = {r["group_key"]: 0.0 for r in last}
    for r in judged:
        most[r["group_key"]] = max(most[r["group_key"]], r["evidence"])
    offered = sorted(last, key=lambda r: (-most[r["group_key"]], r["group_key"]))[:MAX_CHARTS]
    keys = {r["group_key"] for r in offered}
    alt = "Failures counted and expected in each month for the chosen part and model; diamonds are signals."
    chart = draw_months(
        [drawn(r) for r in judged if r["group_key"] in keys],
        "month",
        words.axis_title(ALARMS, "observed"),
        alt,
        offered[0]["group_key"],
    )
    return Section(
        "new",
        question,
        answer(last, beginning),
        notable=True,
        findings=tuple(Finding(signal_sentence(r)) for r in beginning[:6]),
        choices=(
            choice(
                "group_key",
                "Part and model",
                [(r["group_key"], f"{r['part']}: {r['name']}") for r in offered],
                offered[0]["group_key"],
            ),
        ),
        picture=Picture(
            chart,
            alt,
            "Bars: failures counted; dashed: expected; diamond: the chart signals. Most evidence of a rise first.",
        ),
        grids=(alarm_grid(last, most, signals),),
        how=(EXPECTED, CHART),
        left_out=(
            "Failures since the evidence began to rise are a stretch chosen because it rises: without a change, too,"
            " they are more than expected. The evidence against its limit allows for that, the two counts do not.",
            "A level that was high from the first month: nothing started then; see the rates.",
            "Small and slow rises: a chart that is looked at every month for every part and may hardly ever be wrong"
            " needs about twenty to thirty failures to be sure of a doubling.",
            "In simulations of 100 charts over 60 months half of them signaled a doubling within 8 months at 8 failures"
            " a month and within 17 at 4; at 1 a month fewer than half did within three years.",
        ),
    )


def with_words(r: dict[str, Any]) -> dict[str, Any]:
    return r | names_of(r) | {"month_text": r["month"].strftime("%Y-%m") if r["month"] else words.MISSING}


def first_signals(charts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Pick the first signal of each chart, the earliest first; `charts` are months in their order."""
    first: dict[str, dict[str, Any]] = {}
    for r in charts:
        if r["is_signal"]:
            first.setdefault(r["group_key"], r)
    return sorted(first.values(), key=lambda r: r["month"])


def answer(last: list[dict[str, Any]], signals: list[dict[str, Any]]) -> tuple[str, ...]:
    some = last[0]
    paid = (
        f"Chance of any false signal over all {words.plural(some['n_charts'], 'chart')} and the whole window: at most"
        f" {words.share(some['false_alarm_chance'])}; without a change one chart would run at least"
        f" {words.number(some['run_length_months'])} months on average."
    )
    if not signals:
        return (f"No chart of {words.count(len(last))} signals a rise.{nearest(last)}", paid)
    verb = "signals" if len(signals) == 1 else "signal"
    return (f"{len(signals)} of {words.plural(len(last), 'chart')} {verb} a rise.", paid)


def nearest(last: list[dict[str, Any]]) -> str:
    """Name the chart that stands nearest to its limit at the end of the window."""
    r = max(last, key=lambda r: r["evidence"])
    if not r["observed_since"]:
        return ""
    return (
        f" Nearest to its limit: {r['name']}, {r['part']}, with {words.two_digits(r['evidence'])} of the"
        f" {words.number(r['evidence_limit'])} that a signal takes; {risen(r)}."
    )


def risen(r: dict[str, Any]) -> str:
    """Tell what was counted and expected since the evidence began to rise, and on which model year most of it is."""
    on_year = (
        f", {words.count(r['n_on_model_year'])} of them on model year {r['model_year']}"
        if r["model_year"] is not None
        else ""
    )
    return (
        f"{words.plural(r['observed_since'], 'failure')} since {r['rising_since']:%Y-%m}, where"
        f" {words.two_digits(r['expected_since'])} would be expected at the level before{on_year}"
    )


def signal_sentence(r: dict[str, Any]) -> str:
    return (
        f"{r['name']}, {r['part']}: first signal in {r['month_text']},"
        f" {words.plural(r['observed'], 'failure')} that month where {words.number(r['expected'], 2)} were expected"
        f"{'; ' + risen(r) if r['observed_since'] else ''}."
    )


def drawn(r: dict[str, Any]) -> dict[str, Any]:
    return {
        "group_key": r["group_key"],
        "month": r["month"].isoformat(),
        "observed": r["observed"],
        "expected": r["expected"],
        "mark": "signal" if r["is_signal"] else "",
        "month_text": r["month_text"],
        "count_text": words.plural(r["observed"], "failure"),
        "expected_text": words.number(r["expected"], 2),
        "evidence_text": f"{words.number(r['evidence'], 2)}, limit {words.number(r['evidence_limit'], 3)}",
    }


def alarm_grid(last: list[dict[str, Any]], most: dict[str, float], signals: list[dict[str, Any]]) -> Grid:
    first = {r["group_key"]: r["month_text"] for r in reversed(signals)}
    return table(
        "Charts of every part and model, most evidence of a rise first",
        (
            ("Part", lambda r: cells.text(r["part"], r["group_key"] in first)),
            ("Model", lambda r: cells.text(r["name"])),
            ("Last month", lambda r: cells.count(r["observed"])),
            ("Expected", lambda r: cells.number(r["expected"], 2)),
            ("Since the evidence rises", lambda r: cells.text(risen(r) if r["observed_since"] else "")),
            ("Evidence", lambda r: cells.number(r["evidence"], 3)),
            ("Most evidence", lambda r: cells.number(most[r["group_key"]], 3)),
            ("Limit", lambda r: cells.number(r["evidence_limit"], 3)),
            ("First signal", lambda r: cells.text(first.get(r["group_key"], ""))),
        ),
        sorted(last, key=lambda r: -most[r["group_key"]]),
        "mart.alarms",
        n_text_columns=2,
    )
