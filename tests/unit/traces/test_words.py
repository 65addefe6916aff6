"""Suspects, evidence and the explanation of one trace."""

import re

import numpy as np
import polars as pl
import pytest
from drawing import HEADER, Drawing, judged, whole_test

from pipeline.contract.vocabulary import COMPONENTS, VERDICTS
from pipeline.settings import Settings
from pipeline.traces.explain import NEXT_IF_UNSURE, NEXT_RECORDING, NEXT_STEP, explain_trace, explain_traces
from pipeline.traces.suspects import CAUSES, OPENINGS, name_suspects
from pipeline.traces.verdict import REASONS


def suspects(story: str, *said: str, cleared: tuple[str, ...] = ()) -> list[str]:
    checks = tuple(word for word in said if "=" in word)
    codes = tuple(word for word in said if "=" not in word)
    return name_suspects(((story, 1.0),), checks, codes, cleared)


def test_checks_put_a_component_first_or_send_it_back():
    assert suspects("leak")[0] == "fuel_cap"
    assert suspects("leak", "cap_seal=pass")[0] != "fuel_cap"
    assert suspects("leak", "cap_seal=pass", "P0457")[0] == "filler_neck"
    assert suspects("gross_leak", "cap_seal=fail")[0] == "fuel_cap"
    assert suspects("gross_leak", "vent_click=fail", "circuit_load=fail")[0] == "wiring"
    assert suspects("no_vacuum", "purge_click=fail")[0] == "purge_valve"
    assert suspects("sensor_flat", "sensor_reference=pass")[0] == "wiring"


def test_codes_name_what_their_circuit_is_about():
    assert suspects("gross_leak", "P0457")[0] == "fuel_cap"
    assert suspects("gross_leak", "circuit_load=fail", "P0449")[0] == "wiring"


def test_a_check_that_passes_sends_a_cause_back_and_takes_none_away():
    # A vent valve that clicks may leak at its seat; whoever replaced it did not go against the evidence.
    passed = suspects("leak", "vent_click=pass", "cap_seal=pass")
    assert set(passed) == set(CAUSES["leak"])
    assert passed.index("vent_valve") > suspects("leak").index("vent_valve")
    assert set(suspects("gross_leak", "cap_seal=pass", "circuit_load=pass")) == set(CAUSES["gross_leak"])


@pytest.mark.parametrize("story", ["gross_leak", "no_vacuum", "purge_passes_closed", "vent_restricted"])
def test_what_a_valve_does_wrong_its_circuit_may_have_made_it_do(story):
    assert {"wiring", "control_module"} <= set(suspects(story))


def test_checks_do_not_bring_in_what_cannot_cause_the_verdict():
    assert "fuel_cap" not in suspects("purge_passes_closed", "cap_seal=fail", "P0457")
    assert "fuel_cap" not in suspects("no_vacuum", "cap_seal=fail", "P0457", cleared=OPENINGS)


def test_a_valve_that_drew_the_vacuum_is_not_first_for_a_click_that_nobody_heard():
    """A lead technician's holes of 4 jobs, each with purge_click=fail, had the purge valve first."""
    assert suspects("leak", "purge_click=fail") == suspects("leak")
    assert suspects("no_vacuum", "purge_click=fail", "cap_seal=fail")[0] == "fuel_cap"
    assert suspects("gross_leak", "vent_click=fail")[0] == "vent_valve"


def test_checks_and_codes_of_before_the_repair_say_nothing_after_it():
    samples = whole_test(0.9).samples(noise=2)
    said = {"checks": ["cap_seal=fail", "vent_click=fail"], "trouble_codes": ["P0457"]}
    before, after = (
        judged(samples, stage=stage, **said)["suspects"] for stage in ("before_repair", "after_repair")
    )
    assert before[:2] == ["fuel_cap", "vent_valve"]
    assert after == suspects("leak")


def test_a_tank_that_may_stand_open_has_its_openings_among_the_suspects():
    """Its reading drifts and the vent takes nothing back: see `test_verdicts`."""
    drawing = Drawing().rest(10).closed(30, rate=0.2)
    drawing.add(40, lambda s: 0.2 * (30 + s), True, 100.0).closed(60, rate=0.2, level=14.0)
    row = judged(drawing.release(10, level=26.0).samples(noise=1))
    assert "see that the cap is on" in row["evidence"]
    assert set(OPENINGS) <= set(row["suspects"][:5])


def test_a_story_that_competes_brings_its_causes_by_its_weight():
    alone = name_suspects((("no_vacuum", 0.9),))
    torn = name_suspects((("no_vacuum", 0.6), ("gross_leak", 0.4)))
    assert torn[0] == alone[0] == "purge_valve"
    assert torn.index("vent_valve") < alone.index("vent_valve")
    assert name_suspects((("no_vacuum", 0.4), ("gross_leak", 0.6)))[0] == "vent_valve"


def test_a_system_that_holds_has_no_suspects_and_one_not_judged_those_of_its_checks():
    assert suspects("holds", "vent_click=fail", "P0442") == []
    assert name_suspects(()) == []
    assert name_suspects((), ("vent_click=fail",)) == ["vent_valve", "wiring"]


def test_every_cause_is_a_component_of_the_contract_and_every_verdict_has_a_next_step():
    assert {part for parts in CAUSES.values() for part in parts} <= set(COMPONENTS)
    assert set(NEXT_STEP) == set(VERDICTS)
    assert set(CAUSES) == set(VERDICTS) - {"holds", "not_judged"}


def test_evidence_of_a_leak_says_vacuum_time_bleed_up_and_size():
    row = judged(whole_test(0.508).samples(noise=2))
    text = row["evidence"]
    assert "25" in text
    assert "in of water" in text
    assert "60 s" in text
    assert f"about {row['leak_diameter_mm']:.2f} mm" in text
    low, high = row["leak_diameter_low_mm"], row["leak_diameter_high_mm"]
    assert f"({low:.2f} to {high:.2f} mm at 95%; discharge coefficient 0.61)" in text


def test_evidence_of_a_draw_whose_end_was_lost_says_that_samples_are_missing():
    """The draw takes from 21 to 51 s; what was recorded goes on 10 s later."""
    samples = whole_test(0.508).samples(noise=2)
    whole, lost = (
        judged(some)["evidence"] for some in (samples, samples.filter(~pl.col("t_s").is_between(45.9, 60.9)))
    )
    assert "of vacuum in 30 s;" in whole
    assert "of vacuum in 40 s or less (samples of 15 s are missing);" in lost


def test_evidence_of_a_tight_system_says_what_would_have_shown():
    row = judged(whole_test().samples(noise=2), Settings(discharge_coefficient=0.75))
    shown = f"a hole larger than {row['leak_diameter_high_mm']:.2f} mm would have shown"
    assert f"{shown} (discharge coefficient 0.75)" in row["evidence"]


def test_evidence_of_a_passing_purge_valve_names_the_phase_that_shows_it():
    in_closed = Drawing().rest().closed(10, -4.0).draw(-2000).hold(60, vapor=-8.0).release()
    assert "before any draw, the pressure fell at 4." in judged(in_closed.samples(noise=2))["evidence"]
    in_hold = Drawing().rest().draw(-2000).hold(60, vapor=-8.0).release()
    text = judged(in_hold.samples(noise=2))["evidence"]
    grown = float(text.split("grew by ")[1].split(" Pa")[0])
    assert grown == pytest.approx(8.0 * 60 * 0.9, rel=0.1)


def test_evidence_of_an_open_vent_path_says_that_nothing_crept():
    drawing = Drawing().rest().closed(rate=0.0).add(30, lambda s: -25 * -np.expm1(-s / 0.4), True, 100.0)
    drawing.add(40, lambda s: -25 * np.exp(-s / 0.4), True, 0.0).release()
    assert "did not creep" in judged(drawing.samples(noise=5))["evidence"]


def test_an_explanation_holds_phases_series_fit_and_words():
    drawing = whole_test(0.7)
    samples = drawing.samples(noise=3, volts=1.5 - np.array(drawing.pa) / 2000)
    told = explain_trace(samples, HEADER, Settings())
    assert [name for name, _, _ in told.phases] == ["rest", "closed", "draw", "hold", "release"]
    assert len(told.t_s) == len(told.tank_pressure_pa) == len(told.sensor_v) == samples.height
    assert told.result["verdict"] == "leak"
    assert told.result["evidence"] in told.sentences
    assert told.hold is not None
    assert np.all(np.array(told.hold.low_pa) < told.hold.pa)
    assert np.all(np.array(told.hold.high_pa) > told.hold.pa)
    measured = np.interp(told.hold.t_s, told.t_s, told.tank_pressure_pa)
    assert np.abs(measured - told.hold.pa).max() < 25


def test_the_band_of_a_fitted_hold_holds_the_pressure_that_the_tank_had():
    """At about 95 of 100 places of forty holds. It is that of the curve, narrower than a bin's mean of nine samples
    scatters, which noise of 5 Pa have."""
    drawn = {f"t{k}": whole_test(hole_mm) for k, hole_mm in enumerate([0.0, 0.5, 1.0, 1.8] * 10)}
    samples = pl.concat(
        drawing.samples(noise=5, seed=k).with_columns(trace_id=pl.lit(name))
        for k, (name, drawing) in enumerate(drawn.items())
    )
    headers = pl.DataFrame([HEADER | {"trace_id": name} for name in drawn], infer_schema_length=None)
    inside, wide = [], []
    for drawing, told in zip(drawn.values(), explain_traces(samples, headers, Settings()), strict=True):
        true = np.interp(told.hold.t_s, drawing.t, drawing.pa)
        inside += ((told.hold.low_pa <= true) & (true <= told.hold.high_pa)).tolist()
        wide += np.subtract(told.hold.high_pa, told.hold.low_pa).tolist()
    assert 0.85 <= np.mean(inside) < 1.0
    assert 0 < min(wide) <= np.median(wide) < 2 * 1.96 * 5 / 3


@pytest.mark.parametrize("is_frame", [True, False])
def test_an_explanation_without_a_hold_has_no_fit(is_frame):
    header = pl.DataFrame([HEADER], infer_schema_length=None) if is_frame else HEADER
    told = explain_trace(Drawing().rest(40).samples(noise=3), header, Settings())
    assert told.hold is None
    assert told.result["verdict"] == "not_judged"
    assert told.sentences[-1] == NEXT_STEP["not_judged"]


def test_where_holding_is_not_sure_nobody_is_told_to_clear_the_codes():
    for hole_mm, step in ((0.0, NEXT_STEP["holds"]), (0.21, NEXT_IF_UNSURE)):
        told = explain_trace(whole_test(hole_mm, 60).samples(noise=20, seed=5), HEADER, Settings())
        assert told.result["verdict"] == "holds"
        assert (told.result["confidence"] < 0.9) == (step == NEXT_IF_UNSURE)
        assert told.sentences[-1] == step


def test_of_two_stories_that_fit_alike_both_are_to_be_settled_and_neither_is_spoken_against():
    drawing = Drawing().rest().closed(rate=0.0).add(30, lambda s: 0 * s, True, 100.0)
    drawing.add(40, lambda s: 0 * s, True, 0.0).release()
    said = explain_trace(drawing.samples(noise=5), HEADER, Settings()).sentences
    assert said[-1].startswith(NEXT_RECORDING["torn"])
    assert NEXT_STEP["gross_leak"] in said[-1]
    assert NEXT_STEP["no_vacuum"] in said[-1]
    against = next(line for line in said if line.startswith("Against the others"))
    assert "gross leak" not in against
    assert "no vacuum arrives" not in against


def test_the_scatter_about_a_fit_is_that_of_the_parts_that_were_fitted():
    """Fuel that sloshes by 40 Pa had been said to scatter by 300."""
    samples = whole_test(0.8).samples(noise=2)
    slosh = samples.with_columns(pl.col("tank_pressure_pa") + 40 * (pl.col("t_s") * 2.1).sin())
    said = " ".join(explain_trace(slosh, HEADER, Settings()).sentences)
    assert 5 < float(re.search(r"lies ([\d.]+) Pa off", said)[1]) < 40


def test_a_test_that_was_recorded_whole_is_not_asked_for_again_as_if_a_part_were_missing():
    assert set(NEXT_RECORDING) == set(REASONS) - {"few", "no_test", "no_hold"}
    short = Drawing().rest().closed().add(10, lambda s: -250.0 * s, True, 60.0).hold(2, 0.5).release()
    told = explain_trace(short.samples(noise=3), pl.DataFrame([HEADER], infer_schema_length=None), Settings())
    assert REASONS["short_hold"] in told.result["evidence"]
    assert told.sentences[-1] == NEXT_RECORDING["short_hold"]


@pytest.mark.parametrize(("leap_s", "word"), [(6.0, "leapt ahead by about 6"), (0.0, None)])
def test_an_explanation_says_that_the_fit_took_another_time_than_the_clock(leap_s, word):
    samples = (
        whole_test(1.0)
        .samples(noise=2)
        .with_columns(pl.when(pl.col("t_s") > 65).then(pl.col("t_s") + leap_s).otherwise("t_s").alias("t_s"))
    )
    said = [s for s in explain_trace(samples, HEADER, Settings()).sentences if "clock" in s]
    assert bool(said) == bool(word)
    assert not word or word in said[0]


def test_an_explanation_without_a_tank_size_gives_leak_area_over_volume():
    told = explain_trace(whole_test(0.7).samples(noise=3), HEADER | {"fuel_tank_l": None}, Settings())
    assert any("leak area over volume" in line for line in told.sentences)


def test_an_explanation_without_a_fuel_level_names_the_volume_that_the_size_rests_on():
    told = explain_trace(whole_test(0.7).samples(noise=3), HEADER | {"fuel_level_pct": None}, Settings())
    assert told.result["vapor_volume_l"] is None
    assert any("vapor volume of 34 l, any fill allowed" in line for line in told.sentences)
