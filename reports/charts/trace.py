"""One recording as a picture: pressure, phases, the fitted hold, and what was commanded."""

from __future__ import annotations

import textwrap
from functools import cache
from typing import Any

import altair as alt

from pipeline.contract.fields import SAMPLES
from pipeline.traces.explain import TraceExplanation
from reports import theme, words
from reports.charts.frame import Rows, Spec
from reports.charts.stories import draw_stories, story_rows

#: With the names of the other stories beside it, it stands whole on a page of 1300 pixels.
WIDTH = 780
PRESSURE_HEIGHT = 300
#: More samples than this are thinned evenly for drawing; the fit used them all.
MAX_POINTS = 4000
MEASURED, FITTED = "measured", "fitted hold, with its bounds"
LINES: dict[str, tuple[str, list[int]]] = {MEASURED: (theme.TEAL, [1, 0]), FITTED: (theme.RUST, [6, 3])}
#: Panels below the commands, where there is something to show, and their titles.
LOWER = {"sensor_v": "sensor", "test_flow_std_l_min": "gas fed"}
PURGE_OPEN_VENT = "purge, vent open"


def draw_trace(explanation: TraceExplanation) -> alt.VConcatChart:
    """Draw one explained recording: pressure over its phases with what other stories would have drawn, commands below,
    sensor volts where recorded.

    Returns
    -------
    A chart of fixed width that saves as PNG, SVG or HTML. The same explanation gives the same chart.
    """
    return alt.VConcatChart.from_dict(trace_spec(explanation))


def trace_spec(explanation: TraceExplanation, max_points: int = MAX_POINTS, is_titled: bool = True) -> Spec:
    """Return the same picture as a Vega-Lite spec, its rows as named data sets that never pass through Altair.

    Parameters
    ----------
    max_points : more samples than this are thinned evenly.
    is_titled : False where verdict and evidence stand beside the picture.
    """
    samples = sample_rows(explanation, max_points)
    rows = {
        "samples": samples,
        "phases": phase_rows(explanation),
        "vent": vent_rows(samples),
        "fitted": hold_rows(explanation),
        **story_rows(explanation, PRESSURE_HEIGHT),
    }
    shown = tuple(name for name in LOWER if any(r[name] is not None for r in samples))
    spec = panels_of(shown, bool(rows["fitted"]), bool(rows["stories"]))
    title = {"title": trace_title(explanation.result).to_dict()} if is_titled else {}
    used = {name: each for name, each in rows.items() if each or name in ("samples", "phases", "vent")}
    return spec | title | {"description": describe(explanation), "datasets": spec["datasets"] | used}


@cache
def panels_of(shown: tuple[str, ...], has_fit: bool, has_stories: bool) -> Spec:
    """Lay out the panels of one kind of recording, with those of LOWER that are `shown`; rows are looked up by name."""
    x = time_axis(title="")
    last = time_axis(title=axis("t_s", "time since the recording began"))
    panels = [draw_pressure(x, has_fit, has_stories), draw_vent(x), draw_purge(x if shown else last)]
    panels += [draw_lower(name, last if name == shown[-1] else x) for name in shown]
    legend = {k: v for k, v in theme.CHART_CONFIG["legend"].items() if k != "columns"}
    return alt.vconcat(*panels, spacing=8).configure(**(theme.CHART_CONFIG | {"legend": legend})).to_dict()


def sample_rows(explanation: TraceExplanation, max_points: int = MAX_POINTS) -> Rows:
    """Pair the series up, thinned evenly to at most `max_points`, with no more digits than can be seen."""
    step = -(-len(explanation.t_s) // max_points) or 1
    series = zip(
        explanation.t_s,
        explanation.tank_pressure_pa,
        explanation.sensor_v,
        explanation.purge_duty_pct,
        explanation.test_flow_std_l_min or [None] * len(explanation.t_s),
        explanation.is_vent_closed,
        strict=True,
    )
    names = ("t_s", "tank_pressure_pa", "sensor_v", "purge_duty_pct", "test_flow_std_l_min", "is_vent_closed")
    digits = (3, 2, 4, 1, 3)
    rows = [
        [v if v is None else round(v, d) for v, d in zip(values, digits, strict=False)] + [values[-1]]
        for values in list(series)[::step]
    ]
    return [dict(zip(names, values, strict=True)) | {"line": MEASURED} for values in rows]


def phase_rows(explanation: TraceExplanation) -> Rows:
    """Name the phases and say which are wide enough to carry their name."""
    length = (max(explanation.t_s) - min(explanation.t_s)) if explanation.t_s else 0.0
    return [
        {
            "phase": name or PURGE_OPEN_VENT,
            "start_s": start,
            "end_s": end,
            "middle_s": (start + end) / 2,
            "label": (name or PURGE_OPEN_VENT) if length and (end - start) / length > 0.05 else "",
            "span_text": f"{start:.0f} to {end:.0f} s",
        }
        for name, start, end in explanation.phases
    ]


def vent_rows(samples: Rows) -> Rows:
    """Join samples in which the vent was commanded shut into bars."""
    bars: Rows = []
    for before, now in zip([None, *samples], samples, strict=False):
        if not now["is_vent_closed"]:
            continue
        if before is None or not before["is_vent_closed"]:
            bars.append({"start_s": now["t_s"], "end_s": now["t_s"]})
        bars[-1]["end_s"] = now["t_s"]
    return bars


def hold_rows(explanation: TraceExplanation) -> Rows:
    if explanation.hold is None:
        return []
    h = explanation.hold
    names = ("t_s", "pa", "low_pa", "high_pa")
    return [
        dict(zip(names, (round(v, 3) for v in values), strict=True)) | {"line": FITTED}
        for values in zip(h.t_s, h.pa, h.low_pa, h.high_pa, strict=True)
    ]


def axis(field: str, text: str) -> str:
    """Title an axis with the unit that the contract gives the sample's field."""
    return f"{text} [{SAMPLES.field(field).unit}]"


def time_axis(title: str) -> dict[str, Any]:
    """Give every panel the same time scale, from the first sample to the last; only the lowest one is titled."""
    return {
        "scale": alt.Scale(nice=False, zero=False),
        "title": title or None,
        "axis": alt.Axis(labels=bool(title), ticks=bool(title), tickCount=8, grid=False),
    }


def bands(x: dict[str, Any], labeled: bool) -> list[alt.Chart]:
    base = alt.Chart(alt.NamedData("phases"))
    names = [*theme.PHASE_COLORS, PURGE_OPEN_VENT]
    colors = [*theme.PHASE_COLORS.values(), "#ffffff"]
    band = base.mark_rect().encode(
        x=alt.X("start_s:Q", **x),
        x2="end_s:Q",
        color=alt.Color("phase:N", scale=alt.Scale(domain=names, range=colors), legend=None),
        tooltip=[alt.Tooltip("phase:N", title="phase"), alt.Tooltip("span_text:N", title="from")],
    )
    text = base.mark_text(baseline="bottom", fontSize=12, color=theme.GRAY).encode(
        x=alt.X("middle_s:Q", **x), y=alt.value(-5), text="label:N"
    )
    return [band, text] if labeled else [band]


def draw_pressure(x: dict[str, Any], has_fit: bool, has_stories: bool) -> alt.LayerChart:
    title = axis("tank_pressure_pa", "tank pressure, gauge")
    lines = [MEASURED, FITTED] if has_fit else [MEASURED]
    layers: list[Any] = [
        *bands(x, labeled=True),
        line_of("samples", x, "tank_pressure_pa", title, lines),
    ]
    if has_fit:
        band = (
            alt.Chart(alt.NamedData("fitted"))
            .mark_area(opacity=0.3, color=theme.RUST)
            .encode(x=alt.X("t_s:Q", **x), y=alt.Y("low_pa:Q", title=title), y2="high_pa:Q")
        )
        layers += [band, line_of("fitted", x, "pa", title, lines, width=2.6)]
    if has_stories:
        layers += draw_stories(x, title, WIDTH)
    stacked = alt.LayerChart(layer=layers).resolve_scale(color="independent", strokeDash="shared")
    return stacked.properties(width=WIDTH, height=PRESSURE_HEIGHT)


def line_of(
    rows: str, x: dict[str, Any], field: str, title: str, lines: list[str], width: float = 1.4
) -> alt.Chart:
    """Draw one line; its name, color and dash stand in the legend."""
    names = alt.Scale(domain=lines, range=[LINES[name][0] for name in lines])
    dashes = alt.Scale(domain=lines, range=[LINES[name][1] for name in lines])
    return (
        alt.Chart(alt.NamedData(rows))
        .mark_line(strokeWidth=width)
        .encode(
            x=alt.X("t_s:Q", **x),
            y=alt.Y(
                f"{field}:Q",
                title=title,
                scale=alt.Scale(nice=False, zero=True),
                axis=alt.Axis(format=",~f", tickCount=6),
            ),
            stroke=alt.Stroke("line:N", scale=names, title=None),
            strokeDash=alt.StrokeDash("line:N", scale=dashes, title=None),
        )
    )


def draw_vent(x: dict[str, Any]) -> alt.LayerChart:
    bar = (
        alt.Chart(alt.NamedData("vent"))
        .mark_bar(color=theme.BLUE, height=12)
        .encode(x=alt.X("start_s:Q", **x), x2="end_s:Q", y=alt.value(13))
    )
    words_ = alt.Chart(alt.InlineData([{"text": "vent commanded shut"}])).mark_text(
        align="right", dx=-10, color=theme.INK
    )
    text = words_.encode(x=alt.value(0), y=alt.value(13), text="text:N")
    return alt.LayerChart(layer=[*bands(x, labeled=False), bar, text]).properties(width=WIDTH, height=26)


def draw_purge(x: dict[str, Any]) -> alt.LayerChart:
    area = (
        alt.Chart(alt.NamedData("samples"))
        .mark_area(interpolate="step-after", color=theme.PLUM, opacity=0.55, line={"color": theme.PLUM})
        .encode(
            x=alt.X("t_s:Q", **x),
            y=alt.Y(
                "purge_duty_pct:Q",
                title=axis("purge_duty_pct", "purge"),
                scale=alt.Scale(domain=[0, 100]),
                axis=alt.Axis(tickCount=3),
            ),
        )
    )
    return alt.LayerChart(layer=[*bands(x, labeled=False), area]).properties(width=WIDTH, height=80)


def draw_lower(field: str, x: dict[str, Any]) -> alt.LayerChart:
    """Draw what was recorded beside the pressure, as a line in a panel of its own."""
    line = (
        alt.Chart(alt.NamedData("samples"))
        .mark_line(color=theme.INK, strokeWidth=1.4)
        .encode(
            x=alt.X("t_s:Q", **x),
            y=alt.Y(
                f"{field}:Q",
                title=axis(field, LOWER[field]),
                scale=alt.Scale(zero=False),
                axis=alt.Axis(tickCount=3),
            ),
        )
    )
    return alt.LayerChart(layer=[*bands(x, labeled=False), line]).properties(width=WIDTH, height=90)


def trace_title(result: dict[str, Any]) -> alt.TitleParams:
    """Head the picture with recording, verdict and size; the evidence stands below."""
    head = f"{words.drawable(result['trace_id'])}: {words.label(result['verdict'])}"
    size = diameter(result)
    return alt.TitleParams(
        text=f"{head}, {size}" if size else head,
        subtitle=textwrap.wrap(result["evidence"] or "", 120),
        anchor="start",
        color=theme.INK,
        subtitleColor=theme.GRAY,
        fontSize=17,
        subtitleFontSize=13,
        offset=12,
    )


def diameter(result: dict[str, Any]) -> str:
    """Write the size with its bounds, or the side on which it is known."""
    low, high = result["leak_diameter_low_mm"], result["leak_diameter_high_mm"]
    if result["leak_censoring"] == "left":
        return f"smaller than {words.millimeters(high)} mm"
    if result["leak_censoring"] == "right":
        return f"larger than {words.millimeters(low)} mm"
    if words.is_missing(result["leak_diameter_mm"]):
        return ""
    middle, *bounds = map(words.millimeters, (result["leak_diameter_mm"], low, high))
    return f"{middle} mm ({' to '.join(bounds)} mm)"


def describe(explanation: TraceExplanation) -> str:
    """Say what the picture shows, for those who cannot see it."""
    spans = "; ".join(f"{s['phase']} {s['span_text']}" for s in phase_rows(explanation))
    said = explanation.result["evidence"] or ""
    name = words.drawable(explanation.result["trace_id"])
    others = "; ".join(curve.label for curve in explanation.stories)
    drawn = f" Dashed, what other stories would have drawn: {others}." if others else ""
    return f"Tank pressure, commands and fitted hold of {name}. {said} Phases: {spans}.{drawn}"
