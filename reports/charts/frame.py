"""The frame every chart is put in: our look, full width, a description for those who cannot see it.

Chart functions take plain rows and give a Vega-Lite spec. The rows stand in the spec once, as the data set
"rows", and never pass through Altair, which would check every value of them.
"""

from __future__ import annotations

from typing import Any

import altair as alt

from reports import theme

Rows = list[dict[str, Any]]
Spec = dict[str, Any]
AnyChart = alt.Chart | alt.LayerChart

#: Where a chart finds its rows.
ROWS = alt.NamedData(name="rows")


def finish(
    chart: AnyChart, rows: Rows, description: str, height: float, heights: dict[str, int] | None = None
) -> Spec:
    """Turn a chart into its spec: the width of its place, our settings, a description, its rows.

    height : of the plot [px]. heights : by the reader's choice [px], for the page to set on choosing.
    The same rows give the same spec.
    """
    fitted = chart.properties(
        width="container",
        height=height,
        description=description,
        autosize=alt.AutoSizeParams(type="fit-x", contains="padding"),
        usermeta={"heights": heights or {}},
    )
    spec = fitted.configure(**theme.CHART_CONFIG).to_dict()
    return spec | {"datasets": spec.get("datasets", {}) | {"rows": rows}}


def row_heights(rows: Rows, category: str, step: int, chosen: str = "") -> dict[str, int]:
    """Count the lines a chart needs and give each `step` pixels: by value of the chosen field, or under ""."""
    lines: dict[str, set[str]] = {}
    for row in rows:
        lines.setdefault(row[chosen] if chosen else "", set()).add(row[category])
    return {of: step * len(names) for of, names in lines.items()}


def finish_lines(
    chart: AnyChart, rows: Rows, description: str, step: int, chosen: dict[str, str] | None
) -> Spec:
    """Finish a chart of one line per category, as high as the chosen rows need."""
    if not chosen:
        return finish(chart, rows, description, row_heights(rows, "category", step).get("", step))
    field, first = next(iter(chosen.items()))
    heights = row_heights(rows, "category", step, field)
    return finish(chart, rows, description, heights.get(first, step), heights)


def only_chosen(chart: AnyChart, **chosen: str) -> AnyChart:
    """Show the rows whose fields equal the reader's choice; each argument is field = first choice.

    The parameter is named after its field, `chosen_<field>`; the page's select boxes set it.
    """
    for name, value in chosen.items():
        chart = chart.add_params(alt.param(name=f"chosen_{name}", value=value))
        chart = chart.transform_filter(f"datum.{name} === chosen_{name}")
    return chart


def by_look(field: str, looks: dict[str, tuple[str, str]]) -> dict[str, Any]:
    """Color and shape together by the value of a field; `looks` has them by value, in the legend's order."""
    colors, shapes = zip(*looks.values(), strict=True)
    color, shape = (alt.Scale(domain=list(looks), range=list(each)) for each in (colors, shapes))
    return {
        "color": alt.Color(field, title=None, scale=color),
        "shape": alt.Shape(field, title=None, scale=shape),
    }


def by_curve(curves: tuple[str, str]) -> dict[str, Any]:
    """Draw the rows whose `curve` is the first solid, and those of the second dashed in another color."""
    color = alt.Scale(domain=list(curves), range=[theme.TEAL, theme.RUST])
    dash = alt.Scale(domain=list(curves), range=[[1, 0], [5, 4]])
    return {
        "color": alt.Color("curve:N", title=None, scale=color),
        "strokeDash": alt.StrokeDash("curve:N", title=None, scale=dash),
    }


def tips(**titles: str) -> list[alt.Tooltip]:
    """Hover shows these text fields under these titles, in this order."""
    return [alt.Tooltip(f"{name}:N", title=title) for name, title in titles.items()]
