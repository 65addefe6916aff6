"""The integrated truth behind traces, held against textbook gas dynamics and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulate.trace_physics import (
    AIR_G_MOL,
    CD_HIGH_RE,
    CV,
    GAS_CONSTANT,
    RE_LAMINAR,
    STAGE,
    STAGES,
    VISCOSITY,
    Rig,
    Script,
    feed_flow,
    integrate,
    orifice_flow,
)

INH2O = 249.0889  # NIST SP 811 App. B.8, conventional
ATMOSPHERE = 101_325.0


def one_rig(**changes: float) -> Rig:
    plain = {
        "volume_m3": 0.020,
        "barometric_pa": ATMOSPHERE,
        "start_gauge_pa": 0.0,
        "wall_k": 298.15,
        "leak_m": 0.0,
        "vent_open_m": 0.008,
        "vent_shut_m": 0.0,
        "purge_m": 1.5e-3,
        "purge_shut_m": 0.0,
        "manifold_pa": 35_000.0,
        "vapor_kg_s": 0.0,
        "vapor_scale_pa": 5_000.0,
        "wall_time_s": 5.0,
        "relief_pa": 50_000.0,
        "purge_delay_s": 0.0,
        "gas_g_mol": AIR_G_MOL,
        "gas_cv": CV,
        "feed_kg_s": 0.0,
    }
    return Rig(**{name: np.array([value]) for name, value in (plain | changes).items()})


def one_script(seconds: dict[str, float], **changes: float) -> Script:
    plain = {
        "target_pa": -2_500.0,
        "first_target_pa": -1_500.0,
        "fed_to_pa": np.inf,
        "regulated_pa": 3_500.0,
        "duty": 1.0,
        "duty_step_s": 0.0,
        "gain": 1.0,
        "offset_pa": 0.0,
        "lowest_pa": -np.inf,
        "hold_if_missed_s": 30.0,
    }
    stages = np.array([[seconds.get(name, 0.0) for name in STAGES]])
    return Script(stages, **{name: np.array([value]) for name, value in (plain | changes).items()})


def a_test(*seconds: float, **changes: float) -> Script:
    """Seconds of rest, closed, draw, hold and release."""
    return one_script(
        dict(zip(("rest", "closed", "draw", "hold", "release"), seconds, strict=True)), **changes
    )


def start_of(history, name: str) -> float:
    return float(history.starts_s[0, STAGE[name]])


def pressure_at(history, t: float) -> float:
    return float(np.interp(t, np.arange(history.gauge_pa.shape[1]) * history.every_s, history.gauge_pa[0]))


@pytest.mark.parametrize(("volume_l", "seconds"), [(20, 8.9), (40, 17.7), (60, 26.6)])
def test_blow_down_takes_the_time_of_the_isothermal_closed_form(volume_l, seconds):
    """standards.md section 9: 14 to 8 inH2O through 0.040 in, Cd 0.61; Cd(Re) and gas cooling allow 4 %."""
    rig = one_rig(
        volume_m3=volume_l / 1000, start_gauge_pa=14 * INH2O, leak_m=0.040 * 0.0254, wall_time_s=0.05
    )
    history = integrate(rig, one_script({"closed": seconds * 3}))
    time = np.arange(history.gauge_pa.shape[1]) * history.every_s
    took = float(np.interp(-8 * INH2O, -history.gauge_pa[0], time))
    assert took == pytest.approx(seconds, rel=0.04)


def test_small_pressure_differences_flow_as_an_incompressible_orifice():
    """standards.md section 9 [D]: 0.040 in, Cd 0.61, air 1.184 kg/m3: 608.7 cm3/min at 1 inH2O, 1217.3 at 4."""
    flow = orifice_flow(
        np.full(2, 0.040 * 0.0254),
        ATMOSPHERE + np.array([1, 4]) * INH2O,
        np.full(2, ATMOSPHERE),
        np.full(2, 298.15),
    )
    assert flow / 1.184 * 6e7 == pytest.approx([608.7, 1217.3], rel=0.02)


def test_flow_is_choked_below_the_critical_ratio():
    """Textbook: choked flux = p sqrt(g/(R T)) (2/(g+1))^((g+1)/(2(g-1))), ratio 0.528 for air (standards.md 9)."""
    up = np.full(3, 100_000.0)
    flow = orifice_flow(np.full(3, 0.01), up, np.array([52_000.0, 30_000.0, 5_000.0]), np.full(3, 300.0))
    flux = 100_000 * np.sqrt(1.4 / (287.05 * 300)) * (2 / 2.4) ** 3
    assert flow == pytest.approx(0.61 * np.pi / 4 * 1e-4 * flux, rel=0.001)


def test_flow_becomes_proportional_to_the_pressure_difference_at_low_reynolds_number():
    """Laminar flow through an orifice grows with dp, not its root (any fluid text)."""
    small = orifice_flow(
        np.full(2, 2e-5), ATMOSPHERE + np.array([0.01, 0.02]), np.full(2, ATMOSPHERE), np.full(2, 298.0)
    )
    assert small[1] / small[0] == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize("vapor", [1.0, 2.0], ids=["dry air", "vapor doubles its heat capacity"])
def test_a_quick_draw_cools_the_gas_and_the_walls_warm_it_again(vapor):
    """Gas left by an adiabatic expansion has T/T0 = (p/p0)^(R/(R + cv)); warming then raises p by T0/T."""
    rig = one_rig(purge_m=3e-3, wall_time_s=20.0, gas_cv=vapor * CV)
    history = integrate(rig, a_test(0, 0, 10, 110, 0, target_pa=-3_000))
    low = history.gauge_pa[0].min()
    ratio = ((ATMOSPHERE + low) / ATMOSPHERE) ** (GAS_CONSTANT / (GAS_CONSTANT + vapor * CV))
    expected_rise = (ATMOSPHERE + low) * (1 / ratio - 1)
    assert history.gauge_pa[0, -3] - low == pytest.approx(expected_rise, rel=0.08)


def test_halving_the_step_changes_a_whole_test_by_less_than_the_sensor_can_tell():
    rig = one_rig(leak_m=0.8e-3, vapor_kg_s=1e-6)
    script = a_test(1, 4, 30, 20, 2)
    coarse, fine = integrate(rig, script, 0.02, 5), integrate(rig, script, 0.004, 25)
    k = min(coarse.gauge_pa.shape[1], fine.gauge_pa.shape[1])
    assert np.abs(coarse.gauge_pa[0, :k] - fine.gauge_pa[0, :k]).max() < 60  # at the purge's edges
    assert pressure_at(coarse, 20) == pytest.approx(pressure_at(fine, 20), abs=12)


def test_vapor_makes_a_shut_tank_creep_up_and_more_so_under_vacuum():
    rig = one_rig(vapor_kg_s=1e-6, wall_time_s=0.5)
    history = integrate(rig, a_test(5, 15, 30, 60, 5))
    shut, draw, held = (start_of(history, name) for name in ("closed", "draw", "hold"))
    closed = (pressure_at(history, draw - 0.2) - pressure_at(history, shut + 1)) / 13.8
    hold = (pressure_at(history, held + 40) - pressure_at(history, held + 10)) / 30
    assert 1 < closed < 10
    assert hold > 1.2 * closed


@pytest.mark.parametrize(
    ("fault", "shows"),
    [
        ({}, lambda h: h.gauge_pa.min() < -2_400 and h.gauge_pa[0, -1] > -20),
        ({"purge_m": 0.0}, lambda h: h.gauge_pa.min() > -5),
        ({"leak_m": 5e-3}, lambda h: -900 < h.gauge_pa.min() < -20),
        ({"purge_shut_m": 0.5e-3}, lambda h: pressure_at(h, start_of(h, "draw") - 0.2) < -300),
        ({"vent_open_m": 0.1e-3}, lambda h: h.gauge_pa[0, -1] < -1_500),
    ],
    ids=["sound", "purge stuck shut", "open path", "purge leaks", "vent stuck shut"],
)
def test_each_fault_shows_where_a_technician_would_look(fault, shows):
    """Common practice of the trade (standards.md section 12; no source)."""
    history = integrate(one_rig(**fault), a_test(3, 12, 20, 20, 6))
    assert shows(history)


def test_a_draw_that_never_arrives_ends_and_its_hold_is_cut_short():
    script = a_test(2, 5, 20, 100, 5, hold_if_missed_s=25.0)
    history = integrate(one_rig(purge_m=0.0), script)
    draw, hold, release = (start_of(history, name) for name in ("draw", "hold", "release"))
    assert (hold - draw, release - hold) == pytest.approx((20, 25), abs=0.1)


@pytest.mark.parametrize("gas_g_mol", [AIR_G_MOL, 45.0])
def test_a_regulated_supply_comes_to_rest_where_as_much_flows_out_as_in(gas_g_mol):
    """standards.md section 9 [D]: 0.040 in, Cd 0.61, air 1.184 kg/m3, 1217.3 cm3/min at 4 inH2O; of a heavier gas fewer
    moles flow out, by the root of the molar masses (Graham)."""
    supply = 1184e-3 * 6e-5  # 3.6 l/min of air of 1.184 kg/m3
    rig = one_rig(leak_m=0.040 * 0.0254, feed_kg_s=supply, gas_g_mol=gas_g_mol)
    history = integrate(rig, one_script({"rest": 2, "feed": 150}, regulated_pa=4 * INH2O + 50))
    rest_pa = pressure_at(history, 150)
    flows = feed_flow(
        rig.feed_kg_s, np.array([4 * INH2O + 50]), np.array([STAGE["feed"]]), np.array([rest_pa])
    )
    told = 1217.3 * np.sqrt(rest_pa / (4 * INH2O)) * np.sqrt(AIR_G_MOL / gas_g_mol)
    assert rest_pa == pytest.approx(4 * INH2O, rel=0.06)
    assert flows[0] / 1.184 * 6e7 == pytest.approx(told, rel=0.03)


def test_a_supply_is_shut_off_at_its_pressure_and_a_tight_tank_holds_it():
    """The filling warms the gas, which cools again: (g-1)/g of the pressure at the most, of air at once (first law)."""
    rig = one_rig(feed_kg_s=3e-4, wall_time_s=5.0)
    script = one_script(
        {"rest": 2, "feed": 60, "hold": 120, "release": 5}, fed_to_pa=3_487.0, regulated_pa=5_000.0
    )
    history = integrate(rig, script)
    filled, end = start_of(history, "hold"), start_of(history, "release")
    assert filled < 30
    assert end - filled == pytest.approx(120, abs=0.1)
    assert pressure_at(history, filled) == pytest.approx(3_487, abs=60)
    assert 3_487 * (1 - 0.4 / 1.4) < pressure_at(history, end - 0.2) < 3_400


def test_a_supply_that_does_not_get_there_is_given_up():
    rig = one_rig(feed_kg_s=1e-4, leak_m=3e-3)
    script = one_script(
        {"rest": 2, "feed": 40, "hold": 120, "release": 5}, fed_to_pa=3_487.0, regulated_pa=5_000.0
    )
    history = integrate(rig, script)
    assert start_of(history, "hold") - start_of(history, "feed") == pytest.approx(40, abs=0.1)
    assert start_of(history, "release") - start_of(history, "hold") == pytest.approx(30, abs=0.1)


def test_a_first_draw_goes_to_its_own_vacuum():
    seconds = {"rest": 2, "first_draw": 30, "first_hold": 8, "draw": 30, "hold": 20, "release": 5}
    history = integrate(one_rig(purge_m=0.8e-3), one_script(seconds))
    assert pressure_at(history, start_of(history, "first_hold")) == pytest.approx(-1_500, abs=60)
    assert pressure_at(history, start_of(history, "hold")) == pytest.approx(-2_500, abs=60)


def test_a_purge_that_opens_in_steps_draws_in_steps_and_late_by_its_delay():
    rig = one_rig(purge_m=0.6e-3, purge_delay_s=0.5, wall_time_s=0.05)
    history = integrate(rig, a_test(2, 0, 30, 20, 2, duty_step_s=3.0, target_pa=-20_000))
    at = [pressure_at(history, 2 + s) for s in (0.45, 3.45, 6.45)]
    assert at[0] == pytest.approx(0, abs=1)
    assert (at[2] - at[1]) / (at[1] - at[0]) == pytest.approx(2.0, rel=0.05)


@pytest.mark.parametrize("difference_pa", [1e-7, 1e-5, 1e-3, 0.1])
def test_hardly_any_difference_of_pressure_keeps_its_digits(difference_pa):
    """Toward equal pressures the flux is Bernoulli's, sqrt(2 rho dp): any textbook of fluid mechanics.

    Digits lost there depend on the processor, and a lake would not be the same on every machine.
    """
    up, kelvin, diameter = 101_325.0, 293.15, 8e-3
    flow = orifice_flow(*(np.array([x]) for x in (diameter, up, up - difference_pa, kelvin)))[0]
    flux = np.sqrt(2 * up / (GAS_CONSTANT * kelvin) * (up - (up - difference_pa)))
    reynolds = flux * diameter / VISCOSITY
    expected = CD_HIGH_RE * reynolds / (reynolds + RE_LAMINAR) * np.pi / 4 * diameter**2 * flux
    assert flow == pytest.approx(expected, rel=3e-6)
