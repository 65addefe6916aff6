"""What a draw tells of the gas volume where nobody wrote down the fuel level."""

from __future__ import annotations

import polars as pl
from drawing import HEADER, Drawing
from test_model_norms import norms_with

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces


def judged(rate_hz: float, draw_s: float) -> dict:
    """A hole of 0.4 mm in 44 l, drawn down in `draw_s` by a purge that usually takes longer; no fuel level."""
    drawing = Drawing(rate_hz).rest(8).closed(15)
    drawing.draw(-2000.0, draw_s, duty=50.0).hold(100, 0.4, volume_l=44.0)
    header = HEADER | {"make": "Kestin", "model": "210", "fuel_level_pct": None}
    headers = pl.DataFrame([header], infer_schema_length=None)
    norms = norms_with(purge_flow_l_min=20.0, purge_flow_l_min_spread=2.0, extra_volume_l=7.5)
    return measure_traces(drawing.samples(noise=2), headers, Settings(), norms).row(0, named=True)


def test_no_tank_is_fuller_than_full_however_fast_its_draw_was_seen():
    """A twelfth author's: the draw's samples told 5 l where 7.5 l lie beside the tank, and 0.26 mm was told to hold."""
    row = judged(2.0, 1.5)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_high_mm"] / row["leak_diameter_low_mm"] > 1.4
    # 60 l: at the least 3 % of ullage beside the 7.5 l.
    least = row["leak_diameter_mm"] * (44.0 / (7.5 + 1.8)) ** 0.5
    assert least > 0.4


def test_a_draw_that_was_seen_slowly_enough_tells_the_volume():
    row = judged(5.0, 13.0)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] <= 0.4 <= row["leak_diameter_high_mm"]
