"""Repairs that last: shops against their funnel limits, and what recordings prove."""

from __future__ import annotations

import math
from typing import NamedTuple

import altair as alt

from reports import theme, words
from reports.charts.frame import ROWS, Rows, Spec, by_look, finish, tips


def draw_funnel(rows: Rows, x_title: str, y_title: str, description: str) -> Spec:
    """Draw shops against what chance allows for their number of repairs and their mix of work.

    rows : `group`, `n_repairs`, `first_time_fix`, `expected`, `funnel_low`, `funnel_high`,
        `funnel_beyond_low`, `funnel_beyond_high` (shares), `funnel_label`, `note` (text beside the dot),
        and the texts `value_text`, `interval_text`, `expected_text`, `count_text`.
    """
    x = alt.X("n_repairs:Q", title=x_title, scale=alt.Scale(type="sqrt", zero=False, padding=14))
    y = _Share(y_title, _lowest(rows))
    notes = alt.Chart(ROWS).mark_text(align="right", dx=-10)
    layers = [
        _limits(x, y, "funnel_beyond_low", "funnel_beyond_high", 2, theme.LIMIT_FAR),
        _limits(x, y, "funnel_low", "funnel_high", 7, theme.LIMIT_NEAR),
        _expected(x, y),
        _shops(x, y),
        notes.encode(x=x, y=y.of("first_time_fix"), text="note:N"),
    ]
    return finish(alt.LayerChart(layer=layers), rows, description, 360)


class _Share(NamedTuple):
    """The axis of shares, from `lowest` to 1."""

    title: str
    lowest: float

    def of(self, field: str) -> alt.Y:
        return alt.Y(
            f"{field}:Q",
            title=self.title,
            scale=alt.Scale(domain=[self.lowest, 1]),
            axis=alt.Axis(format="%", tickCount=6),
        )


def _lowest(rows: Rows) -> float:
    """Return the tenth below the lowest shop and limit, so that no mark lies on the other axis."""
    shares = (row[name] for row in rows for name in ("first_time_fix", "funnel_beyond_low"))
    known = [share for share in shares if share is not None]
    return max(math.floor(10 * min(known, default=0.0) - 0.2) / 10, 0.0)


def _limits(x: alt.X, y: _Share, low: str, high: str, width: int, color: str) -> alt.Chart:
    known = alt.Chart(ROWS).transform_filter(f"isValid(datum.{low}) && isValid(datum.{high})")
    return known.mark_rule(strokeWidth=width, color=color).encode(x=x, y=y.of(low), y2=f"{high}:Q")


def _expected(x: alt.X, y: _Share) -> alt.Chart:
    known = alt.Chart(ROWS).transform_filter("isValid(datum.expected)")
    tick = known.mark_tick(orient="horizontal", size=12, thickness=2, color=theme.GRAY)
    return tick.encode(x=x, y=y.of("expected"))


def _shops(x: alt.X, y: _Share) -> alt.Chart:
    """Draw one mark per shop; a click on the legend dims the other classes."""
    picked = alt.selection_point(name="picked_class", fields=["funnel_label"], bind="legend")
    looks = {words.label(word): look for word, look in theme.FUNNEL_MARKS.items()}
    points = alt.Chart(ROWS, name="shops").mark_point(size=95)
    return points.encode(
        x=x,
        y=y.of("first_time_fix"),
        **by_look("funnel_label:N", looks),
        opacity=alt.condition(picked, alt.value(1), alt.value(0.15)),
        tooltip=tips(
            group="shop",
            value_text="without a comeback",
            interval_text="interval",
            expected_text="expected for its mix",
            count_text="repairs",
            funnel_label="place",
        ),
    ).add_params(picked)


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
