"""The layered tank against textbooks: what it may be trusted with before anybody is judged by it."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.end_to_end.layered_fleet import new_day, new_tank, new_vehicle
from tests.end_to_end.layered_gas import HOLD, LEAKED, P_CANISTER, P_TANK, PHASE, T_GAS, R, course, mixture
from tests.end_to_end.layered_traces import layered_traces
from tests.end_to_end.layered_truth import DISCHARGE, effective_diameter_mm, reference_flow_m3_s


def _tight(draw: np.random.Generator) -> Any:
    vehicle = new_vehicle("V", draw)
    return new_tank(vehicle, new_day(vehicle, "tight", draw), "tight", "draw", (0.0, 0.0, 0.0), draw)


def _plain(key: int, **changes: float) -> Any:
    """Return a tank of air alone: no vapor, no heat but the wall's own, no give, an empty canister, no holes."""
    draw = np.random.default_rng(key)
    tank = _tight(draw)
    plain = {
        "saturation_pa": 1e-3,
        "film_m_s": 0.0,
        "exchange_m_s": 0.0,
        "give_m3_pa": 0.0,
        "creep_m3_pa": 0.0,
        "carbon_ratio": 0.0,
        "fuel_k_s": 0.0,
        "heat_w_k": 500.0,
        "hole_a": 1e15,
        "hole_b": 1e20,
        "hole_at_canister": 0.0,
        "second_s": 0.0,
        "hold_s": 60.0,
        "release_s": 1.0,
    }
    for name, value in (plain | {"wall_k": float(tank["ambient_k"])} | changes).items():
        tank[name] = value
    return tank


def _held(tank: Any) -> tuple[np.ndarray, float]:
    """Return the rows of the last hold and the effective volume [m3]."""
    out = np.zeros((9000, 8))
    _, start, end, volume = course(tank, out)
    return out[start:end], volume


def test_a_small_hole_decays_by_the_square_root_law() -> None:
    """Isothermal air through a sharp hole: sqrt(p) falls linearly, at K/2 of the blow-down formula, to 2 %."""
    d = 1.2e-3
    b = 1 / (2 * (DISCHARGE * np.pi / 4 * d * d) ** 2)
    tank = _plain(3, hole_a=1e7, hole_b=b)
    hold, volume = _held(tank)
    p = -hold[:, P_TANK]
    t = np.arange(len(p)) * 0.05
    is_early = p > 0.3 * p[0]
    fall = -np.polyfit(t[is_early], np.sqrt(p[is_early]), 1)[0]
    rho, _ = mixture(0.0, tank["ambient_pa"], tank["ambient_k"])
    # Into a drawn tank the gas comes at ambient density: moles at ambient, pressure by the tank's volume.
    k = tank["ambient_pa"] / volume * DISCHARGE * np.pi / 4 * d * d * np.sqrt(2 / rho)
    assert fall == pytest.approx(k / 2, rel=0.02)


def test_a_quick_draw_of_an_insulated_tank_is_an_adiabat() -> None:
    """What stays in the tank expands: T2/T1 = (p2/p1)^(0.4/1.4) to 0.02 K, as long as nothing flows back."""
    tank = _plain(5, heat_w_k=0.0)
    hold, _ = _held(tank)
    p, k = tank["ambient_pa"] + hold[0, P_TANK], hold[0, T_GAS]
    assert k < tank["ambient_k"] - 0.5
    assert k == pytest.approx(tank["ambient_k"] * (p / tank["ambient_pa"]) ** (0.4 / 1.4), abs=0.02)


def test_a_tight_tank_of_air_keeps_its_vacuum() -> None:
    """Once tank and canister are level, nothing moves: less than 0.5 Pa in a minute."""
    hold, _ = _held(_plain(7))
    late = hold[100:, P_TANK]
    assert np.ptp(late) < 0.5
    assert late.mean() == pytest.approx(hold[100:, P_CANISTER].mean(), abs=0.5)
    assert late.mean() < -1000


def test_moles_that_came_in_are_the_pressure_that_was_lost() -> None:
    """With give and carbon, the effective volume turns the leaked moles into the recorded rise, to 3 %."""
    b = 1 / (2 * (DISCHARGE * np.pi / 4 * 0.8e-3**2) ** 2)
    tank = _plain(9, hole_a=1e7, hole_b=b, give_m3_pa=6e-8, carbon_ratio=1.0, carbon_s=0.5)
    hold, volume = _held(tank)
    rise = hold[-1, P_TANK] - hold[100, P_TANK]
    came = (hold[-1, LEAKED] - hold[100, LEAKED]) * R * tank["ambient_k"] / volume
    assert rise > 500
    assert came == pytest.approx(rise, rel=0.03)


def test_vapor_comes_back_to_a_drawn_tank_until_it_is_saturated() -> None:
    """A tight tank over fuel rises in a hold, by no more than saturation lost when it was drawn, plus warmth."""
    draw = np.random.default_rng(11)
    tank = _tight(draw)
    tank["second_s"], tank["start_share"], tank["fuel_k_s"] = 0.0, 1.0, 0.0
    hold, _ = _held(tank)
    rise = hold[-1, P_TANK] - hold[0, P_TANK]
    lost = -hold[0, P_TANK] * tank["saturation_pa"] / tank["ambient_pa"]
    warmth = (tank["wall_k"] - hold[0, T_GAS]) / tank["wall_k"] * tank["ambient_pa"]
    assert 0 < rise < 1.3 * (lost + warmth)
    assert (hold[:, PHASE] == HOLD).all()


def test_the_reference_orifice_is_the_textbook_one_with_a_creeping_edge() -> None:
    """0.508 mm at 2500 Pa: 9.713e-6 kg/s in the textbook (reference_checks section 12), some 1 % less with the edge."""
    rho, mu = 1.234307, 1.820568e-5
    flow = float(reference_flow_m3_s(np.array(0.508), np.array(2500.0), rho, mu)) * rho
    assert 0.975 * 9.712785e-6 < flow < 0.997 * 9.712785e-6
    back = effective_diameter_mm(np.array(flow / rho), np.array(2500.0), rho, mu)
    assert float(back) == pytest.approx(0.508, rel=1e-6)


def test_no_tank_falls_by_itself_when_it_is_shut() -> None:
    """A tank that stood vented is in balance: shut, it creeps up or stays, except behind a passing purge valve."""
    _, _, truth = layered_traces(120, 41)
    shut = truth.filter(~pl.col("cause").is_in(["purge_passing", "no_test"]))
    assert shut["closed_pa"].min() > -4.0
