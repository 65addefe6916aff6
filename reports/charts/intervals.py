"""Dots with intervals: one row per thing, one dot per estimate of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import altair as alt

from reports import theme, words
from reports.charts.frame import ROWS, AnyChart, Rows, Spec, finish_lines, only_chosen, tips

STEP = 24


def interval_dot(
    category: str,
    order: int,
    estimate: Iterable[float | None],
    count_text: str,
    *,
    write: Callable[[float | None], str] = words.number,
    unit: str = "",
    **more: Any,
) -> dict[str, Any]:
    """Lay one estimate (value, low, high) out for `draw_intervals`; `more` holds its `series`, `mark` and choice."""
    value, low, high = estimate
    return {
        "category": category,
        "order": order,
        "value": value,
        "low": low,
        "high": high,
        "value_text": f"{write(value)}{unit}",
        "interval_text": f"{words.interval(low, high, write)}{unit}",
        "count_text": count_text,
        **more,
    }


def draw_intervals(
    rows: Rows,
    *,
    x_title: str,
    description: str,
    series: tuple[str, ...] = (),
    scale: str = "linear",
    x_format: str = ",~f",
    as_share: bool = False,
    chosen: dict[str, str] | None = None,
    count_title: str = "count",
    interval_title: str = "interval",
) -> Spec:
    """Draw estimates with their bounds, one line per category.

    Parameters
    ----------
    rows : one per dot: `category`, `order` (place from the top), `value`, `low`, `high` (in the axis' unit),
        `mark` ("stands out" or ""), and the texts `value_text`, `interval_text`, `count_text`; with several
        estimates per category also `series`; with a choice also the chosen field. Where `low` is known and `high`
        is not, a dashed line runs from `low` to the edge of the picture.
    series : the estimates in drawing order; empty for one.
    scale : "linear" or "sqrt" (square root: counts have even scatter on it, and it holds 0).
    """
    drawn = [r for r in rows if r["value"] is not None]
    x_scale = (
        alt.Scale(zero=False, domainMax=1) if as_share else alt.Scale(type=scale, zero=True)  # type: ignore[arg-type]
    )
    axis = alt.Axis(format="%" if as_share else x_format, tickCount=6)
    y = alt.Y(
        "category:N",
        title=None,
        sort=alt.EncodingSortField(field="order", op="min", order="ascending"),
        axis=alt.Axis(grid=True, domain=False, ticks=False, labelLimit=230),
    )
    base = alt.Chart(ROWS)
    rule = base.transform_filter("isValid(datum.low) && isValid(datum.high)").mark_rule()
    rule = rule.encode(
        x=alt.X("low:Q", title=x_title, scale=x_scale, axis=axis), x2="high:Q", y=y, **_looks(series, False)
    )
    point = base.mark_point().encode(
        x=alt.X("value:Q", title=x_title, scale=x_scale, axis=axis),
        y=y,
        tooltip=tips(
            category="what",
            **({"series": "estimate"} if series else {}),
            value_text="value",
            interval_text=interval_title,
            count_text=count_title,
        ),
        **_looks(series, True),
    )
    unbounded = base.transform_filter("isValid(datum.low) && !isValid(datum.high)")
    open_ended = unbounded.mark_rule(strokeDash=[3, 3]).encode(
        x=alt.X("low:Q", title=x_title, scale=x_scale, axis=axis),
        x2=alt.X2Value("width"),
        y=y,
        **_looks(series, False),
    )
    has_open_end = any(r["low"] is not None and r["high"] is None for r in drawn)
    chart: AnyChart = alt.LayerChart(layer=[rule, *([open_ended] if has_open_end else []), point])
    if chosen:
        chart = only_chosen(chart, **chosen)
    step = STEP if len(series) < 2 else 20 * len(series)
    return finish_lines(chart, drawn, description, step, chosen)


def _looks(series: tuple[str, ...], with_shape: bool) -> dict[str, Any]:
    """Color, and for dots shape, by series; without series by whether the row stands out."""
    if series:
        field, legend = "series:N", alt.Legend(title=None)
        looks = dict(zip(series, zip(theme.SERIES_COLORS, theme.SERIES_SHAPES, strict=True), strict=False))
    else:
        field, legend = "mark:N", None
        looks = {"": theme.PLAIN, "stands out": theme.FLAGGED}
    colors, shapes = (list(each) for each in zip(*looks.values(), strict=True))
    channels: dict[str, Any] = {
        "color": alt.Color(field, scale=alt.Scale(domain=list(looks), range=colors), legend=legend)
    }
    if with_shape:
        channels["shape"] = alt.Shape(field, scale=alt.Scale(domain=list(looks), range=shapes), legend=legend)
    return channels | ({"yOffset": alt.YOffset("series:N", sort=list(series))} if series else {})
