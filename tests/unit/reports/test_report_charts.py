"""A chart's spec holds the rows it was given and maps the right columns, valid by the Vega-Lite schema.

Altair checks every spec against the published Vega-Lite JSON schema when it is made (`to_dict`), so each
call below is also that check.
"""

from __future__ import annotations

import pytest

from reports import theme
from reports.charts.bars import draw_bars
from reports.charts.fixes import draw_funnel, draw_proof
from reports.charts.inspections import draw_item_by_year, draw_stations
from reports.charts.intervals import draw_intervals
from reports.charts.leaks import draw_size_curve
from reports.charts.rates import draw_recurrence_map, legend_counts


def dot(**more):
    return {
        "category": "purge valve", "order": 0, "mark": "", "value": 12.5, "low": 8.0, "high": 20.0,
        "value_text": "12.5", "interval_text": "8.00 to 20.0", "count_text": "12 failures",
    } | more  # fmt: skip


def layer(spec, mark):
    """The layer that draws with this mark."""
    found = [
        x for x in spec["layer"] if (x["mark"] if isinstance(x["mark"], str) else x["mark"]["type"]) == mark
    ]
    assert found, f"no {mark} layer"
    return found[0]


def test_interval_chart_draws_value_and_bounds_of_every_row():
    rows = [dot(), dot(category="canister", order=1, value=0.0, low=0.0, high=4.2)]
    spec = draw_intervals(rows, x_title="failures per 1000 vehicle-years", description="d", scale="sqrt")
    assert spec["datasets"]["rows"] == rows
    rule, point = layer(spec, "rule"), layer(spec, "point")
    assert (rule["encoding"]["x"]["field"], rule["encoding"]["x2"]["field"]) == ("low", "high")
    assert point["encoding"]["x"]["field"] == "value"
    assert point["encoding"]["x"]["scale"]["type"] == "sqrt"
    assert point["encoding"]["x"]["title"] == "failures per 1000 vehicle-years"
    assert spec["description"] == "d"


def test_hover_shows_count_and_interval():
    point = layer(draw_intervals([dot()], x_title="x", description="d", count_title="failures"), "point")
    shown = {t["field"]: t["title"] for t in point["encoding"]["tooltip"]}
    assert shown["count_text"] == "failures"
    assert shown["interval_text"] == "interval"


def test_series_differ_in_shape_as_well_as_color():
    rows = [dot(series="a"), dot(series="b")]
    point = layer(draw_intervals(rows, x_title="x", description="d", series=("a", "b")), "point")
    assert point["encoding"]["shape"]["scale"] == {
        "domain": ["a", "b"],
        "range": list(theme.SERIES_SHAPES[:2]),
    }
    assert point["encoding"]["color"]["scale"]["range"] == list(theme.SERIES_COLORS[:2])


def test_a_row_without_a_value_is_not_drawn():
    spec = draw_intervals([dot(), dot(category="other", value=None)], x_title="x", description="d")
    assert [r["category"] for r in spec["datasets"]["rows"]] == ["purge valve"]


def test_a_choice_filters_and_sets_the_height_for_its_rows():
    rows = [dot(model="A"), dot(model="B"), dot(model="B", category="canister")]
    spec = draw_intervals(rows, x_title="x", description="d", chosen={"model": "B"})
    assert {"name": "chosen_model", "value": "B"} in spec["params"]
    assert {"filter": "datum.model === chosen_model"} in spec["transform"]
    heights = spec["usermeta"]["heights"]
    assert heights["B"] == 2 * heights["A"] == spec["height"]


def test_bars_write_their_number_at_the_end():
    rows = [{"category": "holds", "order": 0, "value": 41, "bar_text": "41", "count_text": "41"}]
    spec = draw_bars(rows, "recordings", "d")
    assert layer(spec, "text")["encoding"]["text"]["field"] == "bar_text"
    assert layer(spec, "bar")["encoding"]["x"]["scale"]["domain"][1] > 41


def test_recurrence_map_marks_recurring_pairs_by_shape():
    row = {"model": "Halden Orrin", "component": "purge valve", "n_failures": 9, "mark": "recurring"}
    texts = dict.fromkeys(("value_text", "interval_text", "count_text", "ratio_text"), "")
    spec = draw_recurrence_map([row | texts], "d")
    shape = spec["encoding"]["shape"]["scale"]
    assert dict(zip(shape["domain"], shape["range"], strict=True))["recurring"] == theme.FLAGGED[1]
    assert spec["encoding"]["size"]["field"] == "n_failures"


def shop(**more):
    return {
        "group": "shop-01", "n_repairs": 120, "first_time_fix": 0.8, "expected": 0.93, "funnel_low": 0.88,
        "funnel_high": 0.97, "funnel_beyond_low": 0.85, "funnel_beyond_high": 0.99, "note": "shop-01",
        "funnel_label": "below the 99.8% limit", "value_text": "80.0%", "interval_text": "", "expected_text": "",
        "count_text": "120 repairs",
    } | more  # fmt: skip


def test_funnel_draws_each_shops_own_limits_and_expected_value():
    spec = draw_funnel([shop()], "repairs", "share", "d")
    rules = [x for x in spec["layer"] if x["mark"]["type"] == "rule"]
    drawn = {(r["encoding"]["y"]["field"], r["encoding"]["y2"]["field"]) for r in rules}
    assert drawn == {("funnel_low", "funnel_high"), ("funnel_beyond_low", "funnel_beyond_high")}
    assert layer(spec, "tick")["encoding"]["y"]["field"] == "expected"
    points = layer(spec, "point")["encoding"]
    assert (points["x"]["field"], points["y"]["field"]) == ("n_repairs", "first_time_fix")
    assert layer(spec, "text")["encoding"]["text"]["field"] == "note"


@pytest.mark.parametrize(
    ("share", "low", "start"), [(0.558, 0.64, 0.5), (0.61, 0.66, 0.5), (0.9, None, 0.7), (0.05, 0.0, 0.0)]
)
def test_no_shop_of_the_funnel_lies_on_the_other_axis(share, low, start):
    """The axis begins at a tenth below the lowest shop or limit, and ends at 100 %."""
    spec = draw_funnel([shop(), shop(first_time_fix=share, funnel_beyond_low=low)], "repairs", "share", "d")
    domains = [tuple(x["encoding"]["y"]["scale"]["domain"]) for x in spec["layer"]]
    assert set(domains) == {(start, 1)}


@pytest.mark.parametrize(("largest", "named"), [(0, []), (1, [1]), (3, [1, 2]), (64, [10, 20, 50])])
def test_the_legend_of_failures_names_no_count_of_0_and_none_that_is_not_drawn(largest, named):
    assert legend_counts([{"n_failures": largest}, {"n_failures": 0}]) == named


def test_clicking_the_legend_of_the_funnel_singles_out_a_class():
    spec = draw_funnel([shop()], "repairs", "share", "d")
    picked = next(p for p in spec["params"] if p["name"] == "picked_class")
    assert picked["bind"] == "legend"
    assert picked["select"]["fields"] == ["funnel_label"]
    assert layer(spec, "point")["encoding"]["opacity"]["condition"]["param"] == "picked_class"


def test_proof_stacks_counts_in_a_fixed_order():
    row = {
        "shop": "a",
        "verified": "proved",
        "verified_label": "proved",
        "place": 0,
        "n": 7,
        "count_text": "7 repairs",
    }
    spec = draw_proof([row], "d")
    assert spec["encoding"]["x"] | {"axis": None} == {
        "axis": None,
        "field": "n",
        "stack": "zero",
        "title": "repairs",
        "type": "quantitative",
    }
    assert spec["encoding"]["order"]["field"] == "place"


def test_item_chart_follows_both_choices():
    row = {
        "item": "(a)(2)(i)",
        "vehicle_type": "car",
        "model_year": 2011,
        "percent": 8.0,
        "low_percent": 5.0,
        "high_percent": 12.0,
    }
    texts = dict.fromkeys(("value_text", "interval_text", "count_text", "of_text"), "")
    spec = draw_item_by_year(
        [row | texts, row | texts | {"percent": None}], "share [%]", "d", "(a)(2)(i)", "car"
    )
    assert {p["name"]: p["value"] for p in spec["params"]} == {
        "chosen_item": "(a)(2)(i)",
        "chosen_vehicle_type": "car",
    }
    assert len(spec["datasets"]["rows"]) == 1
    assert layer(spec, "point")["encoding"]["y"]["title"] == "share [%]"


def test_stations_are_drawn_against_their_own_expectation():
    row = {
        "measure": "not_ready",
        "station_id": "S1",
        "n": 9,
        "expected": 4.0,
        "mark": "a reason to look",
        "note": "S1",
    }
    texts = dict.fromkeys(("count_text", "expected_text", "value_text", "interval_text", "chance_text"), "")
    point = layer(draw_stations([row | texts], "d", "not_ready"), "point")
    assert (point["encoding"]["x"]["field"], point["encoding"]["y"]["field"]) == ("expected", "n")
    assert point["encoding"]["color"]["scale"]["domain"] == ["a reason to look", "as expected"]


SIZE = {
    "group_key": "all: all",
    "diameter_mm": 0.5,
    "share_at_most": 0.4,
    "low": 0.3,
    "high": 0.5,
    "lognormal_share": 0.41,
    **dict.fromkeys(("size_text", "value_text", "interval_text", "count_text"), ""),
}


@pytest.mark.parametrize("size", [None, 0.0])
def test_curve_leaves_out_steps_that_a_logarithm_cannot_hold(size):
    spec = draw_size_curve([SIZE, SIZE | {"diameter_mm": size}], "d [mm]", "share", "d", "all: all")
    assert [r["diameter_mm"] for r in spec["datasets"]["rows"]] == [0.5]


def test_curve_is_a_step_that_keeps_its_value_until_the_next_size():
    curves = draw_size_curve([SIZE], "d [mm]", "share", "d", "all: all")["layer"][-1]
    step = layer(curves, "line")
    assert step["mark"]["interpolate"] == "step-after"
    assert step["encoding"]["y"]["field"] == "share_at_most"
