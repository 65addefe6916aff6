"""Which sensors of a model agree: groups that lie close together, each vehicle with one voice."""

import polars as pl
import pytest

from pipeline.traces.agreement import Reach, agreed_by_model, voiced

REACH = Reach(0.03, 0.3, is_relative=True)


def _agreed(*models: list[float | None], vehicles: list[str | None] | None = None) -> pl.DataFrame:
    """What each model's recordings agree on, by model; each of a vehicle of its own, unless these are given."""
    rows = [{"model": f"m{k}", "x": x} for k, values in enumerate(models) for x in values]
    said = pl.DataFrame(rows, schema={"model": pl.String, "x": pl.Float64})
    names = vehicles or [f"v{k}" for k in range(said.height)]
    said = voiced(said.with_columns(vehicle_id=pl.Series(names, dtype=pl.String)))
    return agreed_by_model(said.sample(fraction=1.0, shuffle=True, seed=1), ("model",), "x", REACH).sort(
        "model"
    )


def test_the_largest_group_is_the_norm_with_its_median_spread_and_vehicles():
    row = _agreed([1.00, 1.01, 1.02, 0.4, 0.6, None]).row(0, named=True)
    assert row["x"] == pytest.approx(1.01)
    assert row["x_spread"] == pytest.approx(0.01 * 1.4826, rel=1e-3)
    assert row["x_n"] == 3


def test_a_group_of_fewer_than_half_of_the_vehicles_is_no_norm():
    assert _agreed([1.0, 1.0, 0.3, 0.6])["x"].to_list() == [1.0]
    assert _agreed([1.0, 1.0, 0.3, 0.45, 0.6])["x"].to_list() == [None]


def test_another_group_nearly_as_large_is_another_kind():
    assert _agreed([1.0] * 5 + [0.5] * 2)["x"].to_list() == [1.0]
    assert _agreed([1.0] * 4 + [0.5] * 2)["x"].to_list() == [None]
    assert _agreed([1.0] * 2 + [0.5] * 2)["x"].to_list() == [None]


def test_slopes_of_sensors_that_read_backwards_agree_too():
    assert _agreed([-1.0, -1.01, -1.02, 1.0])["x"].to_list() == [pytest.approx(-1.01)]


def test_one_vehicle_has_one_voice_and_one_without_a_name_is_a_vehicle_of_its_own():
    values = [0.5, 0.5, 0.5, 1.0, 1.0]
    assert _agreed(values, vehicles=["a", "a", "a", "b", "c"])["x"].to_list() == [1.0]
    assert _agreed(values, vehicles=["a", "a", "b", "c", "c"])["x"].to_list() == [0.5]
    assert _agreed(values[2:], vehicles=["a", "b", "c"])["x"].to_list() == [1.0]
    assert _agreed(values[2:], vehicles=["a", None, None])["x"].to_list() == [1.0]
    assert _agreed(values[:3], vehicles=["a", "a", "a"]).select("x", "x_spread", "x_n").row(0) == (
        None,
        None,
        1,
    )


def test_how_far_apart_two_may_lie_is_learned_from_the_models_of_the_lake():
    """Two that differ by 8 % are two odd ones where sensors agree to a percent, and of one kind where all scatter."""
    model = [1.0, 1.08]
    close = [[x * k for x in (1.0, 1.005, 1.01, 0.995)] for k in (2.0, 3.0, 4.0)]
    wide = [[x * k for x in (1.0, 1.05, 0.97, 1.02)] for k in (2.0, 3.0, 4.0)]
    assert _agreed(*close, model)["x"].to_list()[-1] is None
    assert _agreed(*wide, model)["x"].to_list()[-1] == pytest.approx(1.04)


def test_the_spread_of_few_is_told_with_that_of_the_lake():
    wide = [[x * k for x in (1.0, 1.05, 0.97, 1.02)] for k in (2.0, 3.0, 4.0)]
    alike = [1.0, 1.0]
    assert _agreed(alike)["x_spread"].to_list() == [0.0]
    usual = _agreed(*wide)["x_spread"][0] / 2.0
    assert usual > 0.02
    assert _agreed(*wide, alike)["x_spread"][3] == pytest.approx(usual * (4 / 6) ** 0.5, rel=0.1)
    many = _agreed(*wide, [1.0] * 60)["x_spread"][3]
    assert many < 0.3 * usual


def test_where_no_two_agree_there_is_a_spread_without_a_norm_unless_tolerance_explains_it():
    assert _agreed([1.0, 0.5, 0.7]).select("x", "x_n").row(0) == (None, 1)
    assert _agreed([1.0, 0.5, 0.7])["x_spread"][0] > 0.2
    close = [2.0, 2.01, 2.02]
    assert _agreed(close, [1.0, 1.1]).select("x", "x_spread").row(1) == (None, None)
    assert _agreed(close, [1.0, 1.2]).select("x", "x_spread").row(1) == (None, pytest.approx(0.148, rel=1e-2))
    assert _agreed([1.0]).select("x", "x_spread", "x_n").row(0) == (None, None, 1)


def test_no_recording_that_tells_gives_no_row():
    assert _agreed([None, None]).is_empty()
