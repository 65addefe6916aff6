"""Share of repairs without a comeback, day by day, on two sides of a comparison."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, finish, only_chosen, tips


def draw_two_sides(
    rows: Rows, x_title: str, y_title: str, description: str, sides: tuple[str, str], chosen: str
) -> Spec:
    """Draw two step curves with their bounds for the chosen comparison.

    rows : `comparison`, `side` (one of `sides`), `day`, `share_without_comeback`, `low`, `high`, and the texts
        `day_text`, `value_text`, `interval_text`, `count_text`.
    """
    base = alt.Chart(ROWS)
    scale, axis = alt.Scale(zero=False, domainMax=1), alt.Axis(format="%", tickCount=6)
    looks = alt.Scale(domain=list(sides), range=[theme.GRAY, theme.TEAL])
    # the legend shows the lines, not the pale bands
    legend = alt.Legend(symbolType="stroke", symbolOpacity=1, symbolStrokeWidth=2)
    color = alt.Color("side:N", title=None, scale=looks, legend=legend)
    dashes = alt.StrokeDash("side:N", title=None, scale=alt.Scale(domain=list(sides), range=[[5, 4], [1, 0]]))
    x = alt.X("day:Q", title=x_title, axis=alt.Axis(tickCount=6))
    y = alt.Y("share_without_comeback:Q", title=y_title, scale=scale, axis=axis)
    band = (
        base.transform_filter("isValid(datum.low) && isValid(datum.high)")
        .mark_area(interpolate="step-after", opacity=0.14)
        .encode(
            x=x,
            y=alt.Y("low:Q", title=y_title, scale=scale, axis=axis),
            y2="high:Q",
            color=color,
        )
    )
    step = base.mark_line(interpolate="step-after", strokeWidth=2).encode(
        x=x,
        y=y,
        color=color,
        strokeDash=dashes,
        tooltip=tips(
            side="repairs",
            day_text="day",
            value_text="without a comeback",
            interval_text="interval",
            count_text="still followed",
        ),
    )
    chart = only_chosen(alt.LayerChart(layer=[band, step]), comparison=chosen)
    return finish(chart, rows, description, 280)
