"""Phases come from the commands, and from what came while samples were lost."""

import numpy as np
import polars as pl
import pytest
from drawing import Drawing, judged, whole_test

from pipeline.traces.recordings import gather, phases_of

ONE = pl.Series(["t1"])


def names_of(samples: pl.DataFrame, traces: pl.Series = ONE) -> list[tuple[int, str]]:
    recordings = gather(samples, traces)
    return [(k, name) for k in range(len(recordings)) for name, _, _ in phases_of(recordings, k)]


def test_a_whole_test_has_its_five_phases_in_order():
    names = [name for _, name in names_of(whole_test().samples())]
    assert names == ["rest", "closed", "draw", "hold", "release"]


def test_a_second_draw_makes_a_second_hold_and_a_vent_between_makes_a_closed_phase():
    drawing = Drawing().rest().draw(-900).hold(5).draw(-2000).hold(5).release().closed().draw(-2000).hold(5)
    names = [name for _, name in names_of(drawing.samples())]
    assert names == ["rest", "draw", "hold", "draw", "hold", "release", "closed", "draw", "hold"]


def test_purge_through_an_open_vent_is_no_phase_of_a_test():
    drawing = Drawing().rest().add(10, lambda s: 0 * s, False, 50.0).rest()
    assert [name for _, name in names_of(drawing.samples())] == ["rest", "", "rest"]


def test_the_smallest_duty_counts_of_a_shut_purge_are_no_draw():
    samples = whole_test().samples().with_columns(pl.col("purge_duty_pct").clip(lower_bound=0.39))
    assert [name for _, name in names_of(samples)] == ["rest", "closed", "draw", "hold", "release"]


def test_a_phase_ends_where_the_next_command_is_recorded():
    phases = phases_of(gather(whole_test().samples(), ONE), 0)
    assert [end for _, _, end in phases[:-1]] == [start for _, start, _ in phases[1:]]


def test_traces_of_one_batch_do_not_run_into_each_other():
    first = Drawing().rest().closed().draw(-2000).samples()
    second = Drawing().closed().draw(-2000).hold(9)
    both = pl.concat([first, second.samples().with_columns(trace_id=pl.lit("t2"))])
    assert names_of(both, pl.Series(["t1", "t2"])) == [
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
    recordings = gather(holed, ONE)
    assert len(recordings.t) == recordings.begin[-1] == samples.height - 4
    assert np.isfinite(recordings.pressure).all()


def test_samples_of_an_unknown_trace_are_left_out():
    recordings = gather(whole_test().samples().with_columns(trace_id=pl.lit("other")), ONE)
    assert len(recordings) == 1
    assert len(recordings.t) == 0
    assert phases_of(recordings, 0) == []


def test_samples_in_any_order_are_put_in_the_order_of_traces_and_times():
    first, second = whole_test().samples(), whole_test().samples().with_columns(trace_id=pl.lit("t2"))
    mixed = pl.concat([second, first]).sample(fraction=1.0, shuffle=True, seed=3)
    recordings = gather(mixed, pl.Series(["t2", "none", "t1"]))
    assert recordings.begin.tolist() == [0, second.height, second.height, second.height + first.height]
    for k in (0, 2):
        assert np.all(np.diff(recordings.t[recordings.begin[k] : recordings.begin[k + 1]]) > 0)


def test_rows_left_out_do_not_shift_the_next_recording():
    first = whole_test().samples()
    holed = first.with_columns(tank_pressure_pa=pl.when(pl.int_range(pl.len()) < 5).then(None).otherwise(1.0))
    both = pl.concat([holed, first.with_columns(trace_id=pl.lit("t2"))])
    recordings = gather(both, pl.Series(["t1", "t2"]))
    assert np.diff(recordings.begin).tolist() == [first.height - 5, first.height]
    assert recordings.pressure[recordings.begin[1]] == first["tank_pressure_pa"][0]


def lost(samples: pl.DataFrame, start_s: float, end_s: float) -> pl.DataFrame:
    return samples.filter(~pl.col("t_s").is_between(start_s, end_s))


def test_a_draw_whose_samples_were_all_lost_is_one():
    """Six seconds vented, fifteen shut, thirty of draw; all of the draw, and a second on both sides, is lost."""
    samples = lost(whole_test(0.8).samples(noise=3), 20.0, 52.0)
    assert [name for _, name in names_of(samples)] == ["rest", "closed", "draw", "hold", "release"]
    row = judged(samples)
    assert row["verdict"] == "leak"
    assert row["leak_diameter_low_mm"] < 0.8 < row["leak_diameter_high_mm"]
    assert row["draw_rate_pa_s"] is None


def test_a_draw_of_a_second_that_fell_into_a_gap_is_one():
    """A small tank is drawn down in a second and a half; two seconds are lost."""
    drawing = Drawing(4.0).rest().closed(15, rate=1.0).draw(-1600.0, seconds=1.5)
    samples = lost(drawing.hold(60, 0.8, 0.0).release().samples(noise=3), 20.9, 22.9)
    assert [name for _, name in names_of(samples)] == ["rest", "closed", "draw", "hold", "release"]


def test_samples_lost_from_a_shut_tank_make_no_draw():
    """Neither where the pressure is the same after it, nor where it falls and nothing was lost."""
    samples = Drawing().rest().closed(60, rate=1.0).samples(noise=3)
    assert [name for _, name in names_of(lost(samples, 20.0, 40.0))] == ["rest", "closed"]
    falls = Drawing().rest().closed(60, rate=-40.0).samples(noise=3)
    assert [name for _, name in names_of(falls)] == ["rest", "closed"]
    assert judged(falls)["verdict"] == "purge_passes_closed"


def second_draw(seconds: float, to: float = -2600.0, rate_hz: float = 5.0) -> pl.DataFrame:
    """Draw a tight tank down twice; the second time the purge opens between two of its samples."""
    drawing = Drawing(rate_hz).rest().closed(15, rate=1.0).draw(-2000.0, seconds=5).hold(40)
    start = drawing.pa[-1]
    drawing.add(
        seconds, lambda s: start + (to - start) * np.minimum((s + 1 / rate_hz) / seconds, 1.0), True, 0.0
    )
    return drawing.hold(70).release().samples(noise=3)


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0, 20.0])
def test_a_second_draw_that_no_sample_of_the_purge_shows_is_one(rate_hz):
    samples = second_draw(0.8, rate_hz=rate_hz)
    assert [name for _, name in names_of(samples)] == [
        *("rest", "closed", "draw", "hold", "draw", "hold", "release")
    ]
    row = judged(samples)
    assert (row["verdict"], row["leak_censoring"]) == ("holds", "left")


def test_a_second_draw_whose_command_is_recorded_late_is_one_and_not_two():
    """The recorder asks for the purge some tenths of a second after the pressure, and shows it for half a second."""
    drawing = Drawing(10.0).rest().closed(15, rate=1.0).draw(-2000.0, seconds=5).hold(40)
    begins = drawing.t[-1]
    start = drawing.pa[-1]
    drawing.add(0.8, lambda s: start - 600 * np.minimum((s + 0.1) / 0.5, 1.0), True, 0.0)
    late = pl.col("t_s").is_between(begins + 0.5, begins + 0.95)
    samples = drawing.hold(70).release().samples(noise=3)
    samples = samples.with_columns(
        pl.when(late).then(60.0).otherwise("purge_duty_pct").alias("purge_duty_pct")
    )
    recordings = gather(samples, ONE)
    assert [name for name, _, _ in phases_of(recordings, 0)] == [
        *("rest", "closed", "draw", "hold", "draw", "hold", "release")
    ]
    starts = [start for _, start, _ in phases_of(recordings, 0)]
    assert starts == sorted(starts)
    row = judged(samples)
    assert (row["verdict"], row["leak_censoring"]) == ("holds", "left")


def test_what_falls_slowly_or_comes_back_is_no_second_draw():
    """A valve that begins to pass takes its time, and a reading that slips comes back."""
    assert [name for _, name in names_of(second_draw(20.0))] == ["rest", "closed", "draw", "hold", "release"]
    samples = whole_test().samples(noise=3)
    slipped = samples.with_columns(
        pl.when(pl.col("t_s").is_between(60.0, 61.0))
        .then(pl.col("tank_pressure_pa") - 900)
        .otherwise(pl.col("tank_pressure_pa"))
    )
    assert [name for _, name in names_of(slipped)] == ["rest", "closed", "draw", "hold", "release"]
