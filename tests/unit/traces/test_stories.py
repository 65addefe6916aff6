"""Stories are weighed against signs: contradicted ones pay, the rest is shared by how common they are."""

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing, judged, whole_test

from pipeline.contract.vocabulary import VERDICTS
from pipeline.settings import Settings
from pipeline.traces.measure import measure, measure_traces
from pipeline.traces.recordings import gather
from pipeline.traces.stories import NAMES, SIGNS, STORIES
from pipeline.traces.tolerance import SUREST, above, below, both, either, fact


def test_every_verdict_but_not_judged_is_a_story_and_all_shares_together_are_one():
    assert set(NAMES) == set(VERDICTS) - {"not_judged"}
    assert sum(share for share, _ in STORIES.values()) == pytest.approx(1)
    assert all(len(says) == len(SIGNS) for _, says in STORIES.values())


def test_a_distance_is_signed_in_tolerances_and_never_beyond_the_surest():
    assert above(np.e, 1.0, 0.5) == pytest.approx(2)
    assert below(np.e, 1.0, 0.5) == pytest.approx(-2)
    assert above(1.0, 1.0) == below(1.0, 1.0) == 0
    assert above(1e9, 1.0) == SUREST
    assert above([np.nan, -3.0, 0.0], 1.0).tolist() == [-SUREST] * 3
    assert below([np.nan, 0.0], 1.0).tolist() == [-SUREST, SUREST]
    assert above(2.0, np.nan) == -SUREST


def test_the_least_of_what_is_needed_together_and_the_greatest_of_what_is_enough_alone_counts():
    signs = np.array([3.0, -1.0]), np.array([1.0, 2.0])
    assert both(*signs).tolist() == [1.0, -1.0]
    assert either(*signs).tolist() == [3.0, 2.0]
    assert fact(np.array([True, False])).tolist() == [SUREST, -SUREST]


def told_of(samples: pl.DataFrame):
    headers = pl.DataFrame([HEADER], infer_schema_length=None)
    return measure(gather(samples, headers["trace_id"]), headers, Settings()).judgement


def test_probabilities_of_all_stories_add_up_to_one_and_the_best_is_the_verdict():
    judgement = told_of(whole_test(0.8).samples(noise=3))
    assert judgement.told.probability.sum() == pytest.approx(1)
    assert NAMES[int(judgement.told.best[0])] == judgement.verdict[0] == "leak"
    assert judgement.told.confidence[0] > 0.99


def test_a_story_pays_for_the_sign_that_contradicts_it_and_only_for_that():
    passing = Drawing().rest().closed(10, -4.0).draw(-2000).hold(60, vapor=-8.0).release()
    judgement = told_of(passing.samples(noise=2))
    paid = dict(zip(NAMES, judgement.told.paid[0], strict=True))
    falls = SIGNS.index("falls")
    assert judgement.verdict[0] == "purge_passes_closed"
    assert paid["purge_passes_closed"].max() == 0
    assert paid["leak"][falls] > 6
    assert paid["vent_restricted"][SIGNS.index("restricted")] > 6


def test_a_reading_on_the_edge_of_two_stories_is_not_judged_and_names_both():
    """A vent that lets half of the vacuum go in 4 s is neither clear nor blocked: it is the limit itself."""
    drawing = Drawing().rest().closed().draw(-2500).hold(60).release(20, 4.0 / np.log(2))
    row = judged(drawing.samples(noise=3))
    assert {row["second_verdict"], row["verdict"]} <= {"not_judged", "vent_restricted", "holds"}
    sharp = judged(drawing.samples(noise=3), Settings(least_confidence=0.999))
    assert sharp["verdict"] == "not_judged"
    assert "two stories fit almost alike" in sharp["evidence"]
    assert sharp["confidence"] is None
    assert 0 < sharp["second_confidence"] < 0.5


@pytest.mark.parametrize("depth", [400, 600, 800])
def test_a_large_hole_between_a_leak_and_a_gross_one_is_told_with_the_likelier_of_the_two(depth):
    """Either way there is a hole to be found; only how large it is, and so which word, is not sure."""
    drawing = Drawing().rest().closed(rate=0.0)
    drawing.add(20, lambda s: depth * np.expm1(-s / 2), True, 100.0)
    drawing.add(30, lambda s: -depth * np.exp(-s / 1.2), True, 0.0).release()
    row = judged(drawing.samples(noise=3))
    assert (row["verdict"], row["second_verdict"]) == ("leak", "gross_leak")
    assert (
        0.5 < row["confidence"] < Settings().least_confidence < row["confidence"] + row["second_confidence"]
    )
    assert "a gross leak" in row["evidence"]
    assert row["leak_diameter_low_mm"] < row["leak_diameter_mm"] < row["leak_diameter_high_mm"]


def test_a_greater_least_confidence_only_ever_takes_verdicts_away():
    headers = pl.DataFrame([HEADER], infer_schema_length=None)
    for hole in (None, 0.25, 0.3, 0.4, 1.0):
        samples = (whole_test(hole) if hole else whole_test()).samples(noise=12)
        plain = measure_traces(samples, headers, Settings()).row(0, named=True)
        strict = measure_traces(samples, headers, Settings(least_confidence=0.99)).row(0, named=True)
        assert strict["verdict"] in (plain["verdict"], "not_judged")
        if strict["verdict"] != "not_judged":
            assert strict["confidence"] >= 0.99


def test_a_creeping_tank_without_vacuum_has_no_vacuum_and_a_still_one_stands_open():
    def silent(rate):
        drawing = Drawing().rest().closed(20, rate)
        drawing.add(30, lambda s: rate * (20 + s), True, 100.0).add(60, lambda s: rate * (50 + s), True, 0.0)
        return told_of(drawing.release().samples(noise=2))

    gross, none = NAMES.index("gross_leak"), NAMES.index("no_vacuum")
    creeping, still = silent(1.5).told.probability[0], silent(0.0).told.probability[0]
    assert creeping[none] > 0.99
    assert still[gross] > still[none]


@pytest.mark.parametrize("drift", [-0.2, 0.2])
def test_a_drifting_sensor_over_an_open_tank_is_no_shut_tank_that_creeps(drift):
    """What the purge pulls while it flows is gone when it stops, however far the reading has wandered by then."""
    drawing = Drawing().rest(12).closed(14, 0.0).draw(-18, 40).add(90, lambda s: 0 * s, True, 0.0)
    drawing = drawing.add(15, lambda s: 0 * s, False, 0.0)
    drawing.pa = np.where(np.array(drawing.duty) > 0, -18.0, drawing.pa).tolist()
    drifted = drawing.samples(noise=4, step=1.0).with_columns(
        pl.col("tank_pressure_pa") + drift * pl.col("t_s")
    )
    row = judged(drifted)
    assert row["verdict"] == "gross_leak" or row["confidence"] is None


def test_a_dip_that_noise_hides_speaks_for_no_less_open_a_system():
    """A still tank with the purge flowing: a cap that is off leaves no dip that 10 Pa of noise would show."""
    still = Drawing().rest(10).closed(15, 0.0).draw(0.0).hold(90, vapor=0.0).release()
    judgement = told_of(still.samples(noise=10))
    told = dict(zip(NAMES, judgement.told.probability[0], strict=True))
    assert judgement.verdict[0] == "gross_leak"
    assert told["gross_leak"] > 4 * told["no_vacuum"] > 0.04


def test_a_small_dip_speaks_for_an_open_system_before_it_is_seen_for_sure():
    def chance(dip: float) -> float:
        drawing = Drawing().rest(10).closed(15, 0.0).add(30, lambda s: -dip + 0 * s, True, 100.0)
        told = told_of(drawing.hold(60, vapor=0.0).release().samples(noise=2)).told.probability[0]
        return told[NAMES.index("gross_leak")] / told[NAMES.index("no_vacuum")]

    assert chance(1.2) > 1.2 * chance(0.0)


def test_a_shallow_vacuum_that_is_gone_at_once_is_no_tight_tank():
    """A sensor of coarse steps, a purge command that shows two seconds early: the hold's fit has little to go by."""
    drawing = Drawing().rest(10).closed(15, 0.0).draw(-245.0, 45)
    gone = drawing.add(90, lambda s: np.where(s < 2.2, -245.0, 0.0), True, 0.0).release()
    judgement = told_of(gone.samples(step=24.4))
    told = dict(zip(NAMES, judgement.told.probability[0], strict=True))
    assert told["holds"] < 0.01
    assert told["leak"] + told["gross_leak"] > 0.99


def test_a_shallow_vacuum_that_a_warm_tank_fills_with_vapor_may_still_be_tight():
    warm = Drawing().rest(10).closed(15, 6.0).draw(-150.0, 20).hold(60, vapor=6.0).release()
    assert told_of(warm.samples(noise=3)).signs.lost[0] < 0


@pytest.mark.parametrize("creep_pa_s", [20.0, 45.0, 80.0])
def test_a_tank_that_hot_fuel_fills_while_the_purge_brings_nothing_accuses_no_valve_of_passing(creep_pa_s):
    """What passes a purge valve is vacuum: a pressure that goes on rising bears it out least of all."""
    drawing, level = Drawing().rest(), 0.0
    for seconds, is_shut, duty in ((8, True, 0.0), (30, True, 80.0), (60, True, 0.0)):
        start, slope = level, creep_pa_s * np.exp(-level / 5000)
        drawing.add(seconds, lambda s, start=start, slope=slope: start + slope * s, is_shut, duty)
        level = start + slope * seconds
    row = judged(drawing.release().samples(noise=3))
    assert row["verdict"] == "no_vacuum"
    assert "crept up" in row["evidence"]
