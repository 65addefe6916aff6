"""The ninth author's tank against textbooks: a decay, an adiabat, books of moles, the size that a flow stands for."""

from __future__ import annotations

import numpy as np
import pytest

from tests.end_to_end.carbon_fleet import AIR_KG_MOL, AIR_PA_S, GAS, Bench, fleet
from tests.end_to_end.carbon_gas import Gas
from tests.end_to_end.carbon_truth import CD, Array, equivalent_mm, reference_flow, reference_loss

HOLES_MM = np.array([0.3, 0.5, 1.0, 2.0])
N, STEP_S = len(HOLES_MM), 0.05
SHUT, NONE = np.ones(N, bool), np.zeros(N)


def _bench(**fields: float) -> Bench:
    """Tanks of 50 l of dry air at 20 °C, all alike but for their holes."""
    bench = fleet(np.random.default_rng(3), N)
    alike = {
        "ambient_pa": 101325.0, "ambient_k": 293.15, "fuel_k": 293.15, "wall_k": 293.15, "fuel_k_s": 0.0,
        "reid_pa": 1e-2, "bed_pa": 1e-3, "solved_m3_s": 0.0, "give_m3_pa": 0.0, "tank_m3": 0.05,
        "canister_m3": 1e-3, "vent_leaks": 0.0, "purge_idle": 0.0, "vent_share": 1.0, "hole_opens": 0.0,
        "manifold_pa": 35e3, "purge_m2": 1e-5, "purge_dead": 0.07, "transfer_m_s": 0.0, "hole_place": 0,
    }  # fmt: skip
    for name, value in (alike | fields).items():
        getattr(bench, name)[:] = value
    bench.hole_a, bench.hole_b = reference_loss(1e-3 * HOLES_MM, np.ones(N), np.full(N, 1e-9))
    return bench


def _gas(bench: Bench) -> Gas:
    gas = Gas(bench, np.random.default_rng(1))
    gas.bed_k[:], gas.vent[:] = 293.15, 0.0
    return gas


def _without_hole(bench: Bench) -> Bench:
    bench.hole_a[:], bench.hole_b[:] = 1e18, 1e30
    return bench


@pytest.mark.parametrize("place", [0, 1])
def test_a_warm_dry_tank_decays_as_the_square_root_law_says(place: int) -> None:
    """sqrt(dp) falls by K P t / (2 V); expansion and the part of the gas that cools leave 1.5 % of the start."""
    bench = _bench(gas_w_k=200.0, hole_place=place)
    gas, start = _gas(bench), 2500.0
    gas.p -= start
    for moles in (gas.air, gas.vapor):
        moles *= gas.p / 101325
    flow_per_root = (
        CD * np.pi / 4 * (1e-3 * HOLES_MM) ** 2 * np.sqrt(2 * GAS * 293.15 / (101325 * AIR_KG_MOL))
    )
    for i in range(1, 401):
        gas.step(STEP_S, NONE, SHUT, NONE, SHUT)
        root = np.sqrt(start) - flow_per_root * 101325 / (2 * 0.051) * i * STEP_S
        left = np.maximum(root, 0) ** 2
        np.testing.assert_allclose(101325 - gas.p, left, atol=0.015 * start)


def test_gas_without_heat_cools_along_the_adiabat() -> None:
    bench = _without_hole(_bench(gas_w_k=0.0, canister_m3=1e-6))
    gas = _gas(bench)
    for _ in range(120):
        gas.step(STEP_S, np.full(N, 25.0), SHUT, NONE, SHUT)
    assert ((gas.p > 95e3) & (gas.p < 99e3)).all()  # the cap's relief is still shut
    np.testing.assert_allclose(gas.t, 293.15 * (gas.p / 101325) ** (1 - 1 / 1.4), atol=0.01)


def test_no_mole_is_lost_between_tank_and_bed() -> None:
    """What fuel and bed gave, less what left through purge, vent and hole, is what tank and canister hold more."""
    bench = fleet(np.random.default_rng(5), N)
    gas = Gas(bench, np.random.default_rng(1))

    def held() -> Array:
        return gas.air + gas.vapor + gas.p * bench.canister_m3 / (GAS * gas.bed_k)

    before, passed, drawn = held(), np.zeros(N), np.zeros(N)
    for i in range(1200):
        duty, is_shut = np.full(N, 20.0 * (200 < i < 300)), np.full(N, i < 900)
        flows = gas.step(STEP_S, duty, is_shut, NONE, SHUT)
        drawn += STEP_S * flows.purge_mol_s
        passed += STEP_S * (flows.fumes_mol_s - flows.purge_mol_s - flows.vent_mol_s - flows.hole_mol_s)
    assert (drawn > 1e-3).all()
    np.testing.assert_allclose(held(), before + passed, rtol=1e-9)


def test_a_tight_tank_gives_back_no_more_than_warmth_and_vapor_allow() -> None:
    """Dry: the cooling of the draw comes back, and no more; it cannot be more than 1 - 1/1.4 of the draw."""
    bench = _without_hole(_bench(gas_w_k=5.0))
    gas = _gas(bench)
    for _ in range(100):
        gas.step(STEP_S, np.full(N, 25.0), SHUT, NONE, SHUT)
    drawn = 101325 - gas.p
    for _ in range(1200):
        gas.step(STEP_S, NONE, SHUT, NONE, SHUT)
    share = 1 - (101325 - gas.p) / drawn
    assert ((share > 0.05) & (share < 1 - 1 / 1.4)).all()


def test_the_size_that_a_flow_stands_for_is_the_hole_it_came_from() -> None:
    drop, density, viscosity = np.full(N, 2000.0), np.full(N, 1.2), np.full(N, AIR_PA_S)
    flow = reference_flow(1e-3 * HOLES_MM, drop, density, viscosity)
    np.testing.assert_allclose(equivalent_mm(flow, drop, density, viscosity), HOLES_MM, rtol=1e-6)
    ideal = CD * np.pi / 4 * (1e-3 * HOLES_MM) ** 2 * np.sqrt(2 * drop / density)
    assert ((flow / ideal > 0.98) & (flow / ideal < 1)).all()
