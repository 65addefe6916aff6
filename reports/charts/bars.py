"""Bars with their number written at the end."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, AnyChart, Rows, Spec, finish_lines, only_chosen, tips


def draw_bars(
    rows: Rows,
    x_title: str,
    description: str,
    chosen: dict[str, str] | None = None,
    count_title: str = "count",
    step: int = 24,
) -> Spec:
    """Draw one bar per category.

    rows : `category`, `order` (place from the top), `value`, `bar_text` (at the end of the bar),
        `count_text` (on hover); with a choice also the chosen field.
        A line break in a category makes a label of two lines.
    step : height of one line [px].
    """
    longest = max((r["value"] or 0 for r in rows), default=0)
    y = alt.Y(
        "category:N",
        title=None,
        sort=alt.EncodingSortField(field="order", op="min", order="ascending"),
        axis=alt.Axis(domain=False, ticks=False, labelLimit=230, labelExpr="split(datum.label, '\\n')"),
    )
    base = alt.Chart(ROWS)
    bars = base.mark_bar(color=theme.TEAL, height=12).encode(
        x=alt.X(
            "value:Q",
            title=x_title,
            scale=alt.Scale(domain=[0, 1.2 * longest or 1]),
            axis=alt.Axis(format=",~f", tickCount=5),
        ),
        y=y,
        tooltip=tips(category="what", count_text=count_title),
    )
    text = base.mark_text(align="left", dx=5).encode(x="value:Q", y=y, text="bar_text:N")
    chart: AnyChart = alt.LayerChart(layer=[bars, text])
    if chosen:
        chart = only_chosen(chart, **chosen)
    return finish_lines(chart, rows, description, step, chosen)
