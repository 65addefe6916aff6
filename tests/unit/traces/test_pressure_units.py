"""Pressures that a source writes in another unit than it is read in: one recording cannot tell, its source can."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces
from pipeline.traces.pressure_units import DRAWN_SPAN, IS_PRESSURE_DOUBTED
from pipeline.traces.source_zeros import VENTED_ZERO
from pipeline.traces.sources import sources_of, with_doubts
from pipeline.traces.vent_commands import VACUUM_UNDER_OPEN_VENT
from tests.unit.traces.drawing import HEADER, Drawing, whole_test

#: Pascals in a unit that a source may write: exact, or NIST SP 811 B.8 (water at 4 °C, mercury at 0 °C).
UNITS_PA = {"kPa": 1e3, "hPa": 100.0, "inH2O": 249.082, "mmHg": 133.322, "psi": 6894.757}


def judged(tests: list[Drawing], pa: float, n_vehicles: int = 7, sources: str = "b") -> pl.DataFrame:
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


def test_one_draw_that_moves_the_pressure_clears_its_source():
    spans = [12.0] * 9 + [2400.0, float("nan")]
    told = pl.DataFrame(
        {
            "source_id": ["a"] * 11 + ["b"] * 11 + [None],
            "vehicle_id": [f"v{k}" for k in range(23)],
            DRAWN_SPAN: [*spans, *[12.0] * 10, float("nan"), 12.0],
            VACUUM_UNDER_OPEN_VENT: [float("nan")] * 23,
            VENTED_ZERO: [float("nan")] * 23,
        }
    )
    sources = sources_of(told)
    assert sources.pressure.rows() == [("a", 10, 10, 2400.0, False), ("b", 10, 10, 12.0, True)]
    headers = pl.DataFrame({"source_id": ["b", "a", None]})
    assert with_doubts(headers, sources)[IS_PRESSURE_DOUBTED].to_list() == [True, False, False]
