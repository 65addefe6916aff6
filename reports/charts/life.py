"""Failures by age on Weibull paper: what was counted beside the fitted life."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, by_curve, finish, only_chosen, tips

CURVES = ("as counted (Nelson-Aalen)", "Weibull fit")


def draw_life_curve(rows: Rows, x_title: str, y_title: str, description: str, group: str) -> Spec:
    """Draw failures per unit against age, both axes logarithmic, for the chosen group.

    rows : `group_key`, `age_years` (> 0), `failures_per_unit`, `low`, `high`, `weibull_failures_per_unit`, and the
        texts `age_text`, `value_text`, `interval_text`, `fit_text`, `count_text`.
    """
    x = alt.X(
        "age_years:Q",
        title=x_title,
        scale=alt.Scale(type="log", nice=False, padding=8),
        axis=alt.Axis(format="~g", values=[0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 40]),
    )
    scale = alt.Scale(type="log", nice=False, padding=8)
    axis = alt.Axis(format="~g", tickCount=5)
    base = alt.Chart(ROWS)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", title=y_title, scale=scale, axis=axis)

    band = (
        base.transform_filter("isValid(datum.low) && isValid(datum.high)")
        .mark_area(color=theme.TEAL, opacity=0.16)
        .encode(x=x, y=y("low"), y2="high:Q")
    )
    counted = (
        base.transform_calculate(curve=f"'{CURVES[0]}'")
        .mark_line(strokeWidth=2, point=False)
        .encode(x=x, y=y("failures_per_unit"), **by_curve(CURVES))
    )
    fit = (
        base.transform_calculate(curve=f"'{CURVES[1]}'")
        .transform_filter("datum.weibull_failures_per_unit > 0")
        .mark_line(strokeWidth=1.8)
        .encode(x=x, y=y("weibull_failures_per_unit"), **by_curve(CURVES))
    )
    points = base.mark_point(size=30, color=theme.TEAL).encode(
        x=x,
        y=y("failures_per_unit"),
        tooltip=tips(
            age_text="age",
            value_text="failures per unit",
            interval_text="interval",
            fit_text="by the fit",
            count_text="failures",
        ),
    )
    layers = only_chosen(alt.LayerChart(layer=[band, counted, fit, points]), group_key=group)
    return finish(layers, rows, description, 320)
