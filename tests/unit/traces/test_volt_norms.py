"""A sensor beside the others of its model: what makes a norm, and what is off it."""

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, whole_test

from pipeline.settings import Settings
from pipeline.traces.explain import explain_trace
from pipeline.traces.measure import measure_traces
from pipeline.traces.volt_norms import MIN_RECORDINGS, volt_norms


def _fleet(slopes: list[float]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """One tight recording for each slope [V/Pa], all of one model."""
    drawing, frames, headers = whole_test(), [], []
    for k, slope in enumerate(slopes):
        volts = 2.5 + slope * np.array(drawing.pa)
        frame = drawing.samples(noise=3, seed=k, volts=np.round(volts, 3))
        frames.append(frame.with_columns(trace_id=pl.lit(f"t{k}")))
        headers.append(HEADER | {"trace_id": f"t{k}", "make": "Kestin", "model": "210"})
    return pl.concat(frames), pl.DataFrame(headers, infer_schema_length=None)


@pytest.mark.parametrize("odd", [-8e-4, 4e-4, 11e-4])
def test_a_sensor_that_reads_backwards_or_at_another_gain_disagrees(odd):
    samples, headers = _fleet([8e-4, 7.9e-4, 8.1e-4, 8e-4, 8.05e-4, odd])
    rows = measure_traces(samples, headers, Settings())
    assert rows["verdict"].to_list() == ["holds"] * 5 + ["sensor_disagrees"]
    said = rows["evidence"][5]
    assert f"{odd * 1e3:+.2f} V per kPa" in said
    assert "this model's sensors move +0.80 (median of 6 recordings)" in said


def test_few_recordings_make_no_norm():
    samples, headers = _fleet([8e-4] * (MIN_RECORDINGS - 2) + [-8e-4])
    assert set(measure_traces(samples, headers, Settings())["verdict"]) == {"holds"}


def test_two_kinds_of_sensor_under_one_name_accuse_nobody():
    samples, headers = _fleet([8e-4, 8e-4, 8e-4, 8.1e-4, -5e-4, -5e-4, -5.1e-4])
    assert set(measure_traces(samples, headers, Settings())["verdict"]) == {"holds"}


def test_a_norm_from_the_whole_lake_judges_one_trace_alone_and_explains_it_alike():
    samples, headers = _fleet([-8e-4])
    norm = {"make": "Kestin", "model": "210", "volts_per_pa": 8e-4, "spread": 0.01, "n_recordings": 37}
    norms = pl.DataFrame([norm])
    assert measure_traces(samples, headers, Settings())["verdict"][0] == "holds"
    row = measure_traces(samples, headers, Settings(), norms)
    assert row["verdict"][0] == "sensor_disagrees"
    assert explain_trace(samples, headers, Settings(), norms).result["verdict"] == "sensor_disagrees"
    other = norms.with_columns(model=pl.lit("330"))
    assert measure_traces(samples, headers, Settings(), other)["verdict"][0] == "holds"


def test_recordings_without_a_clear_line_count_for_no_norm():
    clear = {"make": "a", "model": "b", "volts_per_pa": 8e-4, "r2": 0.99, "pressure_range_pa": 2500.0}
    blurred, flat = clear | {"r2": 0.5}, clear | {"pressure_range_pa": 100.0}
    nowhere = clear | {"make": None}
    few = [clear] * (MIN_RECORDINGS - 1)
    assert volt_norms(pl.DataFrame([*few, blurred, flat, nowhere])).is_empty()
    norm = volt_norms(pl.DataFrame([*few, clear, blurred])).row(0, named=True)
    assert norm["n_recordings"] == MIN_RECORDINGS
    assert norm["volts_per_pa"] == pytest.approx(8e-4)
    assert norm["spread"] == 0
