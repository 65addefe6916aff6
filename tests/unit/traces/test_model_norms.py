"""A sensor beside the others of its model: what makes a norm, and what is off it."""

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing, whole_test

from pipeline.settings import Settings
from pipeline.traces.explain import explain_trace
from pipeline.traces.measure import measure_traces
from pipeline.traces.model_norms import (
    MIN_OF_ALL,
    MIN_OF_FEW_VEHICLES,
    MIN_RECORDINGS,
    NORM_SCHEMA,
    OF_ALL,
    READ,
    VAPOR_RETURN,
    model_norms,
)

OF_MODEL = {"make": "Kestin", "model": "210"}


def _fleet(slopes: list[float], years: list[int] | None = None) -> tuple[pl.DataFrame, pl.DataFrame]:
    """One tight recording of a vehicle for each slope [V/Pa], all of one model."""
    drawing, frames, headers = whole_test(), [], []
    for k, slope in enumerate(slopes):
        volts = 2.5 + slope * np.array(drawing.pa)
        frame = drawing.samples(noise=3, seed=k, volts=np.round(volts, 3))
        frames.append(frame.with_columns(trace_id=pl.lit(f"t{k}")))
        headers.append(HEADER | {"trace_id": f"t{k}", "vehicle_id": f"v{k}"} | OF_MODEL)
        headers[-1]["model_year"] = years[k] if years else None
    return pl.concat(frames), pl.DataFrame(headers, infer_schema_length=None)


@pytest.mark.parametrize("odd", [-8e-4, 4e-4, 11e-4])
def test_a_sensor_that_reads_backwards_or_at_another_gain_disagrees(odd):
    samples, headers = _fleet([8e-4, 7.9e-4, 8.1e-4, 8e-4, 8.05e-4, odd])
    rows = measure_traces(samples, headers, Settings())
    assert rows["verdict"].to_list() == ["holds"] * 5 + ["sensor_disagrees"]
    said = rows["evidence"][5]
    assert f"{odd * 1e3:+.2f} V per kPa" in said
    assert "this model's sensors move +0.80 (5 vehicles agree)" in said


def test_three_sensors_that_agree_accuse_a_fourth():
    samples, headers = _fleet([8e-4, 7.9e-4, 8.1e-4, 5e-4])
    assert measure_traces(samples, headers, Settings())["verdict"].to_list() == [
        *["holds"] * 3,
        "sensor_disagrees",
    ]


def test_two_sensors_that_agree_accuse_a_third_and_are_less_sure_of_it():
    samples, headers = _fleet([8e-4, 7.9e-4, -8e-4])
    rows = measure_traces(samples, headers, Settings())
    assert rows["verdict"].to_list() == ["holds", "holds", "sensor_disagrees"]
    assert rows["confidence"][2] < 0.9 < rows["confidence"][0]
    shifted = samples.with_columns(pl.col("sensor_v").abs() + pl.when(trace_id="t2").then(0.8).otherwise(0.0))
    assert measure_traces(shifted, headers, Settings())["verdict"][2] == "sensor_disagrees"


def test_one_vehicle_has_one_voice_however_often_it_was_tested():
    samples, headers = _fleet([3e-4, 3e-4, 3e-4, 8e-4])
    of_two = headers.with_columns(vehicle_id=pl.Series(["odd", "odd", "odd", "sound"]))
    rows = measure_traces(samples, of_two, Settings())
    assert set(rows["verdict"]) == {"holds"}
    assert rows["confidence"].max() < 0.9


def test_two_odd_sensors_among_four_or_five_do_not_hide_each_other():
    for sound in ([8e-4, 8.05e-4], [8e-4, 8.05e-4, 7.95e-4]):
        samples, headers = _fleet([*sound, 3e-4, 5e-4])
        said = measure_traces(samples, headers, Settings())["verdict"].to_list()
        assert said == ["holds"] * len(sound) + ["sensor_disagrees"] * 2


def test_a_slope_a_fifth_off_among_sensors_that_agree_closely_is_told():
    samples, headers = _fleet([8e-4, 7.98e-4, 8.01e-4, 8e-4, 6.4e-4, 7.3e-4])
    said = measure_traces(samples, headers, Settings())["verdict"].to_list()
    assert said == [*["holds"] * 4, "sensor_disagrees", "holds"]


def test_of_two_sensors_that_differ_neither_is_in_order_for_sure():
    samples, headers = _fleet([8e-4, 4e-4])
    rows = measure_traces(samples, headers, Settings())
    assert rows["verdict"].to_list() == ["holds", "holds"]
    assert rows["confidence"].max() < 0.9
    assert "this sensor moves +0.40 V per kPa, and no two vehicles of its model agree" in rows["evidence"][1]
    alone = measure_traces(samples.filter(trace_id="t1"), headers.tail(1), Settings())
    assert alone["confidence"][0] > 0.9
    alike, headers = _fleet([8e-4, 7.2e-4])
    assert measure_traces(alike, headers, Settings())["confidence"].min() > 0.9


def test_two_kinds_of_sensor_under_one_name_accuse_nobody():
    samples, headers = _fleet([8e-4, 8e-4, 8e-4, 8.1e-4, -5e-4, -5e-4, -5.1e-4])
    assert set(measure_traces(samples, headers, Settings())["verdict"]) == {"holds"}


def norms_with(**numbers: float) -> pl.DataFrame:
    """One model's norms: these, each from 37 recordings with a spread of one percent; the others unknown."""
    row: dict[str, object] = dict.fromkeys(NORM_SCHEMA) | {"make": "Kestin", "model": "210"}
    for name, value in numbers.items():
        row |= {name: value, f"{name}_spread": abs(value) * 0.01, f"{name}_n": 37}
    return pl.DataFrame([row], schema=NORM_SCHEMA)


def test_a_kind_of_sensor_that_came_with_a_model_year_accuses_nobody_and_its_own_odd_one_is_told():
    slopes = [8e-4, 7.9e-4, 8.1e-4, 8e-4, 8.05e-4, 5e-4, 5.05e-4, 5e-4, 6.5e-4]
    years = [2012, 2013, 2014, 2014, 2015, 2016, 2017, 2018, 2018]
    samples, headers = _fleet(slopes, years)
    rows = measure_traces(samples, headers, Settings())
    assert rows["verdict"].to_list() == ["holds"] * 8 + ["sensor_disagrees"]
    assert "this model's sensors move +0.50 (3 vehicles agree)" in rows["evidence"][8]
    # Five of a kind and two of the same year: nobody knows that the two are a kind.
    few, of_any_year = samples.filter(~pl.col("trace_id").is_in(["t7", "t8"])), pl.lit(2014)
    rows = measure_traces(few, headers.head(7).with_columns(model_year=of_any_year), Settings())
    assert rows["verdict"].to_list() == [*["holds"] * 5, *["sensor_disagrees"] * 2]
    rows = measure_traces(few, headers.head(7), Settings())
    assert rows["verdict"].to_list() == ["holds"] * 7


def test_a_norm_from_the_whole_lake_judges_one_trace_alone_and_explains_it_alike():
    samples, headers = _fleet([-8e-4])
    norms = norms_with(volts_per_pa=8e-4)
    assert measure_traces(samples, headers, Settings())["verdict"][0] == "holds"
    row = measure_traces(samples, headers, Settings(), norms)
    assert row["verdict"][0] == "sensor_disagrees"
    assert explain_trace(samples, headers, Settings(), norms).result["verdict"] == "sensor_disagrees"
    other = norms.with_columns(model=pl.lit("330"))
    assert measure_traces(samples, headers, Settings(), other)["verdict"][0] == "holds"


def test_an_offset_that_the_whole_model_has_accuses_no_single_sensor_of_it():
    samples, headers = _fleet([8e-4])
    off = samples.with_columns(pl.col("tank_pressure_pa") + 400)
    usual = {"rest_pa": 0.0, "volts_per_pa": 8e-4}
    assert measure_traces(off, headers, Settings(), norms_with(**usual))["verdict"][0] == "sensor_offset"
    assert (
        measure_traces(off, headers, Settings(), norms_with(rest_pa=390.0))["verdict"][0] != "sensor_offset"
    )


def test_gauge_pressure_from_a_coarse_barometer_is_no_offset_of_a_sensor_whose_volts_rest_where_they_should():
    """Absolute pressure less a barometer in whole kilopascals is off by up to 500 Pa, another amount each day."""
    samples, headers = _fleet([8e-4])
    off = samples.with_columns(pl.col("tank_pressure_pa") - 400)
    norms = norms_with(volts_per_pa=8e-4, rest_v=2.5)
    assert measure_traces(off, headers, Settings(), norms)["verdict"][0] == "holds"
    drifted = off.with_columns(pl.col("sensor_v") - 400 * 8e-4)
    assert measure_traces(drifted, headers, Settings(), norms)["verdict"][0] == "sensor_offset"


def test_two_vehicles_whose_volts_rest_alike_clear_no_zero_that_is_off():
    samples, headers = _fleet([8e-4])
    off = samples.with_columns(pl.col("tank_pressure_pa") - 400)
    of_two = norms_with(volts_per_pa=8e-4, rest_v=2.5).with_columns(rest_v_n=pl.lit(2, pl.Int64))
    assert measure_traces(off, headers, Settings(), of_two)["verdict"][0] == "sensor_offset"


def test_volts_that_end_before_the_pressure_does_are_no_sensor_of_another_gain():
    samples, headers = _fleet([8e-4, 7.98e-4, 8.01e-4, 8e-4, 8e-4])
    lowest = 2.5 - 8e-4 * 0.8 * 2500
    ends = pl.when(trace_id="t4").then(pl.col("sensor_v").clip(lower_bound=lowest)).otherwise("sensor_v")
    rows = measure_traces(samples.with_columns(sensor_v=ends), headers, Settings())
    assert set(rows["verdict"]) == {"holds"}


def test_volts_that_rest_elsewhere_than_their_model_with_the_pressure_at_zero_disagree():
    samples, headers = _fleet([8e-4])
    norms = norms_with(volts_per_pa=8e-4, rest_v=2.5, rest_pa=0.0)
    shifted = samples.with_columns(pl.col("sensor_v") + 0.6)
    row = measure_traces(shifted, headers, Settings(), norms).row(0, named=True)
    assert row["verdict"] == "sensor_disagrees"
    assert "the sensor gives 3.10 V, where this model's sensors give 2.50 V" in row["evidence"]
    nearly = samples.with_columns(pl.col("sensor_v") + 0.15)
    assert measure_traces(nearly, headers, Settings(), norms)["verdict"][0] == "holds"


@pytest.mark.parametrize(("volts", "pa"), [(0.0, -4000.0), (5.0, 3500.0)])
def test_volts_that_end_at_ground_or_supply_with_the_pressure_at_its_end_are_a_dead_sensor(volts, pa):
    """What is shorted tells one pressure and one voltage, and no line goes through them."""
    samples, headers = _fleet([8e-4])
    norms = norms_with(volts_per_pa=8e-4, rest_v=2.5, rest_pa=0.0)
    shorted = samples.with_columns(sensor_v=pl.lit(volts), tank_pressure_pa=pl.lit(pa))
    assert measure_traces(shorted, headers, Settings(), norms)["verdict"][0] == "sensor_flat"


def test_two_levels_of_rest_under_one_name_accuse_nobody():
    samples, headers = _fleet([8e-4] * 7)
    other = pl.when(pl.col("trace_id").is_in(["t0", "t1", "t2"])).then(0.7).otherwise(0.0)
    samples = samples.with_columns(pl.col("sensor_v") + other)
    assert set(measure_traces(samples, headers, Settings())["verdict"]) == {"holds"}


def _still(noise: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A recording in which nothing moves the pressure but noise."""
    still = Drawing().rest(10).closed(15, 0.0).draw(0.0).hold(60, vapor=0.0).release()
    header = HEADER | {"make": "Kestin", "model": "210"}
    return still.samples(noise=noise, step=1.0), pl.DataFrame([header], infer_schema_length=None)


def test_a_sensor_that_is_quieter_than_its_kind_is_dead_and_one_that_flickers_alike_is_not():
    samples, headers = _still(0.4)
    assert measure_traces(samples, headers, Settings())["verdict"][0] != "sensor_flat"
    loud = norms_with(noise_pa=3.0)
    assert measure_traces(samples, headers, Settings(), loud)["verdict"][0] == "sensor_flat"
    samples, headers = _still(2.5)
    assert measure_traces(samples, headers, Settings(), loud)["verdict"][0] != "sensor_flat"


def test_stillness_tells_less_where_the_whole_kind_keeps_still():
    samples, headers = _still(0.0)
    alone = measure_traces(samples, headers, Settings()).row(0, named=True)
    coarse = measure_traces(samples, headers, Settings(), norms_with(noise_pa=0.0)).row(0, named=True)
    assert alone["verdict"] == coarse["verdict"] == "sensor_flat"
    assert alone["confidence"] > 0.99
    assert coarse["confidence"] < 0.9


def readings(**changed: object) -> dict[str, object]:
    return (
        {
            "vehicle_id": "v",
            "make": "a",
            "model": "b",
            "model_year": None,
            "tank_l": 60.0,
            "ullage_l": 30.0,
            "duty_pct": 100.0,
            "duty_gain_pct": 0.0,
            "is_timed": True,
        }
        | dict.fromkeys((*READ, *OF_ALL), 1.0)
        | {VAPOR_RETURN: 1.0, "vapor_return_sd": 1.0}
        | changed
    )


def test_a_norm_is_the_median_of_enough_recordings_with_its_spread_and_count():
    few = [readings(rest_pa=pa) for pa in (25.0, 25.0, 26.0)]
    nowhere = readings(make=None, rest_pa=90.0)
    silent = readings(rest_pa=float("nan"))
    assert model_norms(pl.DataFrame([*few, nowhere, silent]))["rest_pa"].to_list() == [None]
    norm = model_norms(pl.DataFrame([*few, readings(rest_pa=25.0), nowhere, silent])).row(0, named=True)
    assert norm["rest_pa_n"] == MIN_RECORDINGS
    assert norm["rest_pa"] == pytest.approx(25.0)
    assert norm["rest_pa_spread"] == 0
    assert norm["purge_flow_l_min_n"] == MIN_RECORDINGS + 1


def test_heat_is_told_by_all_models_together_where_enough_recordings_tell_it():
    told = [readings(model=f"m{k % 3}", heat_share_ratio=0.8 + 0.01 * k) for k in range(MIN_OF_ALL + 1)]
    silent = readings(model="other", heat_share_ratio=float("nan"))
    norms = model_norms(pl.DataFrame([*told, silent], strict=False))
    assert norms["model"].to_list() == ["m0", "m1", "m2", "other"]
    assert norms["heat_share_ratio"].to_list() == pytest.approx([0.8 + 0.01 * MIN_OF_ALL / 2] * 4)
    assert norms["heat_share_ratio_n"].to_list() == [MIN_OF_ALL + 1] * 4
    few = model_norms(pl.DataFrame([*told[2:], silent], strict=False))
    assert few["heat_share_ratio"].to_list() == [None] * 4
    assert few["heat_share_ratio_n"].to_list() == [MIN_OF_ALL - 1] * 4


def test_vapor_is_told_by_few_recordings_of_many_vehicles_or_by_many_of_few():
    """One vehicle's hole, tested again and again, looks like a tank that gives its vapor back fast."""

    def told(n: int, n_vehicles: int) -> float | None:
        each = [
            readings(vehicle_id=f"v{k % n_vehicles}", vapor_return_ratio=3.0 + 0.1 * (k % 5))
            for k in range(n)
        ]
        return model_norms(pl.DataFrame(each))["vapor_return_ratio"][0]

    assert told(2 * MIN_OF_ALL, 2 * MIN_OF_ALL) == pytest.approx(3.2, abs=0.2)
    assert told(2 * MIN_OF_ALL, MIN_OF_ALL - 1) is None
    assert told(2 * MIN_OF_FEW_VEHICLES, 1) == pytest.approx(3.2, abs=0.2)


def test_no_recordings_give_no_norms():
    assert model_norms(pl.DataFrame([readings()]).clear()).is_empty()
