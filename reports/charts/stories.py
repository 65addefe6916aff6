"""What other stories would have drawn: thin dashed lines beside the measured one, each led to its name."""

from __future__ import annotations

from typing import Any

import altair as alt

from pipeline.traces.explain import TraceExplanation
from pipeline.traces.other_stories import StoryCurve
from pipeline.traces.weighing import percent
from reports import theme
from reports.charts.frame import Rows

#: Dash patterns by the place of the curve in the list; no two curves of a picture share one.
DASHES: tuple[list[int], ...] = (
    [8, 3],
    [2, 2],
    [10, 3, 2, 3],
    [5, 5],
    [1, 4],
    [14, 4],
    [6, 2, 1, 2, 1, 2],
    [3, 7],
)
#: Names stand right of the panel, so far apart, a piece of their line before each [pixels].
_LINE_HEIGHT = 17
_SAMPLE = (10, 46)


def story_rows(explanation: TraceExplanation, height: int) -> dict[str, Rows]:
    """Return the points of the curves, and where each curve's name stands.

    The names keep their distance: they are spread over the panel's height in the order of the curves' ends.
    """
    curves = explanation.stories[: len(DASHES)]
    if not curves:
        return {"stories": [], "story_names": []}
    low, high = pressure_range(explanation)
    at = name_heights([(high - curve.pa[-1]) / (high - low) * height for curve in curves], height)
    points = [
        {"t_s": round(t, 3), "pa": round(pa, 2), "story": named(curve), "dash": dash}
        for curve, dash in zip(curves, DASHES, strict=False)
        for t, pa in zip(curve.t_s, curve.pa, strict=True)
    ]
    names = [
        {
            "t_s": round(curve.t_s[-1], 3),
            "pa": round(curve.pa[-1], 2),
            "story": named(curve),
            "dash": dash,
            "y_px": round(y, 1),
            "name_pa": round(high - y / height * (high - low), 2),
        }
        for curve, dash, y in zip(curves, DASHES, at, strict=False)
    ]
    return {"stories": points, "story_names": names}


def pressure_range(explanation: TraceExplanation) -> tuple[float, float]:
    """Return the lowest and highest pressure drawn [Pa]; zero is always within."""
    series = [explanation.tank_pressure_pa, *(curve.pa for curve in explanation.stories)]
    if explanation.hold:
        series += [explanation.hold.low_pa, explanation.hold.high_pa]
    low, high = min(0.0, *(min(s) for s in series if s)), max(0.0, *(max(s) for s in series if s))
    return low, high if high > low else low + 1.0


def name_heights(wanted: list[float], height: float) -> list[float]:
    """Return where names stand [pixels from the top]: near where they are wanted, never over one another."""
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    out = [0.0] * len(wanted)
    floor = float(-_LINE_HEIGHT)
    for i in order:
        out[i] = floor = max(wanted[i], floor + _LINE_HEIGHT)
    ceiling = height + _LINE_HEIGHT
    for i in reversed(order):
        out[i] = ceiling = min(out[i], ceiling - _LINE_HEIGHT)
    return out


def named(curve: StoryCurve) -> str:
    """Name a curve with the probability of its story; one that only sets the scale has none.

    A leak is as likely as it is of whatever size: what stands beside a hole is no probability of that hole.
    """
    if curve.probability is None:
        return curve.label
    of = "any leak: " if curve.story == "leak" else ""
    return f"{curve.label} ({of}{percent(curve.probability)})"


def draw_stories(x: dict[str, Any], title: str, width: int) -> list[alt.Chart]:
    """Return the curves of the data set `stories`, and of `story_names` a leader, a piece of the line and the name."""
    dash = alt.StrokeDash("dash:N", scale=None)
    scale = alt.Scale(nice=False, zero=True)
    end = alt.Chart(alt.NamedData("story_names"))
    y = alt.Y("y_px:Q", scale=None)
    return [
        alt.Chart(alt.NamedData("stories"))
        .mark_line(strokeWidth=1.5, color=theme.GRAY)
        .encode(
            x=alt.X("t_s:Q", **x),
            y=alt.Y("pa:Q", title=title, scale=scale),
            detail="story:N",
            strokeDash=dash,
            tooltip=[alt.Tooltip("story:N", title="story")],
        ),
        end.mark_rule(strokeWidth=0.8, color=theme.FAINT).encode(
            x=alt.X("t_s:Q", **x), y="pa:Q", x2=alt.X2(value=width + _SAMPLE[0]), y2="name_pa"
        ),
        end.mark_rule(strokeWidth=1.5, color=theme.GRAY).encode(
            x=alt.value(width + _SAMPLE[0]), x2=alt.value(width + _SAMPLE[1]), y=y, strokeDash=dash
        ),
        end.mark_text(align="left", baseline="middle", fontSize=12, color=theme.INK, limit=320).encode(
            x=alt.value(width + _SAMPLE[1] + 6), y=y, text="story:N"
        ),
    ]
