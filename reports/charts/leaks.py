"""The distribution of leak sizes as a step curve with its bounds."""

from __future__ import annotations

import altair as alt

from reports import theme
from reports.charts.frame import ROWS, Rows, Spec, by_curve, finish, only_chosen, tips

#: Sizes that programs speak of, customary and not part of any code's text: 0.020 in and 0.040 in.
MARKED_MM = (0.5, 1.0)
CURVES = ("nonparametric", "censored lognormal")


def draw_size_curve(rows: Rows, x_title: str, y_title: str, description: str, group: str) -> Spec:
    """Draw the share of leaks at most so large against diameter, for the chosen group.

    rows : `group_key`, `diameter_mm` (> 0), `share_at_most`, `low`, `high`, `lognormal_share`, and the texts
        `size_text`, `value_text`, `interval_text`, `count_text`.
    """
    drawn = [r for r in rows if r["diameter_mm"] is not None and r["diameter_mm"] > 0]
    x = alt.X(
        "diameter_mm:Q",
        title=x_title,
        scale=alt.Scale(type="log", nice=False, padding=8),
        axis=alt.Axis(format="~g", values=[0.1, 0.2, 0.3, 0.5, 0.7, 1, 2, 3, 5, 7, 10]),
    )
    scale, axis = alt.Scale(domain=[0, 1]), alt.Axis(format="%", tickCount=5)
    share = alt.Y("share_at_most:Q", title=y_title, scale=scale, axis=axis)
    base = alt.Chart(ROWS)
    band = (
        base.transform_filter("isValid(datum.low) && isValid(datum.high)")
        .mark_area(interpolate="step-after", color=theme.TEAL, opacity=0.16)
        .encode(x=x, y=alt.Y("low:Q", title=y_title, scale=scale, axis=axis), y2="high:Q")
    )
    step = (
        base.transform_calculate(curve=f"'{CURVES[0]}'")
        .mark_line(interpolate="step-after", strokeWidth=2.2)
        .encode(x=x, y=share, **by_curve(CURVES))
    )
    smooth = (
        base.transform_calculate(curve=f"'{CURVES[1]}'")
        .transform_filter("isValid(datum.lognormal_share)")
        .mark_line(strokeWidth=1.6)
        .encode(
            x=x,
            y=alt.Y("lognormal_share:Q", title=y_title, scale=scale, axis=axis),
            **by_curve(CURVES),
        )
    )
    points = base.mark_point(size=34, color=theme.TEAL).encode(
        x=x,
        y=share,
        tooltip=tips(
            size_text="at most", value_text="share", interval_text="interval", count_text="recordings"
        ),
    )
    marks = alt.Chart(alt.InlineData([{"mm": mm, "mm_text": f"{mm:.1f} mm"} for mm in MARKED_MM]))
    lines = marks.mark_rule(color=theme.GRAY, strokeDash=[2, 3], strokeWidth=1).encode(x="mm:Q")
    told = marks.encode(x="mm:Q", y=alt.value(8), text="mm_text:N")
    smallest = f"datum.mm == {min(MARKED_MM)}"
    left = told.transform_filter(smallest).mark_text(align="right", dx=-4, color=theme.GRAY)
    right = told.transform_filter(f"!({smallest})").mark_text(align="left", dx=4, color=theme.GRAY)
    curves = only_chosen(alt.LayerChart(layer=[band, step, smooth, points]), group_key=group)
    return finish(alt.LayerChart(layer=[lines, left, right, curves]), drawn, description, 320)
