"""Phases come from the commands alone."""

import numpy as np
import polars as pl
from drawing import Drawing, whole_test

from pipeline.traces.phases import PHASE_NAMES, make_batch

ONE = pl.DataFrame({"trace_id": ["t1"]}).with_row_index("number")


def phases_of(samples: pl.DataFrame, number: pl.DataFrame = ONE) -> list[tuple[int, str]]:
    _, segments = make_batch(samples, number)
    return list(zip(segments.trace.tolist(), [PHASE_NAMES[p] for p in segments.phase], strict=True))


def test_a_whole_test_has_its_five_phases_in_order():
    names = [name for _, name in phases_of(whole_test().samples())]
    assert names == ["rest", "closed", "draw", "hold", "release"]


def test_a_second_draw_makes_a_second_hold_and_a_vent_between_makes_a_closed_phase():
    drawing = Drawing().rest().draw(-900).hold(5).draw(-2000).hold(5).release().closed().draw(-2000).hold(5)
    names = [name for _, name in phases_of(drawing.samples())]
    assert names == ["rest", "draw", "hold", "draw", "hold", "release", "closed", "draw", "hold"]


def test_purge_through_an_open_vent_is_no_phase_of_a_test():
    drawing = Drawing().rest().add(10, lambda s: 0 * s, False, 50.0).rest()
    assert [name for _, name in phases_of(drawing.samples())] == ["rest", "", "rest"]


def test_the_smallest_duty_counts_of_a_shut_purge_are_no_draw():
    samples = whole_test().samples().with_columns(pl.col("purge_duty_pct").clip(lower_bound=0.39))
    assert [name for _, name in phases_of(samples)] == ["rest", "closed", "draw", "hold", "release"]


def test_a_phase_ends_where_the_next_command_is_recorded():
    _, segments = make_batch(whole_test().samples(), ONE)
    assert np.array_equal(segments.end[:-1], segments.start[1:])


def test_traces_of_one_batch_do_not_run_into_each_other():
    first = Drawing().rest().closed().draw(-2000).samples()
    second = Drawing().closed().draw(-2000).hold(9)
    both = pl.concat([first, second.samples().with_columns(trace_id=pl.lit("t2"))])
    numbers = pl.DataFrame({"trace_id": ["t1", "t2"]}).with_row_index("number")
    assert phases_of(both, numbers) == [
        (0, "rest"),
        (0, "closed"),
        (0, "draw"),
        (1, "closed"),
        (1, "draw"),
        (1, "hold"),
    ]


def test_rows_without_pressure_time_or_command_are_left_out():
    samples = whole_test().samples()
    row = pl.int_range(pl.len())
    holed = samples.with_columns(
        tank_pressure_pa=pl.when(row == 3)
        .then(float("nan"))
        .when(row == 4)
        .then(None)
        .otherwise("tank_pressure_pa"),
        purge_duty_pct=pl.when(row == 5).then(None).otherwise("purge_duty_pct"),
        is_vent_closed=pl.when(row == 6).then(None).otherwise("is_vent_closed"),
    )
    batch, _ = make_batch(holed, ONE)
    assert len(batch) == samples.height - 4
    assert np.isfinite(batch.pressure).all()


def test_samples_of_an_unknown_trace_are_left_out():
    batch, segments = make_batch(whole_test().samples().with_columns(trace_id=pl.lit("other")), ONE)
    assert len(batch) == 0
    assert len(segments.trace) == 0
