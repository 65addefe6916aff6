"""What the lake's holds tell of the gas's heat and vapor, and what that does to leaks that cannot tell their own."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from recorder import make_world, run

from pipeline.physics.volume import CANISTER_AND_LINES_L
from pipeline.settings import Settings
from pipeline.traces.beliefs import GIVEN_BACK_SD, Beliefs
from pipeline.traces.fleet_gas import by_lake, vapor_told
from pipeline.traces.hold_fit import GasFit, fit_holds
from pipeline.traces.measure import judge_taken, take
from pipeline.traces.model_norms import OF_ALL, VAPOR_RETURN, Norms, model_norms, norms_for
from pipeline.traces.recordings import gather

#: Of share, logarithm of the time constant and vapor under vacuum; of the last, GIVEN_BACK is what the draw took out.
BELIEVED = np.array([0.45, np.log(6.0), 1.3])
BELIEVED_SD = np.array([0.2, 0.65, np.hypot(GIVEN_BACK_SD * 0.9, 0.4)])
GIVEN_BACK, MOST_SD = 0.9, 6.0


def beliefs_of_one() -> Beliefs:
    unasked = [np.full(1, np.nan)] * 7
    under, heat, log_tau = ([BELIEVED[i] * np.ones(1), BELIEVED_SD[i] * np.ones(1)] for i in (2, 0, 1))
    return Beliefs(
        *unasked, *under, *heat, *log_tau, np.full(1, np.nan), np.full(1, MOST_SD), np.full(1, GIVEN_BACK)
    )


def posterior(design: np.ndarray, seen: np.ndarray, mean: np.ndarray, sd: np.ndarray):
    """Mean and covariance of (leak, share, log tau, vapor) from readings of unit noise, the leak not being known."""
    precision = design.T @ design + np.diag([0.0, *sd**-2.0])
    cov = np.linalg.inv(precision)
    return cov @ (design.T @ seen + np.array([0.0, *(mean / sd**2)])), cov


def norms_of(
    ratio: float, ratio_sd: float, off: float, off_sd: float, vapor: float = np.nan, vapor_sd: float = np.nan
) -> Norms:
    def by_name(*values: float) -> dict[str, np.ndarray]:
        return {name: np.array([value]) for name, value in zip((*OF_ALL, VAPOR_RETURN), values, strict=True)}

    return Norms(by_name(ratio, off, vapor), by_name(ratio_sd, off_sd, vapor_sd), by_name(50, 50, 50))


@pytest.fixture(scope="module")
def hold():
    """Ten readings that depend on leak, share, time constant and vapor: design, readings, posterior with beliefs."""
    rng = np.random.default_rng(3)
    mixing = [[3.0, 3.0, 1.0, 2.0], [0.0, 0.5, 0.0, 0.2], [0.0, 0.0, 0.3, 0.0], [0.0, 0.0, 0.0, 0.4]]
    design = rng.normal(size=(10, 4)) @ np.array(mixing)
    seen = design @ [5.0, 0.6, 2.4, 2.0] + rng.normal(size=10)
    return design, seen, posterior(design, seen, BELIEVED, BELIEVED_SD)


@pytest.mark.parametrize(
    ("vapor", "of_vapor"),
    [((np.nan, np.nan), (1.0, GIVEN_BACK_SD)), ((4.0, 1.1), (4.0, 1.1)), ((0.0, 3.5), (0.0, 3.5))],
    ids=["untold", "more", "varied"],
)
def test_the_lakes_gas_takes_the_place_of_what_is_usual(vapor, of_vapor):
    now = by_lake(beliefs_of_one(), norms_of(0.9, 0.25, 0.7, 0.4, *vapor))
    assert_allclose([now.heat[0], now.heat_sd[0]], [0.9 * 0.45, 0.25 * 0.45])
    assert_allclose([now.log_tau[0], now.log_tau_sd[0]], [np.log(6.0) + 0.7, 0.4])
    # What is no vapor that the draw took out is left as it was.
    assert_allclose(now.under_vacuum, (BELIEVED[2] - GIVEN_BACK) + of_vapor[0] * GIVEN_BACK)
    assert_allclose(now.under_vacuum_sd, np.hypot(of_vapor[1] * GIVEN_BACK, 0.4))
    more2 = (of_vapor[1] ** 2 - GIVEN_BACK_SD**2) * GIVEN_BACK**2
    assert_allclose(now.under_most_sd, np.sqrt(MOST_SD**2 + more2))


@pytest.mark.parametrize(
    "norms",
    [norms_of(0.9, 0.5, 0.7, 0.7), norms_of(np.nan, np.nan, np.nan, np.nan)],
    ids=["holds differ more than was believed", "too few tell"],
)
def test_a_lake_that_tells_no_more_than_was_believed_changes_nothing(norms):
    now = by_lake(beliefs_of_one(), norms)
    assert_allclose([now.heat, now.log_tau, now.under_vacuum], BELIEVED[:, None])
    assert_allclose([now.heat_sd, now.log_tau_sd, now.under_vacuum_sd], BELIEVED_SD[:, None])


def test_a_hold_tells_its_vapor_as_if_it_had_no_hole_and_nothing_had_been_believed(hold):
    """Least squares of share, time constant and vapor alone, by NumPy."""
    design, seen, (mean, cov) = hold
    precision = design[:, 1:].T @ design[:, 1:] + np.diag([*BELIEVED_SD[:2] ** -2.0, 0.0])
    alone_cov = np.linalg.inv(precision)
    alone = alone_cov @ (design[:, 1:].T @ seen + np.array([*(BELIEVED[:2] / BELIEVED_SD[:2] ** 2), 0.0]))
    sd = np.sqrt(np.diag(cov))
    gas = GasFit(
        *(x * np.ones(1) for x in (mean[1], sd[1], mean[2], sd[2], mean[3], sd[3], cov[0, 3], sd[0]))
    )
    fit = SimpleNamespace(leak_mean=mean[:1], gas=gas)
    deep = SimpleNamespace(hold=SimpleNamespace(start_above=np.full(1, -2000.0)))
    told = vapor_told(fit, beliefs_of_one(), deep)
    other = BELIEVED[2] - GIVEN_BACK
    assert_allclose(told["vapor_return_ratio"], (alone[2] - other) / GIVEN_BACK, rtol=1e-9)
    assert_allclose(told["vapor_return_sd"], np.sqrt(alone_cov[2, 2]) / GIVEN_BACK, rtol=1e-9)
    shallow = SimpleNamespace(hold=SimpleNamespace(start_above=np.full(1, -200.0)))
    assert np.isnan(vapor_told(fit, beliefs_of_one(), shallow)["vapor_return_ratio"]).all()


def test_where_the_lakes_gas_warms_slowly_large_leaks_come_out_nearer_to_their_size():
    """Tanks whose gas takes 40 s to warm, of which the tight ones tell that; 1 to 2 mm, the true gas volume known."""
    rng = np.random.default_rng(11)
    world = make_world(rng, ["holds", "leak"], 60)
    is_leak = world.kind == "leak"
    # As much beside the ullage as is believed, so that the volume adds no error.
    volume = world.tank_l * (1 - world.fuel_pct / 100) + CANISTER_AND_LINES_L
    world = replace(
        world,
        hole_mm=np.where(is_leak, rng.uniform(1.0, 2.0, len(is_leak)), 0.0),
        volume_l=volume,
        warming_s=np.full(len(is_leak), 40.0),
        cooling=np.full(len(is_leak), 0.45),
        purge_m3_s=np.full(len(is_leak), 40 / 60e3),
        noise_pa=np.full(len(is_leak), 3.0),
        step_pa=np.full(len(is_leak), 1.0),
        rate_hz=np.full(len(is_leak), 10.0),
    )
    samples, headers = run(world, rng)
    headers = headers.with_columns(make=pl.lit("Kestin"), model=pl.lit("210"))
    taken = take(gather(samples, headers["trace_id"]), headers, Settings())
    norms = model_norms(taken.for_norms())
    anew = judge_taken(taken, norms, Settings()).taken.fit
    unknown = np.full(headers.height, np.nan)
    beliefs = by_lake(taken.beliefs, norms_for(headers, norms, unknown, unknown))
    afresh = fit_holds(
        taken.bins, beliefs, taken.air, taken.volume.working_l, taken.shown, Settings(), with_curves=False
    )
    # Where the fit of the time constant starts matters little to where it ends.
    off = np.abs(anew.leak_mean - afresh.leak_mean) / afresh.leak_sd
    assert np.quantile(off, 0.9) < 0.1
    unknown = norms.with_columns(pl.lit(None, pl.Float64).alias(name) for name in (*OF_ALL, VAPOR_RETURN))
    believed_s = 12.0  # of 40 l, see beliefs
    assert np.exp(norms["heat_time_log_ratio"][0]) * believed_s == pytest.approx(40, rel=0.25)
    without, with_lake = (
        judge_taken(taken, each, Settings()).sizes.diameter[is_leak] / world.hole_mm[is_leak] - 1
        for each in (unknown, norms)
    )
    assert np.nanmedian(np.abs(with_lake)) < 0.7 * np.nanmedian(np.abs(without))
