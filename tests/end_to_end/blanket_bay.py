"""One visit to the bay: the tank as it stands that day, what is wrong with it, and how the test was driven."""

from __future__ import annotations

import numpy as np

from tests.end_to_end.blanket_fleet import Model, Shop, Vehicle
from tests.end_to_end.blanket_tank import Course, R, Tank

#: Weights by which causes are drawn; holes are drawn evenly by the logarithm of their size.
CAUSES = {
    "tight": 330,
    "round_hole": 520,
    "small_hole": 25,
    "crack": 40,
    "cap_off": 55,
    "vent_stuck_open": 50,
    "purge_stuck_shut": 55,
    "purge_passes": 60,
    "vent_blocked": 60,
    "reading_frozen": 40,
    "reading_shifted": 50,
    "volts_stray": 45,
    "routine": 45,
    "cut_short": 35,
}
L_MIN = 1.0 / 60_000.0


def tank_of(vehicle: Vehicle, shop: Shop, cause: str, rng: np.random.Generator) -> tuple[Tank, float]:
    """Return the tank on that day and the share of fuel that its gauge would show if it were read without noise."""
    model = vehicle.model
    gauge = float(rng.uniform(0.12, 0.92))
    fuel = gauge + model.gauge_bow * 4.0 * gauge * (1.0 - gauge) + vehicle.gauge_share
    inside_l = model.nominal_l * model.true_share * vehicle.tank_share
    gas_l = inside_l * (1.0 - fuel) + model.dome_l + model.lines_l
    give = 1e-6 * model.give_l_kpa * vehicle.give_share
    ambient_k = 273.15 + shop.warmth_c + float(rng.normal(0.0, 6.0))
    fuel_k = ambient_k + float(rng.normal(3.0, 3.5))
    roof_k = ambient_k + float(rng.exponential(2.5))
    footprint = (inside_l / 1000.0 / 0.22) * 1.0
    height = 0.22 * (1.0 - fuel) + 0.02
    air_pa = shop.air_pa + float(rng.normal(0.0, 600.0))
    carbon_l = model.carbon_l + model.carbon_takes_l * vehicle.carbon_share
    tank = Tank(
        gas_m3=1e-3 * gas_l,
        give_m3_pa=give,
        creep_m3_pa=give * (0.08 if model.is_plastic else 0.0),
        creep_s=35.0,
        fuel_m3=1e-3 * inside_l * fuel,
        surface_m2=footprint,
        roof_m2=1.1 * footprint,
        side_m2=4.0 * footprint**0.5 * height * 1.2,
        blanket_m=float(rng.uniform(0.012, 0.025)) if fuel < 0.85 else 0.010,
        air_pa=air_pa,
        air_drift_pa_s=float(rng.normal(0.0, 0.015)),
        ambient_k=ambient_k,
        roof_k=roof_k,
        side_k=0.6 * fuel_k + 0.4 * roof_k,
        fuel_k=fuel_k,
        fuel_warms_k_s=float(rng.normal(0.0006, 0.0008)),
        radiates_w_m2_k=float(rng.uniform(0.5, 1.2)),
        convects_w=float(rng.uniform(1.1, 1.6)),
        vapor_pa=float(rng.uniform(25_000.0, 42_000.0)) * float(np.exp(-0.012 * (shop.warmth_c - 15.0))),
        rest_share=float(rng.uniform(0.94, 1.0)),
        film_m_s=float(np.exp(rng.uniform(np.log(1.5e-4), np.log(5e-4)))),
        mixing_m_s=float(np.exp(rng.uniform(np.log(5e-5), np.log(2.5e-4)))),
        dissolved_share=0.17,
        outgas_s=float(rng.uniform(2000.0, 9000.0)),
        bubble_mol_s_pa=8e-9,
        bubble_from_pa=1500.0,
        carbon_m3=1e-3 * carbon_l,
        late_carbon_m3=1e-3 * model.carbon_late_l * vehicle.carbon_share,
        late_carbon_s=float(rng.uniform(15.0, 45.0)),
        **_resists("line", model.line_pa_lmin),
        **_resists("bed", model.bed_pa_lmin * float(rng.uniform(0.85, 1.25))),
        purge_mol_s=model.purge_l_min * vehicle.purge_share * L_MIN * air_pa / (R * ambient_k),
        purge_dead_share=0.08,
        manifold_pa=0.0 if model.is_ejector else float(rng.normal(36_000.0, 2500.0)),
        stall_pa=8000.0,
        purge_shut_share=0.0,
        purge_open_share=1.0,
        purge_lag_s=float(rng.uniform(0.05, 0.2)),
        vent_shut_share=0.0,
        vent_open_share=1.0,
        vent_lag_s=float(rng.uniform(0.05, 0.3)),
        relief_pa=float(rng.uniform(4200.0, 5500.0)),
        hole_m=0.0,
        hole_depth_m=0.0,
        hole_discharge=0.61,
        crack_m3_s=0.0,
        crack_power=0.75,
        sensor_lag_s=model.sensor_lag_s,
        reading_shift_pa=0.0,
    )
    return _with_fault(tank, cause, rng), gauge


def _resists(of: str, at_20_l_min_pa: float) -> dict[str, float]:
    """Two thirds of a drop by friction, one by inertia, at 20 l/min."""
    q = 20.0 * L_MIN
    return {f"{of}_r1": 0.67 * at_20_l_min_pa / q, f"{of}_r2": 0.33 * at_20_l_min_pa / (q * q)}


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _with_fault(tank: Tank, cause: str, rng: np.random.Generator) -> Tank:
    """Return the tank with its fault; every one seeps a little, as a hole of up to 0.1 mm would."""
    seep_mm = _log(rng, 0.01, 0.10)
    tank = tank._replace(crack_m3_s=0.6 * 0.785e-6 * seep_mm**2 * 41.0, crack_power=0.8)
    if cause in ("round_hole", "small_hole"):
        hole_mm = _log(rng, 0.25, 3.0) if cause == "round_hole" else float(rng.uniform(0.15, 0.25))
        kind = rng.random()
        if kind < 0.5:
            return tank._replace(hole_m=1e-3 * hole_mm, hole_depth_m=1e-4, hole_discharge=0.61)
        if kind < 0.8:  # a bore through hose or plastic, the jet lies against it again
            depth = 1e-3 * float(rng.uniform(1.0, 3.0))
            return tank._replace(hole_m=0.92e-3 * hole_mm, hole_depth_m=depth, hole_discharge=0.78)
        return tank._replace(hole_m=0.96e-3 * hole_mm, hole_depth_m=5e-4, hole_discharge=0.68)
    if cause == "crack":
        mm = _log(rng, 0.35, 1.6)
        power = float(rng.uniform(0.55, 0.9))
        return tank._replace(crack_m3_s=0.61 * 0.785e-6 * mm**2 * 41.0, crack_power=power)
    if cause == "cap_off":
        return tank._replace(hole_m=1e-3 * _log(rng, 3.6, 9.0), hole_discharge=0.7)
    if cause == "vent_stuck_open":
        return tank._replace(vent_shut_share=float(rng.uniform(0.6, 1.0)))
    if cause == "purge_stuck_shut":
        return tank._replace(purge_open_share=0.0)
    if cause == "purge_passes":
        return tank._replace(purge_shut_share=_log(rng, 0.015, 0.25))
    if cause == "vent_blocked":
        return tank._replace(vent_open_share=_log(rng, 0.0008, 0.012))
    if cause == "reading_shifted":
        return tank._replace(reading_shift_pa=float(rng.choice([-1.0, 1.0]) * rng.uniform(260.0, 850.0)))
    return tank


def course_of(model: Model, shop: Shop, cause: str, rng: np.random.Generator) -> Course:
    """Return how the test was driven: the shop's habit, now and then with an error of the operator."""
    duty = shop.own_duty or model.duty
    course = Course(
        rest_s=shop.rest_s * float(rng.uniform(0.7, 1.4)),
        closed_s=shop.closed_s * float(rng.uniform(0.8, 1.2)),
        target_pa=shop.target_pa,
        timeout_s=shop.timeout_s,
        duty_first=0.15 if model.ramp_s and not shop.own_duty else duty,
        duty_last=duty,
        ramp_s=0.0 if shop.own_duty else model.ramp_s,
        pulse_s=0.0,
        draws=1,
        pause_s=0.0,
        hold_s=shop.hold_s,
        release_s=float(rng.uniform(6.0, 14.0)),
    )
    if cause in ("routine", "cut_short", "purge_stuck_shut", "reading_frozen"):
        return course
    error = rng.random()
    if error < 0.05:
        return course._replace(hold_s=float(rng.uniform(8.0, 50.0)))
    if error < 0.12:
        return course._replace(draws=int(rng.integers(2, 4)), pause_s=float(rng.uniform(4.0, 20.0)))
    if error < 0.17:
        return course._replace(duty_first=0.25, duty_last=0.3, timeout_s=0.6 * course.timeout_s)
    if error < 0.22:
        return course._replace(pulse_s=float(rng.uniform(0.8, 2.0)), timeout_s=1.5 * course.timeout_s)
    return course
