"""One recording as a picture: what was measured, what was commanded, what was fitted."""

from __future__ import annotations

import itertools
import json

import pytest
import vl_convert

from pipeline.contract.vocabulary import PHASES
from pipeline.traces.explain import HoldCurve, TraceExplanation
from reports import theme
from reports.charts.trace import MAX_POINTS, PURGE_OPEN_VENT, draw_trace, sample_rows, vent_rows

LEAK = {
    "trace_id": "R7",
    "verdict": "leak",
    "evidence": "Vacuum reached 1363 Pa and fell by 1244 Pa in 70 s.",
    "leak_diameter_mm": 0.67,
    "leak_diameter_low_mm": 0.63,
    "leak_diameter_high_mm": 0.71,
    "leak_censoring": "none",
}


def explanation(n: int = 60, volts: bool = True, hold: bool = True, **result: object) -> TraceExplanation:
    """A recording of `n` samples a second apart: rest, closed, draw, hold, release in equal parts."""
    part = n // 5
    vent = [part <= i < 4 * part for i in range(n)]
    return TraceExplanation(
        result=LEAK | result,
        phases=[(name, float(k * part), float((k + 1) * part)) for k, name in enumerate(PHASES)],
        t_s=[float(i) for i in range(n)],
        tank_pressure_pa=[-10.0 * i for i in range(n)],
        sensor_v=[1.5 + i / 100 if volts else None for i in range(n)],
        purge_duty_pct=[60.0 if 2 * part <= i < 3 * part else 0.0 for i in range(n)],
        is_vent_closed=vent,
        hold=HoldCurve([36.0, 40.0], [-300.0, -250.0], [-310.0, -262.0], [-290.0, -238.0]) if hold else None,
        sentences=[],
    )


def marks(panel, kind):
    return [x for x in panel["layer"] if x["mark"]["type"] == kind]


def drawn_rows(spec, layer):
    return spec["datasets"][layer["data"]["name"]]


def test_pressure_is_drawn_as_recorded_over_named_phases():
    given = explanation()
    spec = draw_trace(given).to_dict()
    pressure = spec["vconcat"][0]
    measured = marks(pressure, "line")[0]
    rows = drawn_rows(spec, measured)
    assert [r["tank_pressure_pa"] for r in rows] == given.tank_pressure_pa
    assert measured["encoding"]["y"]["title"] == "tank pressure, gauge [Pa]"
    spans = drawn_rows(spec, marks(pressure, "rect")[0])
    assert [(s["phase"], s["start_s"], s["end_s"]) for s in spans] == given.phases
    assert [s["label"] for s in drawn_rows(spec, marks(pressure, "text")[0])] == list(PHASES)


def test_the_fit_carries_its_bounds_and_its_own_dash():
    spec = draw_trace(explanation()).to_dict()
    pressure = spec["vconcat"][0]
    band = marks(pressure, "area")[0]
    assert (band["encoding"]["y"]["field"], band["encoding"]["y2"]["field"]) == ("low_pa", "high_pa")
    fitted = marks(pressure, "line")[1]
    assert [r["pa"] for r in drawn_rows(spec, fitted)] == [-300.0, -250.0]
    dashes = fitted["encoding"]["strokeDash"]["scale"]["range"]
    assert dashes[0] != dashes[1]


def test_without_a_fit_only_the_measured_line_is_drawn():
    pressure = draw_trace(explanation(hold=False)).to_dict()["vconcat"][0]
    assert len(marks(pressure, "line")) == 1
    assert marks(pressure, "line")[0]["encoding"]["stroke"]["scale"]["domain"] == ["measured"]
    assert not marks(pressure, "area")


def test_sensor_panel_is_there_only_where_volts_were_recorded():
    assert len(draw_trace(explanation()).to_dict()["vconcat"]) == 4
    assert len(draw_trace(explanation(volts=False)).to_dict()["vconcat"]) == 3


def test_the_vent_bar_spans_the_samples_commanded_shut():
    assert vent_rows(sample_rows(explanation(50))) == [{"start_s": 10.0, "end_s": 39.0}]


def test_vent_that_shuts_twice_gives_two_bars():
    rows = [{"t_s": float(i), "is_vent_closed": c} for i, c in enumerate([True, True, False, True])]
    assert vent_rows(rows) == [{"start_s": 0.0, "end_s": 1.0}, {"start_s": 3.0, "end_s": 3.0}]


def test_a_long_recording_is_thinned_evenly_for_drawing():
    rows = sample_rows(explanation(5 * 3000))
    assert len(rows) <= MAX_POINTS
    steps = {b["t_s"] - a["t_s"] for a, b in itertools.pairwise(rows)}
    assert len(steps) == 1


@pytest.mark.parametrize(
    ("result", "head"),
    [
        ({}, "R7: leak, 0.67 mm (0.63 to 0.71 mm)"),
        ({"leak_censoring": "left", "verdict": "holds"}, "R7: holds, smaller than 0.71 mm"),
        ({"leak_censoring": "right", "verdict": "gross_leak"}, "R7: gross leak, larger than 0.63 mm"),
        ({"leak_censoring": None, "leak_diameter_mm": None, "verdict": "no_vacuum"}, "R7: no vacuum arrives"),
    ],
)
def test_the_title_says_verdict_and_size_or_the_side_that_is_known(result, head):
    title = draw_trace(explanation(**result)).to_dict()["title"]
    assert title["text"] == head
    assert title["subtitle"] == [LEAK["evidence"]]


def test_purge_through_an_open_vent_is_named():
    given = explanation()
    given.phases.append(("", 60.0, 75.0))
    spec = draw_trace(given).to_dict()
    spans = marks(spec["vconcat"][0], "rect")[0]
    assert drawn_rows(spec, spans)[-1]["phase"] == PURGE_OPEN_VENT
    assert spans["encoding"]["color"]["scale"]["domain"] == [*theme.PHASE_COLORS, PURGE_OPEN_VENT]


def test_the_same_recording_gives_the_same_picture_and_it_can_be_saved():
    spec = draw_trace(explanation()).to_dict()
    assert spec == draw_trace(explanation()).to_dict()
    svg = vl_convert.vegalite_to_svg(json.dumps(spec))
    assert "R7: leak" in svg
    assert "vent commanded shut" in svg


def test_a_recording_without_samples_is_an_empty_picture_with_its_words():
    empty = TraceExplanation(LEAK | {"verdict": "not_judged"}, [], [], [], [], [], [], None, [])
    assert "Vacuum reached" in draw_trace(empty).to_dict()["description"]
