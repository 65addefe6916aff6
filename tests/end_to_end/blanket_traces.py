"""A lake of draw-down and hold recordings by a thirteenth author, who had not read what measures them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end import blanket_marks as marks
from tests.end_to_end.blanket_bay import CAUSES, course_of, tank_of
from tests.end_to_end.blanket_fleet import Shop, Vehicle, models, shops, vehicles
from tests.end_to_end.blanket_holes import air_viscosity_pa_s, effective_mm, hole_flow_m3_s
from tests.end_to_end.blanket_recorder import reading_times, record
from tests.end_to_end.blanket_tank import CLOSED, DRAW, HOLD, PAUSE, RELEASE, R, Tank, run_tank
from tests.end_to_end.recording_frames import HEADER, Recording, samples_of

STEP_S, SOAK_S, MOST_S = 0.01, 120.0, 420.0
CODES_OF = {
    "round_hole": ["P0442", "P0456"],
    "small_hole": ["P0456"],
    "crack": ["P0442"],
    "cap_off": ["P0455", "P0457"],
    "vent_stuck_open": ["P0455", "P0446"],
    "purge_stuck_shut": ["P0441"],
    "purge_passes": ["P0496"],
    "vent_blocked": ["P0446"],
    "reading_frozen": ["P0451"],
    "reading_shifted": ["P0451"],
    "volts_stray": ["P0451"],
}


def blanket_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of `n` recordings; the same `key` gives the same lake."""
    rng = np.random.default_rng([13, key])
    bays = shops(rng)
    fleet = vehicles(models(rng), 9, rng)
    home = rng.integers(0, len(bays), len(fleet))
    weights = np.array(list(CAUSES.values()), float)
    samples, headers, truths = [], [], []
    owed: tuple[int, Shop, str] | None = None
    for k in range(n):
        trace_id = f"B{key}-{k:05d}"
        if owed is not None:
            who, shop, job = owed
            cause, stage, owed = "tight", "after_repair", None
        else:
            who = int(rng.integers(len(fleet)))
            at_home = rng.random() < 0.6
            shop = bays[home[who] if at_home else int(rng.integers(len(bays)))]
            cause = str(rng.choice(list(CAUSES), p=weights / weights.sum()))
            job, stage = f"J{trace_id}", "routine" if cause == "routine" else "before_repair"
            if stage == "before_repair" and cause != "tight" and rng.random() < 0.18:
                owed = (who, shop, job)
        if cause == "volts_stray" and not shop.has_volts:
            cause = "tight"
        recording, header, truth = _visit(trace_id, fleet[who], shop, cause, rng)
        samples.append(samples_of(trace_id, recording))
        headers.append(header | {"job_id": job, "stage": stage})
        truths.append(truth)
    return (
        pl.concat(samples),
        pl.DataFrame(headers, schema=HEADER),
        pl.DataFrame(truths, infer_schema_length=None),
    )


def _visit(
    trace_id: str, vehicle: Vehicle, shop: Shop, cause: str, rng: np.random.Generator
) -> tuple[Recording, dict[str, Any], dict[str, Any]]:
    """Simulate one visit to the bay; return what was recorded, its header and what is true."""
    tank, gauge_share = tank_of(vehicle, shop, cause, rng)
    course = course_of(vehicle.model, shop, cause, rng)
    if cause == "routine":
        course = course._replace(rest_s=float(rng.uniform(60.0, 180.0)))
    run = run_tank(tank, course, STEP_S, SOAK_S, MOST_S)
    times, _, sensed, duty, vent, phases = run[:6]
    most_s = float(times[-1])
    if cause == "routine":
        most_s = course.rest_s - 0.5
        duty, sensed = _driven(times, sensed, tank, rng)
    elif cause == "cut_short":
        most_s = _cut_s(times, phases, rng)
    at = reading_times(most_s, shop, rng)
    near = np.clip(np.searchsorted(times, at), 0, len(times) - 1)
    late = np.clip(np.searchsorted(times, at - shop.duty_late_s), 0, len(times) - 1)
    shift = tank.reading_shift_pa
    recording = record(at, sensed[near], duty[late], vent[late] < 0.5, vehicle, shop, cause, shift, rng)
    seen = _seen(cause, run, tank, max(vehicle.model.noise_pa, shop.step_pa), float(np.median(np.diff(at))))
    is_clipped = float(run[1].min()) < -vehicle.model.sensor_end_pa + 100.0
    codes = CODES_OF.get(cause, [])
    level = 100.0 * gauge_share + float(rng.normal(0.0, 1.0))
    header = {
        "trace_id": trace_id,
        "vehicle_id": vehicle.name,
        "recorded_at": datetime(2026, 2, 1, 8, tzinfo=UTC) + timedelta(hours=int(rng.integers(5000))),
        "fuel_level_pct": float(np.clip(np.round(level / 0.392) * 0.392, 0.0, 100.0))
        if shop.has_level
        else None,
        "ambient_c": float(np.round(tank.ambient_k - 273.15 + rng.normal(0.0, 1.0))),
        "barometric_kpa": float(np.round(tank.air_pa / 1000.0)) if shop.has_barometer else None,
        "fuel_tank_l": vehicle.model.nominal_l,
        "make": vehicle.model.make,
        "model": vehicle.model.name,
        "trouble_codes": [str(rng.choice(codes))] if codes and rng.random() < 0.6 else [],
        "checks": [],
    }
    return recording, header, _truth(trace_id, seen, tank, vehicle, shop, is_clipped)


def _driven(
    times: np.ndarray, sensed: np.ndarray, tank: Tank, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return duty and reading of a drive: purge as it pleases with the vent open, its drop over the bed at once."""
    steps = rng.uniform(0.0, 0.6, int(times[-1] / 6.0) + 2) * (rng.random(int(times[-1] / 6.0) + 2) < 0.7)
    duty = steps[(times / 6.0).astype(int)]
    q = duty * tank.purge_mol_s * R * tank.ambient_k / tank.air_pa
    return duty, sensed - tank.bed_r1 * q - tank.bed_r2 * q * q


def _cut_s(times: np.ndarray, phases: np.ndarray, rng: np.random.Generator) -> float:
    """Return when the recording was cut: while shut before the draw, in the draw, or within 2 s after it."""
    drawn = times[phases == DRAW]
    kind = rng.random()
    if kind < 0.35:
        return float(drawn[0] - rng.uniform(0.0, 1.5))
    if kind < 0.75:
        return float(rng.uniform(drawn[0] + 0.5, drawn[-1]))
    return float(drawn[-1] + rng.uniform(0.0, 2.0))


def _seen(
    cause: str, run: tuple[np.ndarray, ...], tank: Tank, grain_pa: float, spacing_s: float
) -> marks.Seen:
    """Return what the rules look at, from what the tank truly did."""
    times, gauge, _, _, _, phases, leaked, _ = run
    held = np.flatnonzero(phases == HOLD)
    shut = gauge[phases == CLOSED]
    if not len(held):
        held = np.array([len(times) - 2, len(times) - 1])
    start = -float(gauge[held[0]])
    half = np.flatnonzero(gauge[held] > -0.5 * start)
    by_leak = (
        (leaked[held[-1]] - leaked[held[0]])
        * R
        * tank.ambient_k
        / (tank.gas_m3 + tank.carbon_m3 + tank.air_pa * tank.give_m3_pa)
    )
    freed = np.flatnonzero((phases == RELEASE) & (times >= times[held[-1]] + 4.0))
    before = float(gauge[held[-1]])
    worked = (phases == DRAW) | (phases == PAUSE) | (phases == HOLD)
    return marks.Seen(
        cause="round_hole" if cause == "small_hole" else cause,
        diameter_mm=_diameter_mm(tank, start),
        peak_pa=-float(gauge[worked].min()) if worked.any() else 0.0,
        half_s=float(times[held[half[0]]] - times[held[0]]) if len(half) else 1e6,
        hold_s=float(times[held[-1]] - times[held[0]]),
        own_gain_pa=float(gauge[held[-1]] - gauge[held[0]]) - by_leak,
        leak_gain_pa=float(by_leak),
        shut_pull_pa=float(shut[0] - shut[-1]) if len(shut) else 0.0,
        hold_pull_pa=start * -1.0 - float(gauge[held].min()),
        kept_share=float(gauge[freed[0]] / before) if len(freed) and before < 0 else float("nan"),
        shift_pa=tank.reading_shift_pa,
        grain_pa=grain_pa,
        spacing_s=spacing_s,
    )


def _diameter_mm(tank: Tank, start_pa: float) -> float:
    """Return the effective diameter at half of the vacuum of the hold's begin."""
    drop = max(0.5 * start_pa, 1.0)
    rho, mu = tank.air_pa * 0.02897 / (R * tank.ambient_k), air_viscosity_pa_s(tank.ambient_k)
    flow = hole_flow_m3_s(drop, tank.hole_m, tank.hole_depth_m, tank.hole_discharge, rho, mu)
    return effective_mm(flow + tank.crack_m3_s * (drop / 1000.0) ** tank.crack_power, drop, rho, mu)


def _truth(
    trace_id: str, seen: marks.Seen, tank: Tank, vehicle: Vehicle, shop: Shop, is_clipped: bool
) -> dict[str, Any]:
    return {
        "trace_id": trace_id,
        "verdict": marks.VERDICT_OF[seen.cause],
        "cause": seen.cause,
        "shop": shop.name,
        "model": vehicle.model.name,
        "diameter_mm": seen.diameter_mm,
        "is_ambiguous": marks.is_ambiguous(seen),
        "is_sized": marks.is_sized(seen, shop.has_level, is_clipped),
        "peak_pa": seen.peak_pa,
        "half_s": seen.half_s,
        "hold_s": seen.hold_s,
        "own_gain_pa": seen.own_gain_pa,
        "leak_gain_pa": seen.leak_gain_pa,
        "hole_discharge": tank.hole_discharge,
        "hole_depth_mm": 1000.0 * tank.hole_depth_m,
        "true_volume_l": 1000.0 * tank.gas_m3 + vehicle.model.carbon_l,
        "extra_volume_l": 1000.0 * (tank.carbon_m3 + tank.late_carbon_m3 + tank.air_pa * tank.give_m3_pa)
        - vehicle.model.carbon_l,
    }
