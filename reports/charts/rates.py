"""Failure rates: which model and component, how often, against whom."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, by_look, finish, tips

#: Counts that a legend may name, of which it shows the three largest that occur.
ROUND_COUNTS = tuple(digit * 10**power for power in range(9) for digit in (1, 2, 5))


def legend_counts(rows: Rows) -> list[int]:
    """Round counts for the legend, none above the largest and none of 0, which has no mark."""
    largest = max((r["n_failures"] for r in rows), default=0)
    return [n for n in ROUND_COUNTS if n <= largest][-3:]


def draw_recurrence_map(rows: Rows, description: str) -> Spec:
    """Draw models against components: area is the number of failures, a diamond is a recurring pair.

    rows : `model`, `component`, `n_failures`, `mark` ("recurring" or "not recurring"), and the texts
        `value_text`, `interval_text`, `count_text`, `ratio_text`.
    """
    looks = {"recurring": theme.FLAGGED, "not recurring": (theme.GRAY, "circle")}
    chart = (
        alt.Chart(ROWS)
        .mark_point(opacity=0.9)
        .encode(
            x=alt.X("component:N", title=None, axis=alt.Axis(labelAngle=-40, orient="bottom", grid=True)),
            y=alt.Y("model:N", title=None, axis=alt.Axis(grid=True, domain=False, ticks=False)),
            size=alt.Size(
                "n_failures:Q",
                title="failures",
                scale=alt.Scale(range=[30, 420], zero=True),
                legend=alt.Legend(
                    orient="bottom",
                    values=legend_counts(rows),
                    symbolFillColor=theme.GRAY,
                    symbolStrokeColor=theme.GRAY,
                ),
            ),
            **by_look("mark:N", looks),
            tooltip=tips(
                model="model",
                component="component",
                count_text="failures",
                value_text="per 1000 vehicle-years",
                interval_text="interval",
                ratio_text="against the rest",
                mark="verdict",
            ),
        )
    )
    return finish(chart, rows, description, 26 * len({r["model"] for r in rows}))
