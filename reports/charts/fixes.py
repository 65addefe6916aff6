"""Repairs that last: shops against their funnel limits, and what recordings prove."""

from __future__ import annotations

import altair as alt

from reports import theme, words
from reports.charts.frame import ROWS, Rows, Spec, finish, tips


def draw_funnel(rows: Rows, x_title: str, y_title: str, description: str) -> Spec:
    """Draw shops against what chance allows for their number of repairs and their mix of work.

    rows : `group`, `n_repairs`, `first_time_fix`, `expected`, `funnel_low`, `funnel_high`,
        `funnel_beyond_low`, `funnel_beyond_high` (shares), `funnel_label`, `note` (text beside the dot),
        and the texts `value_text`, `interval_text`, `expected_text`, `count_text`.
    """
    x = alt.X("n_repairs:Q", title=x_title, scale=alt.Scale(type="sqrt", zero=False, padding=14))
    y_scale = alt.Scale(zero=False, padding=12)
    axis = alt.Axis(format="%", tickCount=6)
    base = alt.Chart(ROWS)

    def limits(low: str, high: str, width: int, color: str) -> alt.Chart:
        y = alt.Y(f"{low}:Q", title=y_title, scale=y_scale, axis=axis)
        return (
            base.transform_filter(f"isValid(datum.{low}) && isValid(datum.{high})")
            .mark_rule(strokeWidth=width, color=color)
            .encode(x=x, y=y, y2=f"{high}:Q")
        )

    y = alt.Y("first_time_fix:Q", title=y_title, scale=y_scale, axis=axis)
    expected = (
        base.transform_filter("isValid(datum.expected)")
        .mark_tick(orient="horizontal", size=12, thickness=2, color=theme.GRAY)
        .encode(x=x, y=alt.Y("expected:Q", title=y_title, scale=y_scale, axis=axis))
    )
    picked = alt.selection_point(name="picked_class", fields=["funnel_label"], bind="legend")
    names = [words.label(word) for word in theme.FUNNEL_MARKS]
    points = (
        alt.Chart(ROWS, name="shops")
        .mark_point(size=95)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "funnel_label:N",
                title=None,
                scale=alt.Scale(domain=names, range=[c for c, _ in theme.FUNNEL_MARKS.values()]),
            ),
            shape=alt.Shape(
                "funnel_label:N",
                title=None,
                scale=alt.Scale(domain=names, range=[s for _, s in theme.FUNNEL_MARKS.values()]),
            ),
            opacity=alt.condition(picked, alt.value(1), alt.value(0.15)),
            tooltip=tips(
                group="shop",
                value_text="without a comeback",
                interval_text="interval",
                expected_text="expected for its mix",
                count_text="repairs",
                funnel_label="place",
            ),
        )
        .add_params(picked)
    )
    notes = (
        base.transform_filter("datum.note !== ''")
        .mark_text(align="right", dx=-10)
        .encode(x=x, y=y, text="note:N")
    )
    layers = (
        limits("funnel_beyond_low", "funnel_beyond_high", 2, theme.LIMIT_FAR),
        limits("funnel_low", "funnel_high", 7, theme.LIMIT_NEAR),
        expected,
        points,
        notes,
    )
    return finish(alt.LayerChart(layer=list(layers)), rows, description, 360)


def draw_proof(rows: Rows, description: str) -> Spec:
    """Draw what recordings say of each shop's repairs, as counts that add up to its repairs.

    rows : `shop`, `verified` (closed word), `verified_label`, `place` (0, 1, ...), `n`, `count_text`.
    """
    classes = list(theme.VERIFIED_COLORS)
    base = alt.Chart(ROWS).encode(
        y=alt.Y("shop:N", title=None, axis=alt.Axis(domain=False, ticks=False)),
        x=alt.X("n:Q", title="repairs", stack="zero", axis=alt.Axis(format=",~f", tickCount=6)),
        order=alt.Order("place:Q"),
    )
    bars = base.mark_bar(stroke="#ffffff", strokeWidth=1.5, height=16).encode(
        color=alt.Color(
            "verified_label:N",
            title=None,
            sort=None,
            scale=alt.Scale(
                domain=[words.label(c) for c in classes], range=[theme.VERIFIED_COLORS[c] for c in classes]
            ),
        ),
        tooltip=tips(shop="shop", verified_label="recordings say", count_text="repairs"),
    )
    return finish(bars, rows, description, 26 * len({r["shop"] for r in rows}))
