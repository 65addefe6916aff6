"""Inspection statistics: an item by model year, and stations against what their mix lets expect."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, by_look, finish, only_chosen, tips


def draw_item_by_year(rows: Rows, y_title: str, description: str, item: str, vehicle_type: str) -> Spec:
    """Draw one item of the annual report by model year, with intervals.

    rows : `item`, `vehicle_type`, `model_year`, `percent`, `low_percent`, `high_percent` and the texts
        `value_text`, `interval_text`, `count_text`, `of_text`.
    """
    drawn = [r for r in rows if r["percent"] is not None]
    x = alt.X("model_year:O", title="model year", axis=alt.Axis(labelAngle=-60, labelOverlap=True))
    scale, axis = alt.Scale(zero=True, nice=True), alt.Axis(format=",~f", tickCount=5)
    base = alt.Chart(ROWS)
    rule = (
        base.transform_filter("isValid(datum.low_percent) && isValid(datum.high_percent)")
        .mark_rule(color=theme.TEAL)
        .encode(x=x, y=alt.Y("low_percent:Q", title=y_title, scale=scale, axis=axis), y2="high_percent:Q")
    )
    point = base.mark_point(color=theme.TEAL).encode(
        x=x,
        y=alt.Y("percent:Q", title=y_title, scale=scale, axis=axis),
        tooltip=tips(
            model_year="model year",
            value_text="share",
            interval_text="interval",
            count_text="counted",
            of_text="of",
        ),
    )
    chart = only_chosen(alt.LayerChart(layer=[rule, point]), item=item, vehicle_type=vehicle_type)
    return finish(chart, drawn, description, 260)


def draw_stations(rows: Rows, description: str, measure: str) -> Spec:
    """Draw what each station counted against what an ordinary station in its place lets expect.

    rows : `measure`, `station_id`, `n`, `expected`, `mark` ("a reason to look" or "as expected"), `note`,
        and the texts `count_text`, `value_text`, `interval_text`, `expected_text`, `chance_text`.
    """
    drawn = [r for r in rows if r["n"] is not None and r["expected"] is not None]
    looks = {"a reason to look": theme.FLAGGED, "as expected": (theme.TEAL, "circle")}
    scale = alt.Scale(type="sqrt", zero=True, nice=True)
    x = alt.X(
        "expected:Q",
        title="count expected of an ordinary station",
        scale=scale,
        axis=alt.Axis(format=",~f", tickCount=8),
    )
    y = alt.Y("n:Q", title="count", scale=scale, axis=alt.Axis(format=",~f", tickCount=8))
    base = alt.Chart(ROWS)
    line = base.mark_line(color=theme.FAINT, strokeDash=[4, 3]).encode(
        x=x, y=alt.Y("expected:Q", title="count", scale=scale)
    )
    point = base.mark_point().encode(
        x=x,
        y=y,
        **by_look("mark:N", looks),
        tooltip=tips(
            station_id="station",
            count_text="counted",
            expected_text="expected",
            value_text="share",
            interval_text="interval",
            chance_text="q",
        ),
    )
    notes = (
        base.transform_filter("datum.note !== ''")
        .mark_text(align="right", dx=-9)
        .encode(x=x, y=y, text="note:N")
    )
    return finish(
        only_chosen(alt.LayerChart(layer=[line, point, notes]), measure=measure), drawn, description, 340
    )
