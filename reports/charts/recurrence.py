"""Failures per vehicle by age: a step curve with its bounds."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, finish, only_chosen, tips


def draw_recurrence(rows: Rows, x_title: str, y_title: str, description: str, group: str) -> Spec:
    """Draw the mean number of failures per vehicle up to an age, for the chosen group.

    rows : `group_key`, `age_years`, `failures_per_vehicle`, `low`, `high`, `is_read` (enough vehicles are left at
        that age; beyond, the steps are thin and without a band), and the texts `age_text`, `value_text`,
        `interval_text`, `count_text`.
    """
    base = alt.Chart(ROWS)
    enough = base.transform_filter("datum.is_read")
    x = alt.X("age_years:Q", title=x_title, axis=alt.Axis(format="~g"))
    band = (
        enough.transform_filter("isValid(datum.low) && isValid(datum.high)")
        .mark_area(interpolate="step-after", color=theme.TEAL, opacity=0.16)
        .encode(x=x, y=alt.Y("low:Q", title=y_title), y2="high:Q")
    )
    y = alt.Y("failures_per_vehicle:Q", title=y_title)
    thin = base.mark_line(interpolate="step-after", color=theme.TEAL, strokeWidth=0.8).encode(x=x, y=y)
    step = enough.mark_line(interpolate="step-after", color=theme.TEAL, strokeWidth=2).encode(x=x, y=y)
    points = enough.mark_point(size=26, color=theme.TEAL).encode(
        x=x,
        y=y,
        tooltip=tips(
            age_text="up to age",
            value_text="failures per vehicle",
            interval_text="interval",
            count_text="failures",
        ),
    )
    return finish(
        only_chosen(alt.LayerChart(layer=[band, thin, step, points]), group_key=group), rows, description, 280
    )
