"""Recordings of the film tank as frames, with what is true of each: simulated, then seen through a shop's sensor."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end import film_truth as marks
from tests.end_to_end.film_shops import CODES_OF, Vehicle, vehicles
from tests.end_to_end.film_tank import BayTest, Tank, run_tank
from tests.end_to_end.recording_frames import HEADER, Recording, samples_of

SENSOR_END_PA = 3700.0


def film_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of about `n` recordings, what `judge` takes."""
    rng = np.random.default_rng(key)
    samples, headers, truths = [], [], []
    for vehicle in vehicles(math.ceil(n / 3.3), rng):
        n_before = int(rng.integers(1, 4))
        is_fixed = vehicle.cause not in ("tight", "no_test", "cut_short")
        n_after = int(rng.integers(1, 3)) if is_fixed or rng.random() < 0.3 else 0
        for k in range(n_before + n_after):
            is_after = k >= n_before
            is_same = not is_after and (k == 0 or vehicle.cause not in ("no_test", "cut_short"))
            cause = vehicle.cause if is_same else "tight"
            stage = "after_repair" if is_after else "before_repair"
            trace_id = f"{vehicle.name}-{k}-{cause}"
            recording, header, truth = _record(trace_id, vehicle, cause, rng)
            header["stage"] = "routine" if cause == "no_test" else stage
            samples.append(samples_of(trace_id, recording))
            headers.append(header)
            truths.append(truth)
    return pl.concat(samples), pl.DataFrame(headers, schema=HEADER), pl.DataFrame(truths)


def _tank(vehicle: Vehicle, cause: str, rng: np.random.Generator) -> tuple[Tank, float]:
    """Return the tank in this state, and the altitude's air pressure [Pa]."""
    model, shop = vehicle.model, vehicle.shop
    air_pa = 101_325.0 * (1.0 - 2.2558e-5 * shop.altitude_m) ** 5.2559 + rng.normal(0.0, 500.0)
    beyond = 1.0 + model.beyond_share - vehicle.fuel_share
    head = 1e-3 * (model.tank_l * beyond + model.canister_l + 0.8) * vehicle.volume_gain
    area = 4.2 * (1e-3 * model.tank_l) ** (2.0 / 3.0)
    surface = 1.1 * (1e-3 * model.tank_l) ** (2.0 / 3.0) * 1.7
    ambient = 273.15 + vehicle.ambient_c
    fuel = ambient + vehicle.fuel_warmer_k
    wall = ambient + rng.uniform(0.3, 0.8) * vehicle.fuel_warmer_k
    give = 1e-6 * model.give_l_kpa * rng.normal(1.0, 0.05)
    hole_mm, thickness, coefficient = 0.0, float(rng.uniform(0.1, 2.5)), 0.61
    crack, power = 0.0, float(rng.uniform(0.6, 0.85))
    if cause == "hole":
        hole_mm, coefficient = vehicle.hole_mm, 0.61 + 0.06 * min(thickness, 2.0)
    elif cause == "crack":
        crack = marks.hole_flow_m3_s(1e-3 * min(vehicle.hole_mm, 1.5), 1000.0, 0.0, 0.61)
    elif cause == "cap_off":
        hole_mm, thickness = float(np.exp(rng.uniform(np.log(7.0), np.log(25.0)))), 0.3
    elif rng.random() < 0.5:
        crack, power = marks.hole_flow_m3_s(1e-3 * rng.uniform(0.03, 0.11), 1000.0, 0.0, 0.61), 1.0
    is_stuck = cause == "vent_stuck_open"
    linear = rng.uniform(1.0, 3.5) * 1e5
    full = 1e-3 * model.purge_l_min / 60.0 * vehicle.purge_gain
    purge_m2 = full / (0.6847 * math.sqrt(8.314 * ambient / 0.029))
    return Tank(
        air_pa=air_pa,
        head_m3=head,
        give_m3_pa=give,
        creep_m3_pa=0.15 * give,
        creep_s=float(rng.uniform(10.0, 40.0)),
        carbon_share=float(rng.uniform(0.0, 0.015)),
        carbon_s=float(rng.uniform(20.0, 60.0)),
        ambient_k=ambient,
        wall_k=wall,
        fuel_k=fuel,
        fuel_k_s=float(rng.uniform(0.0, 1.5)) / 3600.0,
        wall_w_k=float(rng.uniform(2.5, 4.5)) * area * (1.0 - 0.7 * vehicle.fuel_share),
        surface_w_k=float(rng.uniform(1.5, 4.0)) * surface,
        surface_m2=surface,
        film_j_k=3000.0 * surface,
        film_w_k=60.0 * surface,
        vapor_20c_pa=vehicle.vapor_20c_pa,
        transfer_m_s=float(np.exp(rng.uniform(np.log(1e-4), np.log(5e-4)))),
        saturation=float(rng.uniform(0.97, 0.997)),
        hole_m=1e-3 * hole_mm,
        hole_thickness=thickness,
        hole_coefficient=coefficient,
        crack_m3_s_kpa=crack,
        crack_power=power,
        vent_linear=linear,
        vent_square=float(rng.uniform(2.0, 6.0)) * 1e8,
        vent_open_share=float(np.exp(rng.uniform(np.log(0.001), np.log(0.008))))
        if cause == "vent_clogged"
        else 1.0,
        vent_shut_share=float(rng.uniform(0.5, 1.0)) if is_stuck else 0.0,
        purge_m2=0.0 if cause == "purge_stuck_shut" else purge_m2,
        purge_shut_share=float(np.exp(rng.uniform(np.log(0.002), np.log(0.015))))
        if cause == "purge_passes"
        else 0.0,
        manifold_pa=air_pa * float(rng.uniform(0.32, 0.45)),
        lag_s=vehicle.model.lag_s,
    ), air_pa


def _test(vehicle: Vehicle, cause: str, rng: np.random.Generator) -> BayTest:
    model, shop = vehicle.model, vehicle.shop
    is_cut = cause == "cut_short"
    ends_in_draw = int(is_cut and rng.random() < 0.5)
    has_release = rng.random() < 0.9 or cause == "vent_clogged"
    return BayTest(
        rest_s=float(rng.uniform(4.0, 12.0)),
        closed_s=float(rng.uniform(6.0, 20.0)) if rng.random() < 0.8 else float(rng.uniform(1.0, 2.0)),
        target_pa=model.target_pa * float(rng.uniform(0.9, 1.1)),
        timeout_s=float(rng.uniform(1.0, 2.0)) if ends_in_draw else float(rng.choice([30.0, 40.0, 60.0])),
        hold_s=float(rng.uniform(1.0, 2.0)) if is_cut else shop.hold_s * float(rng.uniform(0.85, 1.1)),
        release_s=float(rng.uniform(8.0, 20.0)) if has_release else 0.0,
        duty=model.duty,
        profile=model.profile,
        is_routine=int(cause == "no_test"),
        ends_in_draw=ends_in_draw,
    )


def _record(
    trace_id: str, vehicle: Vehicle, cause: str, rng: np.random.Generator
) -> tuple[Recording, dict[str, Any], dict[str, Any]]:
    """Simulate one recording and its tight twin; return columns, header and truth."""
    model, shop = vehicle.model, vehicle.shop
    tank, air_pa = _tank(vehicle, cause, rng)
    test = _test(vehicle, cause, rng)
    most_s = test.rest_s + test.closed_s + test.timeout_s + test.hold_s + test.release_s + 1.0
    run = run_tank(tank, test, most_s)
    sound = tank._replace(
        hole_m=0.0, crack_m3_s_kpa=0.0, vent_shut_share=0.0, vent_open_share=1.0, purge_shut_share=0.0
    )
    twin = run_tank(sound, test, most_s)
    times, true_pa, lagged, duty, vent = run[:5]
    rate = shop.rate_hz
    n = int(times[-1] * rate)
    at = (np.arange(n) + rng.uniform(-0.5, 0.5, n) * shop.jitter) / rate
    at = np.unique(np.clip(at[rng.random(n) >= shop.drop_share], 0.0, times[-1]).round(3))
    late = np.clip(np.searchsorted(times, at - shop.duty_is_seen_late_s, side="right") - 1, 0, len(times) - 1)
    sensed = np.interp(at, times, lagged)
    offset, volts_shift = vehicle.offset_pa, vehicle.volts_shift
    if cause == "sensor_shifted":
        offset += float(rng.choice([-1.0, 1.0])) * float(rng.uniform(300.0, 800.0))
    noise = rng.normal(0.0, model.noise_pa, len(at)) + 3.0 * np.sin(at * 1.3 + rng.uniform(0, 6))
    shown = np.clip(vehicle.gain * sensed + offset + noise, -SENSOR_END_PA, SENSOR_END_PA)
    if cause == "sensor_stuck":
        shown = np.full(len(at), float(rng.choice([0.0, rng.uniform(-900.0, 900.0), -SENSOR_END_PA])))
    told = shown
    if cause == "volts_part":
        told = shown * float(rng.uniform(0.3, 0.6)) if rng.random() < 0.5 else np.full(len(at), shown[0])
    volts = model.rest_v + volts_shift + model.v_per_kpa * told / 1000.0
    volts = np.round(volts / shop.volt_step) * shop.volt_step
    shown = np.round(shown / shop.quantum_pa) * shop.quantum_pa
    recording = Recording(
        t_s=at,
        tank_pressure_pa=shown,
        sensor_v=volts if shop.has_volts else np.full(len(at), np.nan),
        purge_duty_pct=np.round(100.0 * duty[late] * 2.55) / 2.55,
        is_vent_closed=vent[late] > 0.5,
        engine_rpm=np.round(rng.normal(720.0, 12.0, len(at))),
    )
    level = np.clip(100.0 * vehicle.fuel_share + rng.normal(0.0, 1.5), 0.0, 100.0)
    codes = CODES_OF.get(cause, [])
    header = {
        "trace_id": trace_id,
        "job_id": f"J{trace_id[:5]}",
        "vehicle_id": vehicle.name,
        "stage": "before_repair",
        "recorded_at": datetime(2026, 3, 1, 9, tzinfo=UTC) + timedelta(hours=int(rng.integers(4000))),
        "fuel_level_pct": float(np.round(level / 0.392) * 0.392) if shop.has_level else None,
        "ambient_c": float(np.round(vehicle.ambient_c + rng.normal(0.0, 1.0))),
        "barometric_kpa": float(np.round(air_pa / 1000.0)) if shop.has_barometer else None,
        "fuel_tank_l": float(model.tank_l),
        "make": "Alderney",
        "model": model.name,
        "trouble_codes": [str(rng.choice(codes))] if codes and rng.random() < 0.7 else [],
        "checks": [],
    }
    grain = max(model.noise_pa, shop.quantum_pa)
    seen = _seen(cause, run, twin, tank, test, grain, shop.has_volts, float(np.median(np.diff(at))))
    return recording, header, _truth(trace_id, seen, tank, shop.has_level, bool(np.any(true_pa < -3550.0)))


def _truth(trace_id: str, seen: marks.Seen, tank: Tank, has_level: bool, is_clipped: bool) -> dict[str, Any]:
    drop = max(0.5 * seen.peak_pa, 1.0)
    flow = tank.crack_m3_s_kpa * (drop / 1000.0) ** tank.crack_power
    if tank.hole_m > 0.0:
        flow += marks.hole_flow_m3_s(tank.hole_m, drop, tank.hole_thickness, tank.hole_coefficient)
    return {
        "trace_id": trace_id,
        "verdict": marks.VERDICT_OF[seen.cause],
        "cause": seen.cause,
        "diameter_mm": marks.effective_mm(flow, drop),
        "is_ambiguous": marks.is_ambiguous(seen),
        "is_sized": marks.is_sized(seen, has_level, is_clipped),
        "peak_pa": seen.peak_pa,
        "half_life_s": seen.half_life_s,
        "own_gain_pa": seen.own_gain_pa,
        "own_hole_mm": seen.own_hole_mm,
        "leak_gain_pa": seen.leak_gain_pa,
        "creep_pa": seen.creep_pa,
        "hold_s": seen.hold_s,
        "head_l": 1e3 * tank.head_m3,
    }


def _seen(
    cause: str,
    run: tuple[Any, ...],
    twin: tuple[Any, ...],
    tank: Tank,
    test: BayTest,
    grain_pa: float,
    has_volts: bool,
    interval_s: float,
) -> marks.Seen:
    times, p, _, _, vent, phase = run[:6]
    hold = np.flatnonzero(phase == 3)
    hold2 = np.flatnonzero(twin[5] == 3)
    peak = -float(p[hold[0]]) if len(hold) else 0.0
    peak2 = -float(twin[1][hold2[0]]) if len(hold2) else 0.0
    half_life, held = test.hold_s, 0.0
    gain = own = own_late = fall = 0.0
    if len(hold) > 1 and len(hold2) > 1:
        held = float(times[hold[-1]] - times[hold[0]])
        gone = np.flatnonzero(p[hold] >= -0.5 * peak)
        half_life = float(times[hold[gone[0]]] - times[hold[0]]) if len(gone) else held
        own = float(twin[1][hold2[-1]] - twin[1][hold2[0]])
        own_late = float(twin[1][hold2[-1]] - twin[1][hold2[len(hold2) // 2]])
        gain = float(p[hold[-1]] - p[hold[0]]) - own
        later = hold[times[hold] - times[hold[0]] > 5.0]
        fall = float(p[later[0]] - p[later[-1]]) if len(later) else 0.0
    flow = own_late / (0.5 * max(held, 1.0)) * tank.head_m3 / tank.air_pa
    shut = p[vent > 0.5]
    release = np.flatnonzero(phase == 4)
    release_s, kept, at_release = 0.0, 1.0, 0.0
    if len(release):
        release_s = float(times[release[-1]] - times[release[0]])
        at_release = -float(p[release[0]])
        end = release[min(len(release) - 1, np.searchsorted(times[release], times[release[0]] + 6.0))]
        kept = -float(p[end]) / at_release if at_release > 0.0 else 0.0
    return marks.Seen(
        cause=cause,
        peak_pa=peak,
        twin_peak_pa=peak2,
        half_life_s=half_life,
        interval_s=interval_s,
        grain_pa=grain_pa,
        hold_s=held,
        leak_gain_pa=gain,
        own_gain_pa=max(own, 0.0),
        own_hole_mm=marks.effective_mm(max(flow, 0.0), max(0.8 * peak, 100.0)),
        hold_fall_pa=fall,
        creep_pa=float(np.ptp(shut)) if len(shut) else 0.0,
        release_s=release_s,
        kept_share=kept,
        release_pa=at_release,
        rest_s=test.rest_s,
        has_volts=has_volts,
    )
