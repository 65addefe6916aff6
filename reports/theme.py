"""What the pages and pictures look like: colors, shapes, type, and the chart settings that carry them.

Every color stands on white with a contrast of at least 4.5 to 1 where it carries text or a mark (WCAG 2.2,
1.4.3 and 1.4.11), and every color that tells something has a shape or a word beside it.
"""

from __future__ import annotations

from typing import Any

INK = "#17242c"
GRAY = "#56646d"
FAINT = "#b9c5cb"
GRID = "#e3e9ec"
LIMIT_NEAR = "#ced9de"
LIMIT_FAR = "#9fafb7"
TEAL = "#00696b"
RUST = "#a8420a"
BLUE = "#2a5a9c"
PLUM = "#7a3b78"
FONT = "system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"

#: Series in the order they are drawn: color and shape always go together.
SERIES_COLORS = (TEAL, BLUE, PLUM, GRAY)
SERIES_SHAPES = ("circle", "triangle-up", "square", "cross")

#: A thing that stands out, and one that does not.
FLAGGED = (RUST, "diamond")
PLAIN = (TEAL, "circle")

FUNNEL_MARKS: dict[str, tuple[str, str]] = {
    "inside": (GRAY, "circle"),
    "above": (TEAL, "triangle-up"),
    "below": (PLUM, "triangle-down"),
    "beyond_above": (BLUE, "square"),
    "beyond_below": (RUST, "diamond"),
}
VERIFIED_COLORS: dict[str, str] = {
    "proved": "#5fae9f",
    "not_proved": "#e3c878",
    "disproved": "#e09a6f",
    "no_trace": "#d5dce0",
}
PHASE_COLORS: dict[str, str] = {
    "rest": "#eef2f4",
    "closed": "#dfeceb",
    "draw": "#f6e3d6",
    "hold": "#dde6f3",
    "release": "#efe3ee",
}

CHART_CONFIG: dict[str, Any] = {
    "background": "#ffffff",
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "labelFontSize": 12,
        "labelLimit": 170,
        "titleColor": GRAY,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "labelPadding": 8,
        "domainColor": FAINT,
        "tickColor": FAINT,
        "gridColor": GRID,
    },
    # beside long names the place for numbers is short: a title may reach below the names
    "axisBottom": {"titleAnchor": "end"},
    "legend": {
        "orient": "top",
        "direction": "horizontal",
        "labelColor": INK,
        "labelFontSize": 12,
        "labelLimit": 260,
        "titleColor": GRAY,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "symbolSize": 90,
        "columnPadding": 8,
        # the room of the whole chart, which stays as it is: five names such as "below the 99.8% limit" need 790 px
        "columns": {"expr": "containerSize()[0] < 480 ? 1 : containerSize()[0] < 800 ? 3 : 6"},
    },
    "text": {"color": INK, "fontSize": 12},
    "point": {"filled": True, "size": 75, "opacity": 1},
    "rule": {"strokeWidth": 2},
}
