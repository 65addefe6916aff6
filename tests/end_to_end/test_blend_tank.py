"""The blend's own physics against closed forms and published values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.end_to_end.blend_fuel import mixture, saturation_pa, vapor_pa
from tests.end_to_end.blend_holes import (
    CLOSED,
    bore,
    crack,
    flow_m3_s,
    round_hole,
    same_flow_diameter_m,
)
from tests.end_to_end.blend_tank import KEEP_EVERY, STEP_S, Cars, Course, Orders, pressure_pa, run

AIR_KG_M3 = 1.2046  # 101,325 Pa and 20 °C, reference_checks section 12


def test_each_substance_boils_where_it_should() -> None:
    """Antoine's equation gives one atmosphere at the normal boiling points (CRC Handbook, from memory)."""
    boils_c = np.array([-0.5, 27.8, 68.7, 98.4, 110.6, 125.7, 78.3])
    assert saturation_pa(273.15 + boils_c).diagonal() == pytest.approx(101325, rel=0.005)


@pytest.mark.parametrize("reid_kpa", [55.0, 69.0, 90.0])
def test_a_blend_has_the_vapor_pressure_that_the_published_fit_gives(reid_kpa: float) -> None:
    """At 15.6 °C it is within 12 % of AP-42 chapter 7.1, slope 3 (standards section 11)."""
    root, log_rvp = np.sqrt(3.0), np.log(reid_kpa / 6.894757)
    a = 15.64 - 1.854 * root - (0.8742 - 0.3280 * root) * log_rvp
    b = 8742 - 1042 * root - (1049 - 179.4 * root) * log_rvp
    published_pa = 6894.757 * np.exp(a - b / (60 + 459.6))
    x = mixture(reid_kpa, 0.0)
    assert x.sum() == pytest.approx(1)
    assert vapor_pa(x, 273.15 + 37.8).sum() == pytest.approx(1e3 * reid_kpa, rel=1e-6)
    assert vapor_pa(x, 288.7).sum() == pytest.approx(published_pa, rel=0.12)


def test_a_little_ethanol_raises_the_vapor_pressure() -> None:
    """The same hydrocarbons with 10 % ethanol by moles stand higher: the azeotrope (40 CFR 1090 grants 1 psi)."""
    dry = mixture(62.0, 0.0)
    wet = np.append(0.9 * dry[:-1], 0.1)
    assert 1e3 < (vapor_pa(wet, 310.95) - vapor_pa(dry, 310.95)).sum() < 14e3


def test_a_hole_of_a_fiftieth_of_an_inch_flows_as_published() -> None:
    """0.508 mm at 2,500 Pa: 0.48379 L/min for 0.61 (reference_checks section 12), less 1 to 3 % for friction."""
    flow = 6e4 * flow_m3_s(np.array(2500.0), *round_hole(np.array(0.508e-3), AIR_KG_M3))
    assert 0.97 < flow / 0.48379 < 0.99


def test_small_pressures_creep() -> None:
    """Sampson through a plate, Hagen and Poiseuille through a pipe and between plates."""
    d, push = np.array(0.3e-3), np.array(1e-4)
    assert flow_m3_s(push, *round_hole(d, 1.2)) == pytest.approx(d**3 * push / (24 * 1.82e-5), rel=1e-3)
    pipe = np.pi * d**4 * push / (128 * 1.82e-5 * 2e-3)
    assert flow_m3_s(push, *bore(d, np.array(2e-3), 1.2)) == pytest.approx(pipe, rel=1e-3)
    slot = 5e-3 * 1e-4**3 * push / (12 * 1.82e-5 * 1e-3)
    wide = crack(np.array(5e-3), np.array(1e-4), np.array(1e-3), 1.2)
    assert flow_m3_s(push, *wide) == pytest.approx(slot, rel=1e-3)


def test_a_round_hole_is_its_own_size() -> None:
    d = np.array([0.25e-3, 1e-3, 4e-3])
    assert same_flow_diameter_m(np.full(3, 1500.0), *round_hole(d, 1.2), 1.2) == pytest.approx(d, rel=1e-6)


def test_a_flow_that_lowers_its_own_pressure_settles_on_the_law() -> None:
    """The implicit flow is the root of its own equation, with either sign."""
    a, b, stiff = np.array(1e5), np.array(1e10), np.array(3e6)
    for push in (-2000.0, 1e-3, 40.0):
        q = flow_m3_s(np.array(push), a, b, stiff)
        assert a * q + b * q * abs(q) == pytest.approx(push - stiff * q, rel=1e-9)


def _car(**given: Any) -> Cars:
    """Return one tank of 30 l in all, dry, stiff, shut, its gas kept at the wall's temperature."""
    values: dict[str, Any] = dict.fromkeys(Cars.__dataclass_fields__, 0.0)
    values |= {
        "ambient_pa": 101325.0,
        "ambient_k": 298.15,
        "fuel_k": 298.15,
        "wall_k": 298.15,
        "ullage_m3": 0.0295,
        "surface_m2": 0.3,
        "wall_w_k": 1e3,
        "film_m": 3e-4,
        "film_renewal_per_s": 0.1,
        "film_w_m2_k": 200.0,
        "canister_m3": 0.0005,
        "line_a": 1e4,
        "vent_open_a": 1e4,
        "line_b": 1e9,
        "vent_open_b": 1e9,
        "vent_shut_a": CLOSED,
        "vent_shut_b": CLOSED,
        "leak_a": CLOSED,
        "leak_b": CLOSED,
        "bulk_x": mixture(62.0, 0.0),
    }
    values |= given
    return Cars(
        **{
            name: np.array([value]).T if name == "bulk_x" else np.array([value])
            for name, value in values.items()
        }
    )


def _course(car: Cars, *rows: tuple[float, float, float, float]) -> Course:
    """Run segments of (seconds, duty, feed [mol/s], stop at [Pa]), the vent shut."""
    seconds, duty, feed, stop = (np.array([column]) for column in zip(*rows, strict=True))
    return run(
        car, Orders(seconds, np.ones(seconds.shape, bool), duty, feed, stop, np.full(seconds.shape, np.nan))
    )


def test_a_leak_blows_down_in_the_published_time() -> None:
    """0.508 mm in 30 l, from 14 to 8 inches of water: 53.1 s (standards section 9), up to 4 % more for friction."""
    a, b = round_hole(np.array(0.508e-3), 101325 / (287.05 * 298.15))
    course = _course(_car(leak_a=a, leak_b=b), (30.0, 0, 0.01, 3600.0), (120.0, 0, 0, np.nan))
    p = course.gauge_pa[:, 0]
    held = p[int(p.argmax()) :]
    between = np.sum((held < 3487.24) & (held > 1992.71)) * STEP_S * KEEP_EVERY
    assert 1.0 < between / 53.1 < 1.04


def test_a_sealed_dry_tank_keeps_its_vacuum() -> None:
    course = _course(_car(purge_m3_s=3e-4), (20.0, 100, 0, -2500.0), (90.0, 0, 0, np.nan))
    after = course.gauge_pa[course.segment[:, 0] == 1, 0]
    assert np.ptp(after[40:]) < 1.0


def test_gas_that_expanded_without_heat_gives_back_two_sevenths() -> None:
    """A quick draw goes down by gamma times what is left once the gas is warm again; gamma of air 1.4."""
    quick = _car(purge_m3_s=3e-3, wall_w_k=1.5, canister_m3=5e-5)
    course = _course(quick, (20.0, 100, 0, -2500.0), (150.0, 0, 0, np.nan))
    p = course.gauge_pa[:, 0]
    assert p[course.segment[:, 0] == 1][-1] / p.min() == pytest.approx(1 / 1.4, rel=0.04)


def test_a_dry_headspace_fills_up_to_its_vapor_pressure() -> None:
    """Sealed at nine tenths of saturation, the pressure rises by the missing tenth (Raoult, Dalton)."""
    x = mixture(62.0, 0.0)
    fast = _car(
        saturation=0.9, gas_transfer_m_s=0.02, film_renewal_per_s=50.0, film_w_m2_k=2e4, canister_m3=5e-6
    )
    course = _course(fast, (60.0, 0, 0, np.nan))
    assert course.gauge_pa[-1, 0] == pytest.approx(0.1 * vapor_pa(x, 298.15).sum(), rel=0.03)


def test_a_soft_tank_is_where_its_volume_says() -> None:
    """The pressure of giving walls solves p (V + C (p - ambient)) = n R T."""
    soft = _car(flex_m3_pa=4e-8)
    p = pressure_pa(np.array([0.97 * 101325 * 0.0295]), soft)
    volume = 0.0295 + 4e-8 * (p - 101325)
    assert p * volume == pytest.approx(0.97 * 101325 * 0.0295, rel=1e-12)
    assert pressure_pa(np.array([2989.0]), _car()) == pytest.approx(2989.0 / 0.0295)
