"""Pressures that a source writes in another unit than it is read in: one recording cannot tell, its source can."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces
from pipeline.traces.pressure_units import DRAWN_RATE, DRAWN_SPAN, IS_PRESSURE_DOUBTED, compared
from pipeline.traces.source_zeros import VENTED_ZERO
from pipeline.traces.sources import sources_of, with_doubts
from pipeline.traces.vent_commands import VACUUM_UNDER_OPEN_VENT
from tests.unit.traces.drawing import HEADER, Drawing, whole_test

#: Pascals in a unit that a source may write: exact, or NIST SP 811 B.8 (water at 4 °C, mercury at 0 °C).
UNITS_PA = {"kPa": 1e3, "hPa": 100.0, "inH2O": 249.082, "mmHg": 133.322, "psi": 6894.757}


def judged(
    tests: list[Drawing], pa: float, n_vehicles: int = 7, sources: str = "b", **facts: str
) -> pl.DataFrame:
    """Judge tests whose pressures are written in a unit of so many pascals by source "b"."""
    samples = pl.concat(
        test.samples(noise=2, seed=k // len(sources)).with_columns(
            pl.col("tank_pressure_pa") / (pa if sources[k % len(sources)] == "b" else 1.0),
            trace_id=pl.lit(f"t{k}"),
        )
        for k, test in enumerate(tests)
    )
    headers = pl.DataFrame(
        [
            HEADER
            | facts
            | {
                "trace_id": f"t{k}",
                "source_id": sources[k % len(sources)],
                "vehicle_id": f"v{k % n_vehicles}",
            }
            for k in range(len(tests))
        ],
        infer_schema_length=None,
    )
    return measure_traces(samples, headers, Settings())


TESTS = [whole_test(hole_mm=0.15 * k) for k in range(10)]


@pytest.mark.parametrize("unit", UNITS_PA)
def test_tests_of_a_source_that_writes_another_unit_are_not_judged(unit):
    """They had been purge valves that stay shut, and leaks too large to hold."""
    told = judged(TESTS, UNITS_PA[unit])
    assert told["verdict"].unique().to_list() == ["not_judged"]
    assert told["evidence"].str.contains(r"declares under \[samples.units\]").all()


def test_the_same_tests_in_pascals_are_judged():
    assert judged(TESTS, 1.0)["verdict"].to_list()[3:] == ["leak"] * 7


def test_another_source_of_the_same_models_is_judged_as_if_that_one_were_not_there():
    alone = judged(TESTS, 1.0)
    told = judged([test for test in TESTS for _ in range(2)], 1e3, sources="ab")
    own = told.gather_every(2)
    assert own["verdict"].to_list() == alone["verdict"].to_list()
    assert told.gather_every(2, 1)["verdict"].unique().to_list() == ["not_judged"]
    for name in ("leak_diameter_mm", "confidence"):
        is_told = alone[name].is_not_null()
        assert own[name].is_not_null().to_list() == is_told.to_list()
        assert own[name].filter(is_told).to_list() == pytest.approx(
            alone[name].filter(is_told).to_list(), rel=1e-9
        )


@pytest.mark.parametrize(("n_tests", "n_vehicles"), [(7, 7), (10, 2)])
def test_few_draws_or_few_vehicles_accuse_no_unit(n_tests, n_vehicles):
    told = judged(TESTS[:n_tests], 1e3, n_vehicles)
    assert "no_vacuum" in told["verdict"].to_list()


#: Inches of mercury in inches of water, and back: NIST SP 811 B.8, 3386.389 and 249.082 Pa.
MERCURY_BY_WATER = 3386.389 / 249.082
TARN = {"make": "Orrin", "model": "Tarn"}


@pytest.mark.parametrize("times", [MERCURY_BY_WATER, 1 / MERCURY_BY_WATER, 4.0])
def test_a_source_that_moves_the_same_models_many_times_less_or_more_is_not_judged(times):
    """Of inches of mercury read as inches of water, or as many times too much, each recording looks sound."""
    told = judged([test for test in TESTS for _ in range(2)], times, sources="ab", **TARN)
    assert told.gather_every(2, 1)["verdict"].unique().to_list() == ["not_judged"]
    assert told.gather_every(2, 1)["evidence"].str.contains("another unit").all()
    assert told.gather_every(2)["verdict"].to_list()[3:] == ["leak"] * 7


def test_a_source_alone_with_its_models_is_compared_with_none():
    assert judged(TESTS, MERCURY_BY_WATER, **TARN)["verdict"].to_list()[3:] == ["leak"] * 7


def drawn(source: str, span: float, rate: float, n: int = 9, **model: str) -> pl.DataFrame:
    row = {"source_id": source, **(model or TARN), DRAWN_SPAN: span, DRAWN_RATE: rate}
    rows = pl.DataFrame([row | {"vehicle_id": f"{source}{k}"} for k in range(n)])
    return rows.with_columns(
        pl.lit(float("nan")).alias(name) for name in (VACUUM_UNDER_OPEN_VENT, VENTED_ZERO)
    )


def doubted(*sources: pl.DataFrame) -> list[str]:
    found = sources_of(pl.concat(sources)).pressure
    return found.filter(IS_PRESSURE_DOUBTED)["source_id"].to_list()


def test_a_shop_that_draws_to_another_vacuum_or_at_another_speed_is_believed():
    usual = drawn("a", 2000.0, 150.0)
    assert doubted(usual, drawn("b", 400.0, 150.0)) == []
    assert doubted(usual, drawn("b", 2000.0, 30.0)) == []
    assert doubted(usual, drawn("b", 400.0, 30.0)) == ["b"]
    assert doubted(usual, drawn("b", 400.0, 30.0, make="Orrin", model="Fell")) == []
    assert doubted(usual, drawn("b", 400.0, 30.0, n=7)) == []


def test_of_two_sources_the_one_farther_from_what_draws_reach_is_doubted_whichever_has_more():
    assert doubted(drawn("a", 8000.0, 600.0, n=40), drawn("b", 2000.0, 150.0)) == ["a"]
    many = [drawn(name, 2000.0, 150.0) for name in "bcd"]
    assert doubted(drawn("a", 500.0, 40.0), *many) == ["a"]


def test_a_flat_sensor_tells_nothing_of_how_far_draws_go():
    flat = [drawn("b", 0.0, rate) for rate in (float("nan"), 0.0)]
    told = compared(pl.concat([drawn("a", 2000.0, 150.0), *flat]))
    assert told["span_ratio"].is_null().all()


def test_what_is_usual_elsewhere_is_told_by_four_draws_of_the_model():
    told = compared(pl.concat([drawn("a", 1000.0, 80.0, n=1), drawn("b", 2000.0, 160.0, n=4)]))
    assert told["span_ratio"].to_list() == [0.5, None, None, None, None]
    assert told["rate_ratio"].to_list() == [0.5, None, None, None, None]


def test_one_draw_that_moves_the_pressure_clears_its_source():
    spans = [12.0] * 9 + [2400.0, float("nan")]
    told = pl.DataFrame(
        {
            "source_id": ["a"] * 11 + ["b"] * 11 + [None],
            "vehicle_id": [f"v{k}" for k in range(23)],
            DRAWN_SPAN: [*spans, *[12.0] * 10, float("nan"), 12.0],
            DRAWN_RATE: [float("nan")] * 23,
            VACUUM_UNDER_OPEN_VENT: [float("nan")] * 23,
            VENTED_ZERO: [float("nan")] * 23,
        }
    ).with_columns(make=None, model=None)
    sources = sources_of(told)
    assert sources.pressure.rows() == [
        ("a", 10, 10, 2400.0, 0, None, None, False),
        ("b", 10, 10, 12.0, 0, None, None, True),
    ]
    headers = pl.DataFrame({"source_id": ["b", "a", None]})
    assert with_doubts(headers, sources)[IS_PRESSURE_DOUBTED].to_list() == [True, False, False]
