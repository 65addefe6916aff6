"""What lies beside the tank's ullage, told by the draws of a model."""

from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest
from drawing import AIR_PA, HEADER, whole_test
from test_model_norms import norms_with

from pipeline.physics.volume import CANISTER_AND_LINES_L, CANISTER_AND_LINES_SD_L
from pipeline.settings import Settings
from pipeline.traces.drawn import FROM_SHARE, TO_SHARE
from pipeline.traces.explain import explain_trace
from pipeline.traces.extra_volume import (
    LAKE_L,
    LAKE_SD_L,
    MIN_DRAWS,
    OPENS_PCT,
    OPENS_SD_PCT,
    Draws,
    extra_volume_l,
    extra_volumes,
    flow_share,
)
from pipeline.traces.measure import measure_traces
from pipeline.traces.model_norms import model_norms

GAUGE_L = 1.5
#: Beliefs that say nothing, and of lakes in general [l].
NOTHING, USUAL = (0.0, 100.0, -5.0), (LAKE_L, LAKE_SD_L)


def draws(
    extra_l: float,
    n: int = 150,
    scatter: float = 0.08,
    flow_l_min: float = 20.0,
    seed: int = 1,
    opens_pct: float = 3.0,
    seconds: float | None = None,
) -> Draws:
    """Draws of one model with a tank of 60 l, whose fuel gauge errs by GAUGE_L.

    The duty is any; or the one that draws each volume in about so many seconds (half to twice), as monitors do.
    """
    rng = np.random.default_rng(seed)
    ullage = 60 * rng.uniform(0.1, 0.9, n)
    duty = rng.uniform(20, 90, n)
    if seconds is not None:
        opened = (ullage + extra_l) * 0.025 / (flow_l_min * seconds * rng.uniform(0.5, 2.0, n) / 60)
        duty = opens_pct + (100 - opens_pct) * np.minimum(opened, 1.0)
    flow = flow_l_min * np.exp(rng.normal(0, scatter, n)) * (duty - opens_pct) / (100 - opens_pct)
    minutes = (ullage + extra_l) / (flow / (duty / 100))
    return Draws(ullage + rng.normal(0, GAUGE_L, n), np.full(n, GAUGE_L), duty, np.zeros(n), minutes)


@pytest.mark.parametrize("extra_l", [1.0, 5.0, 20.0])
def test_bounds_hold_the_truth_whatever_a_system_holds_beside_its_tank(extra_l):
    told = [extra_volume_l(draws(extra_l, seed=seed), *NOTHING) for seed in range(40)]
    assert np.mean([abs(found[0] - extra_l) < 2 * error[0] for found, error in told]) > 0.9
    assert max(error[0] for _, error in told) < CANISTER_AND_LINES_SD_L
    assert np.mean([found[0] for found, _ in told]) == pytest.approx(extra_l, abs=0.4)


def test_a_fuel_gauge_that_errs_makes_no_volume_larger():
    """It spreads what it tells: a line that takes it as exact is too flat, and meets zero too far out."""
    some = [draws(5.0, scatter=0.03, seed=seed) for seed in range(40)]
    by_gauge = np.mean([extra_volume_l(of, *NOTHING)[0][0] for of in some])
    as_exact = [replace(of, gauge_sd_l=np.zeros_like(of.gauge_sd_l)) for of in some]
    assert by_gauge == pytest.approx(5.0, abs=0.35)
    assert np.mean([extra_volume_l(of, *NOTHING)[0][0] for of in as_exact]) > by_gauge + 0.5


def test_what_a_model_tells_is_weighed_with_what_is_believed_of_it():
    of = draws(10.0, n=20, scatter=0.2)
    alone, error = (each[0] for each in extra_volume_l(of, *NOTHING))
    (weighed, _), (its_error, _) = extra_volume_l(of, 4.0, 2.0)
    assert 4.0 < weighed < alone
    assert its_error < min(error, 2.0)


@pytest.mark.parametrize("opens_pct", [0.0, 6.0, 20.0])
def test_the_duty_at_which_a_valve_opens_is_told_beside_the_volume(opens_pct):
    """Small volumes are drawn at small duties: a valve that opens late makes them look large."""
    told = [
        extra_volume_l(draws(7.5, seed=seed, opens_pct=opens_pct, seconds=8.0), *USUAL) for seed in range(20)
    ]
    opens = [found[1] for found, _ in told]
    assert np.mean(opens) == pytest.approx(opens_pct, abs=1.5)
    assert np.mean([abs(found[1] - opens_pct) < 2.5 * error[1] for found, error in told]) > 0.85
    assert np.mean([found[0] for found, _ in told]) == pytest.approx(7.5, abs=1.0)


def rising(extra_l: float, opens_pct: float, seed: int, n: int = 150, pct_s: float = 4.0) -> Draws:
    """Draws at a duty that rises from 0 by `pct_s` [%/s] until each is done, to 2500 Pa, by 20 l/min at full duty."""
    rng = np.random.default_rng(seed)
    ullage = 60 * rng.uniform(0.1, 0.9, n)
    flow_l_s = 20 / 60 * np.exp(rng.normal(0, 0.12, n))
    # What passed until t is flow pct_s (t - begun)^2 / 2 / (100 - opens).
    begun = opens_pct / pct_s
    start, end = (
        begun + np.sqrt(2 * (100 - opens_pct) * share * 2500 / AIR_PA * (ullage + extra_l) / flow_l_s / pct_s)
        for share in (FROM_SHARE, TO_SHARE)
    )
    middle = 0.5 * (start + end)
    # Volume over flow at full duty, taken as proportional to it: P dt duty / (dp 100).
    minutes = AIR_PA / (2500 * (TO_SHARE - FROM_SHARE)) * (end - start) / 60 * pct_s * middle / 100
    told = ullage + rng.normal(0, GAUGE_L, n)
    return Draws(told, np.full(n, GAUGE_L), pct_s * middle, pct_s * (middle - begun), minutes)


@pytest.mark.parametrize("opens_pct", [4.0, 9.0])
def test_a_duty_that_rises_until_the_draw_is_done_makes_no_volume_larger(opens_pct):
    """A strong purge is done at a small duty: taken for its reason, that makes a duty seem to bring nothing, a valve
    to open at once, and the volume twice as large."""
    some = [rising(6.0, opens_pct, seed) for seed in range(20)]
    told = np.mean([extra_volume_l(of, *USUAL)[0] for of in some], axis=0)
    taken = np.mean(
        [extra_volume_l(replace(of, duty_gain_pct=np.zeros_like(of.duty_pct)), *USUAL)[0] for of in some],
        axis=0,
    )
    assert taken[0] > 6.0 + 5.0
    assert taken[1] < 1.0
    assert told[0] == pytest.approx(6.0, abs=3.0)
    assert told[1] == pytest.approx(opens_pct, abs=5.0)


def test_a_valve_is_open_in_proportion_from_where_it_begins():
    assert flow_share(np.array([100.0, 60.0, 40.0]), 20.0) == pytest.approx([1.0, 0.5, 0.25])
    assert (flow_share(np.array([5.0, 20.0]), 20.0) > 0).all()


def test_a_few_draws_gone_wrong_change_little():
    of = draws(7.0)
    wrong = of.minutes.copy()
    wrong[::10] *= 4
    (right, _), _ = extra_volume_l(of, *USUAL)
    assert extra_volume_l(replace(of, minutes=wrong), *USUAL)[0][0] == pytest.approx(right, abs=1.0)


@pytest.mark.parametrize("times", [1 / 3000, 1 / 20, 20])
def test_one_draw_that_is_altogether_wrong_in_a_tank_nearly_full_moves_no_volume(times):
    """A clock that was set back in a draw makes it last for milliseconds; it lay at the steepest end of the line."""
    for seed in range(8):
        good = draws(11.0, n=30, scatter=0.06, seed=seed)
        is_wrong = np.arange(30) == np.argmin(good.ullage_l)
        wrong = replace(good, minutes=good.minutes * np.where(is_wrong, times, 1.0))
        without = Draws(*(getattr(good, field.name)[~is_wrong] for field in fields(Draws)))
        (volume, opens), (error, _) = extra_volume_l(wrong, *USUAL)
        (as_without, as_opens), (as_error, _) = extra_volume_l(without, *USUAL)
        assert volume == pytest.approx(as_without, abs=0.3)
        assert opens == pytest.approx(as_opens, abs=0.3)
        assert error == pytest.approx(as_error, rel=0.05)


def test_fills_that_are_all_alike_tell_nothing():
    of = Draws(np.full(30, 30.0), np.full(30, GAUGE_L), np.full(30, 50.0), np.zeros(30), np.full(30, 2.0))
    (extra, opens), (error, opens_error) = extra_volume_l(of, *USUAL)
    assert (extra, error) == pytest.approx(USUAL)
    assert (opens, opens_error) == pytest.approx((OPENS_PCT, OPENS_SD_PCT))


def test_draws_whose_speed_follows_something_else_tell_nothing():
    assert np.isnan(extra_volume_l(draws(7.0, scatter=0.8), *USUAL)).all()
    assert extra_volumes(lake(draws(7.0, scatter=0.8))).is_empty()


def lake(of: Draws, model: str = "210", is_timed: bool = True) -> pl.DataFrame:
    flows = (of.ullage_l + CANISTER_AND_LINES_L) / of.minutes
    told = pl.DataFrame({"ullage_l": of.ullage_l, "duty_pct": of.duty_pct, "purge_flow_l_min": flows})
    return told.with_columns(
        duty_gain_pct=pl.Series(of.duty_gain_pct),
        tank_l=pl.lit(60.0),
        is_timed=pl.lit(is_timed),
        vehicle_id=pl.lit("v1"),
        make=pl.lit("Kestin"),
        model=pl.lit(model),
    )


def told_of(readings: pl.DataFrame) -> dict[str, dict]:
    return {row["model"]: row for row in extra_volumes(readings).to_dicts()}


@pytest.mark.parametrize("extra_l", [3.0, 18.0])
def test_models_of_one_lake_tell_what_is_believed_of_each(extra_l):
    """The volumes that draws mean, less what all lines may have in common: a quarter of what sets a lake apart."""
    many = pl.concat(lake(draws(extra_l, seed=k), f"m{k}") for k in range(6))
    few = lake(draws(extra_l, n=MIN_DRAWS - 1, seed=9), "few")
    told = told_of(pl.concat([many, few]))
    meant = extra_l - (extra_l - LAKE_L) * 0.265
    assert np.mean([told[f"m{k}"]["extra_volume_l"] for k in range(6)]) == pytest.approx(meant, abs=0.5)
    assert told["few"]["extra_volume_l"] == pytest.approx(meant, abs=0.7)
    assert told["few"]["extra_volume_l_spread"] > told["m0"]["extra_volume_l_spread"]
    assert (told["few"]["extra_volume_l_n"], told["few"]["purge_opens_pct"]) == (MIN_DRAWS - 1, None)
    for row in told.values():
        assert abs(row["extra_volume_l"] - extra_l) < 2 * row["extra_volume_l_spread"]


def test_a_model_alone_in_its_lake_is_nearer_to_tanks_in_general():
    alone = told_of(lake(draws(18.0, n=30, scatter=0.2)))["210"]
    among = pl.concat(lake(draws(18.0, n=30, scatter=0.2, seed=k), f"m{k}") for k in range(1, 8))
    beside_others = told_of(among)["m1"]
    assert alone["extra_volume_l"] < beside_others["extra_volume_l"] - 0.5


def test_one_model_tells_what_is_believed_of_another_and_nothing_tells_of_a_lake_without_draws():
    told = told_of(pl.concat([lake(draws(16.0), "told"), lake(draws(16.0, n=MIN_DRAWS - 1), "few")]))
    assert LAKE_L + 2 < told["few"]["extra_volume_l"] < 16.0
    assert told["few"]["extra_volume_l_spread"] > 1.2 * told["told"]["extra_volume_l_spread"]
    assert told_of(lake(draws(16.0, n=MIN_DRAWS - 1), "few")) == {}


@pytest.mark.parametrize("n", [3, 5, 8])
def test_a_few_draws_tell_little_and_know_it(n):
    """The scatter of three flows is not known by them: however alike they are, it may be the usual one."""
    told = [extra_volume_l(draws(15.0, n=n, seed=seed), *USUAL) for seed in range(60)]
    assert np.mean([abs(found[0] - 15.0) < 2 * error[0] for found, error in told]) > 0.9
    alike = extra_volume_l(draws(15.0, n=n, scatter=0.0, seed=2), *USUAL)[1][0]
    assert 1.5 < alike < USUAL[1]


def test_draws_whose_beginning_passed_unseen_tell_no_line():
    assert told_of(lake(draws(9.0), is_timed=False)) == {}


def test_few_draws_make_no_norm_and_the_purge_flow_of_many_is_that_of_the_whole_volume():
    told = lake(draws(9.0, scatter=0.03)).with_columns(
        model_year=pl.lit(None, pl.Int64),
        volts_per_pa=pl.lit(None, pl.Float64),
        rest_v=pl.lit(None, pl.Float64),
        rest_pa=pl.lit(None, pl.Float64),
        noise_pa=pl.lit(None, pl.Float64),
        vapor_rise_pa_s=pl.lit(None, pl.Float64),
        heat_share_ratio=pl.lit(None, pl.Float64),
        heat_time_log_ratio=pl.lit(None, pl.Float64),
        vapor_return_ratio=pl.lit(None, pl.Float64),
        vapor_return_sd=pl.lit(None, pl.Float64),
    )
    few = model_norms(told.head(MIN_DRAWS - 1)).row(0, named=True)
    assert few["extra_volume_l"] is None
    norm = model_norms(told).row(0, named=True)
    assert norm["extra_volume_l_n"] == norm["purge_opens_pct_n"] == told.height
    assert norm["extra_volume_l"] == pytest.approx(9.0, abs=2.5)
    # The true flow is 20 l/min; with the usual volume beside the ullage it came out lower.
    assert told["purge_flow_l_min"].median() < 18.5
    assert norm["purge_flow_l_min"] == pytest.approx(20.0, rel=0.08)


@pytest.mark.parametrize("tank_l", [60.0, None])
def test_the_diameter_rests_on_the_volume_that_the_model_has(tank_l):
    header = HEADER | {"make": "Kestin", "model": "210", "fuel_tank_l": tank_l}
    headers = pl.DataFrame([header], infer_schema_length=None)
    samples = whole_test(0.8).samples(noise=3)
    norms = {None: norms_with(), 9.5: norms_with(extra_volume_l=9.5)}
    rows = {
        extra: measure_traces(samples, headers, Settings(), norms[extra]).row(0, named=True)
        for extra in norms
    }
    assert rows[9.5]["verdict"] == rows[None]["verdict"] == "leak"
    if tank_l is None:
        assert rows[9.5] == rows[None]
        return
    added = 9.5 - CANISTER_AND_LINES_L
    volume = rows[None]["vapor_volume_l"]
    assert rows[9.5]["vapor_volume_l"] == pytest.approx(volume + added)
    larger = np.sqrt((volume + added) / volume)
    assert rows[9.5]["leak_diameter_mm"] == pytest.approx(rows[None]["leak_diameter_mm"] * larger)


def test_an_explanation_tells_the_volume_beside_the_tank_where_the_model_told_it():
    headers = pl.DataFrame([HEADER | {"make": "Kestin", "model": "210"}], infer_schema_length=None)
    samples = whole_test(0.8).samples(noise=3)
    told = explain_trace(samples, headers, Settings(), norms_with(extra_volume_l=9.5)).sentences
    assert any("(9.5 l of it beside the fuel's own room: canister, lines" in line for line in told)
    usual = explain_trace(samples, headers, Settings(), norms_with()).sentences
    assert not any("of it in canister" in line for line in usual)
