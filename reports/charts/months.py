"""Month by month: failures counted beside those expected, and where a chart signals."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, finish, only_chosen, tips


def draw_months(rows: Rows, x_title: str, y_title: str, description: str, group: str) -> Spec:
    """Draw bars of counted failures, a line of expected ones, and a diamond where the chart signals.

    rows : `group_key`, `month` (ISO date), `observed`, `expected`, `mark` ("signal" or ""), and the texts
        `month_text`, `count_text`, `expected_text`, `evidence_text`.
    """
    base = alt.Chart(ROWS)
    x = alt.X(
        "month:T",
        timeUnit="yearmonth",
        title=x_title,
        axis=alt.Axis(format="%b %Y", tickCount=8, labelAngle=-40),
    )
    tip = tips(
        month_text="month",
        count_text="counted",
        expected_text="expected",
        evidence_text="evidence of a rise",
        mark="chart",
    )
    bars = base.mark_bar(color=theme.FAINT, width={"band": 0.8}).encode(
        x=x,
        y=alt.Y("observed:Q", title=y_title, axis=alt.Axis(format="d", tickMinStep=1)),
        tooltip=tip,
    )
    line = base.mark_line(color=theme.RUST, strokeDash=[5, 4], strokeWidth=1.8).encode(
        x=x,
        y=alt.Y("expected:Q", title=y_title),
    )
    signals = (
        base.transform_filter("datum.mark === 'signal'")
        .mark_point(color=theme.FLAGGED[0], shape="diamond", size=140)
        .encode(
            x=x,
            y=alt.Y("observed:Q", title=y_title),
            tooltip=tip,
        )
    )
    chart = only_chosen(alt.LayerChart(layer=[bars, line, signals]), group_key=group)
    return finish(chart, rows, description, 260)
