"""A vent command that a source writes the wrong way round, or never: one recording cannot tell, its source can."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces
from pipeline.traces.pressure_units import DRAWN_RATE, DRAWN_SPAN
from pipeline.traces.source_zeros import VENTED_ZERO
from pipeline.traces.sources import sources_of, with_doubts
from pipeline.traces.vent_commands import IS_VENT_DOUBTED, VACUUM_UNDER_OPEN_VENT
from tests.unit.traces.drawing import HEADER, Drawing, whole_test

WAYS = {
    "the wrong way round": ~pl.col("is_vent_closed"),
    "never recorded": pl.lit(False),
    "as it was": pl.col("is_vent_closed"),
}


def judged(
    tests: list[Drawing],
    way: pl.Expr,
    source: str | None = "bay",
    volts: dict[str, list[float]] | None = None,
) -> pl.DataFrame:
    samples = pl.concat(
        test.samples(noise=2, seed=k, volts=volts and np.array(volts[f"t{k}"])).with_columns(
            way.alias("is_vent_closed"), trace_id=pl.lit(f"t{k}")
        )
        for k, test in enumerate(tests)
    )
    headers = pl.DataFrame(
        [HEADER | {"trace_id": f"t{k}", "source_id": source} for k in range(len(tests))],
        infer_schema_length=None,
    )
    return measure_traces(samples, headers, Settings())


@pytest.mark.parametrize("way", list(WAYS)[:2])
def test_tests_of_a_source_whose_vent_seems_open_in_every_draw_are_not_judged(way):
    told = judged([whole_test(hole_mm=0.2 * k) for k in range(6)], WAYS[way])
    assert told["verdict"].unique().to_list() == ["not_judged"]
    assert told["evidence"].str.contains("the command is the wrong way round, or not recorded").all()


def test_the_same_tests_with_their_commands_are_judged():
    told = judged([whole_test(hole_mm=0.2 * k) for k in range(6)], WAYS["as it was"])
    assert told["verdict"].to_list()[2:] == ["leak"] * 4


@pytest.mark.parametrize("source", ["bay", None])
def test_too_few_recordings_or_none_of_a_known_source_accuse_no_command(source):
    tests = [whole_test() for _ in range(4 if source else 8)]
    told = judged(tests, WAYS["never recorded"], source)
    assert told["verdict"].unique().to_list() == ["vent_restricted"]


def test_restricted_vents_among_draws_behind_a_shut_vent_are_told():
    """Half a dozen blocked vents, and as many tests with one more: the command works."""
    blocked = Drawing().rest(10).add(30, lambda s: -80.0 * s, False, 60.0).rest(10, -2400.0)
    told = judged([blocked] * 6 + [whole_test()] * 7, WAYS["as it was"])
    assert told["verdict"].to_list()[:6] == ["vent_restricted"] * 6


def test_volts_that_do_not_follow_the_pressure_are_told_whatever_the_command_says():
    test = whole_test()
    follow = [2.5 + pa / 2000 for pa in test.pa]
    volts = {f"t{k}": follow if k else [2.5] * len(test.t) for k in range(6)}
    told = judged([whole_test() for _ in range(6)], WAYS["never recorded"], volts=volts)
    assert told["verdict"].to_list() == ["sensor_disagrees"] + ["not_judged"] * 5


def test_counts_by_source():
    told = pl.DataFrame(
        {
            "source_id": ["a"] * 8 + ["b"] * 8 + [None],
            VACUUM_UNDER_OPEN_VENT: [1.0] * 5 + [0.0] * 2 + [float("nan")] + [1.0] * 4 + [0.0] * 4 + [1.0],
            DRAWN_SPAN: [float("nan")] * 17,
            VENTED_ZERO: [float("nan")] * 17,
            DRAWN_RATE: [float("nan")] * 17,
            "vehicle_id": ["v"] * 17,
        }
    ).with_columns(make=None, model=None)
    sources = sources_of(told)
    assert sources.vent.rows() == [("a", 7, 5, True), ("b", 8, 4, False)]
    headers = pl.DataFrame({"source_id": ["b", "a", None]})
    assert with_doubts(headers, sources)[IS_VENT_DOUBTED].to_list() == [False, True, False]


def test_a_draw_behind_a_vent_that_only_seems_shut_is_not_judged_either():
    """Purge that opens a moment before the vent shuts is, the wrong way round, a draw behind a shut vent."""
    late = Drawing().rest(6).add(3, lambda s: -5 * s, False, 60.0)
    late.draw(-2500.0).hold(60, 0.6).release()
    told = judged([whole_test() for _ in range(6)] + [late], WAYS["the wrong way round"])
    assert told["verdict"].to_list() == ["not_judged"] * 7
