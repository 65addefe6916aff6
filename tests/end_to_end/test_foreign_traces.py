"""Judge recordings that somebody else simulated (foreign_traces.py), clear and ambiguous ones told apart.

The limits are those of the acceptance (97 % of clear verdicts right, 1 % wrong; diameters and their intervals by band)
or nearer to what is reached. The generator itself is checked against SciPy's integrator.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.integrate import solve_ivp

from pipeline.contract.vocabulary import VERDICTS
from tests.end_to_end.foreign_plans import make_plans
from tests.end_to_end.foreign_tank import STEP_S, integrate
from tests.end_to_end.foreign_traces import by_family, foreign_traces
from tests.end_to_end.judged_recordings import judge, sized_leaks, worst

RIGHT = 0.93
RIGHT_CLEAR, WRONG_CLEAR = 0.98, 0.005
#: Lower edge of a band of diameters [mm]: greatest median error there.
MEDIAN_ERROR = {0.25: 0.08, 0.5: 0.04, 1.0: 0.03}
COVERED = 0.90


@pytest.fixture(scope="module")
def judged() -> pl.DataFrame:
    """Judge either family as a lake of its own: two worlds in one lake have nothing in common to tell."""
    return pl.concat(judge(*lake) for lake in by_family(*foreign_traces(800)))


def test_every_verdict_occurs_in_both_families(judged: pl.DataFrame) -> None:
    occurs = judged.group_by("family").agg(pl.col("truth").unique())
    assert all(set(words) == set(VERDICTS) for words in occurs["truth"].to_list())
    assert judged["verdict"].null_count() == 0


@pytest.mark.parametrize("family", ["physics", "textbook"])
def test_clear_recordings_are_judged_right_and_hardly_ever_wrong(judged: pl.DataFrame, family: str) -> None:
    clear = judged.filter((pl.col("family") == family) & ~pl.col("is_ambiguous"))
    is_wrong = ~clear["is_right"] & (clear["verdict"] != "not_judged")
    assert clear["is_right"].mean() >= RIGHT_CLEAR, worst(clear)
    assert is_wrong.mean() <= WRONG_CLEAR, worst(clear)


def test_93_of_100_are_right_even_with_the_ambiguous_ones(judged: pl.DataFrame) -> None:
    assert judged["is_right"].mean() >= RIGHT, worst(judged)


def test_a_good_recording_is_judged(judged: pl.DataFrame) -> None:
    good = judged.filter((pl.col("truth") != "not_judged") & ~pl.col("is_ambiguous"))
    assert (good["verdict"] == "not_judged").mean() <= 0.03


@pytest.mark.parametrize("lower", MEDIAN_ERROR)
def test_diameters_and_their_intervals(judged: pl.DataFrame, lower: float) -> None:
    upper = {0.25: 0.5, 0.5: 1.0, 1.0: 9.0}[lower]
    band = sized_leaks(judged, lower, upper)
    error = (band["leak_diameter_mm"] / band["diameter_mm"] - 1).abs()
    inside = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
    assert band.height >= 30
    assert error.median() <= MEDIAN_ERROR[lower]
    assert inside.mean() >= COVERED


def test_bounds_of_censored_holes_bound_them(judged: pl.DataFrame) -> None:
    """A tight system lies below its stated limit, a gross leak above its own: at least 95 % of either."""
    tight = judged.filter((pl.col("leak_censoring") == "left") & pl.col("truth").is_in(["holds", "leak"]))
    gross = judged.filter((pl.col("leak_censoring") == "right") & pl.col("diameter_mm").is_not_null())
    # Caps that are off show no vacuum at all and are judged no_vacuum: fewer gross leaks are left with a bound.
    assert min(tight.height, gross.height) >= 10
    assert (tight["leak_diameter_high_mm"] >= tight["diameter_mm"].fill_null(0.0)).mean() >= 0.95
    assert (gross["leak_diameter_low_mm"] <= gross["diameter_mm"]).mean() >= 0.95


@pytest.mark.parametrize("hole_mm", [0.508, 1.016, 3.0])
def test_the_foreign_tank_decays_as_an_integrator_says(hole_mm: float) -> None:
    """Isothermal decay through a hole with isentropic flow of air: SciPy's solve_ivp on the nozzle equation."""
    plan = make_plans(np.random.default_rng(1), 1)
    plan |= {name: np.array([value]) for name, value in _PLAIN.items()} | {"leak_mm": np.array([hole_mm])}
    history = integrate(plan)
    start = int((history.draw_end_s[0] + 0.5) / STEP_S)
    at = np.array([0.2, 0.5, 1.0])
    found = -history.pressure_pa[start + np.round(at / STEP_S).astype(int), 0]
    area, heat, ambient, k = np.pi / 4 * (hole_mm * 1e-3) ** 2, 287.05 * 293.15, 101_325.0, 1.4

    def rate(_: float, vacuum: np.ndarray) -> np.ndarray:
        ratio = 1 - np.maximum(vacuum, 1e-9) / ambient
        flow = 2 * k / (k - 1) * ambient**2 / heat * (ratio ** (2 / k) - ratio ** ((k + 1) / k))
        return -0.61 * area * np.sqrt(flow) * heat / 0.030

    vacuum = -float(history.pressure_pa[start, 0])
    expected = solve_ivp(rate, (0, 1), [vacuum], t_eval=at, rtol=1e-9, atol=1e-6).y[0]
    np.testing.assert_allclose(found, expected, rtol=2e-3)


_PLAIN = {
    "volume_l": 30.0,
    "ambient_pa": 101_325.0,
    "kelvin": 293.15,
    "gamma": 1.0,
    "warming_s": 5.0,
    "vapor_pa_s": 0.0,
    "cd_high": 0.61,
    "cd_form": 0,
    "vent_mm": 8.0,
    "vent_stuck_open": False,
    "passing_l_s": 0.0,
    "purge_l_s": 0.8,
    "duty_pct": np.full(4, 100.0),
    "pump_limit_pa": 1e9,
    "valve_lag_s": 0.02,
    "vent_close_s": 1.0,
    "purge_open_s": 2.0,
    "target_pa": 2500.0,
    "timeout_s": 20.0,
    "hold_s": 5.0,
    "release_s": 3.0,
    "extra_draws": 0,
}
