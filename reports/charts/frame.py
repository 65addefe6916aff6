"""The frame every chart is put in: our look, full width, a description for those who cannot see it."""

from __future__ import annotations

from typing import Any

import altair as alt

from reports import theme

Rows = list[dict[str, Any]]
AnyChart = alt.Chart | alt.LayerChart


def finish(chart: AnyChart, description: str, height: Any = None) -> AnyChart:
    """Give a chart the width of its place, our settings and a description."""
    size = {} if height is None else {"height": height}
    fitted = chart.properties(
        width="container",
        description=description,
        autosize=alt.AutoSizeParams(type="fit-x", contains="padding"),
        **size,
    )
    return fitted.configure(**theme.CHART_CONFIG)


def to_spec(chart: Any) -> dict[str, Any]:
    """Turn a chart into its Vega-Lite spec, the same for the same rows."""
    return chart.to_dict()


def values(rows: Rows) -> alt.Data:
    """Put plain rows into a chart as they are."""
    return alt.Data(values=rows)


def only_chosen(chart: AnyChart, **chosen: str) -> AnyChart:
    """Show the rows whose fields equal the reader's choice; each argument is field = first choice.

    The parameter is named after its field, `chosen_<field>`; the page's select boxes set it.
    """
    for name, value in chosen.items():
        chart = chart.add_params(alt.param(name=f"chosen_{name}", value=value))
        chart = chart.transform_filter(f"datum.{name} === chosen_{name}")
    return chart


def tips(**titles: str) -> list[alt.Tooltip]:
    """Hover shows these text fields under these titles, in this order."""
    return [alt.Tooltip(f"{name}:N", title=title) for name, title in titles.items()]
