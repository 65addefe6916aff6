"""Counts as bars with the count written at the end."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import AnyChart, Rows, finish, only_chosen, tips, values


def draw_counts(rows: Rows, x_title: str, description: str, chosen: dict[str, str] | None = None) -> AnyChart:
    """Draw one bar per category.

    rows : `category`, `order` (place from the top), `n`, `count_text`; with a choice also the chosen field.
    """
    y = alt.Y(
        "category:N",
        title=None,
        sort=alt.EncodingSortField(field="order", op="min", order="ascending"),
        axis=alt.Axis(domain=False, ticks=False, labelLimit=230),
    )
    base = alt.Chart(values(rows))
    bars = base.mark_bar(color=theme.TEAL, height=12).encode(
        x=alt.X("n:Q", title=x_title, axis=alt.Axis(format=",~g", tickCount=5, tickMinStep=1)),
        y=y,
        tooltip=tips(category="what", count_text="count"),
    )
    text = base.mark_text(align="left", dx=5).encode(x="n:Q", y=y, text="count_text:N")
    chart: AnyChart = alt.layer(bars, text)
    if chosen:
        chart = only_chosen(chart, **chosen)
    return finish(chart, description, alt.Step(24))
