"""What a shop's recorder makes of a course: jitter, lost samples, stale commands, noise, drift, steps, faults."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.end_to_end.plastic_fleet import Vehicle
from tests.end_to_end.plastic_gas import DRAW, ROW_S
from tests.end_to_end.plastic_plans import Facts
from tests.end_to_end.recording_frames import Recording

Array = np.ndarray
LOW_V, HIGH_V = 0.05, 4.95
TEN_BIT_V = 5 / 1023
INCH_PA = 249.08891


@dataclass
class Written:
    """What was written down, the true phase of each sample, and what the recorder did."""

    recording: Recording
    phase: Array
    rate_hz: float
    noise_pa: float
    step_pa: float
    clipped: float
    has_clock_jump: bool
    shift_v: float | None


def record(rows: Array, plan: Any, facts: Facts, vehicle: Vehicle, rng: np.random.Generator) -> Written:
    """Write down a course; `rows` as plastic_gas.simulate returns them. Names in `facts` how a sensor is at fault."""
    model, shop = vehicle.model, vehicle.shop
    t, rate_hz = _times(rows, facts, vehicle, rng)
    felt = np.interp(t, np.arange(len(rows)) * ROW_S, rows[:, 0])
    at = ((t - rng.uniform(0, 1, len(t)) * shop.stale / max(rate_hz, 1e-3)) / ROW_S).astype(int)
    commands = rows[np.clip(at, 0, len(rows) - 1)]
    phase = rows[np.clip((t / ROW_S).astype(int), 0, len(rows) - 1), 3]
    drift = rng.choice([0, 1], p=[0.6, 0.4]) * rng.normal(0, 0.12)
    noise_pa = shop.noise_pa * np.exp(rng.normal(0, 0.25))
    sensed = plan["sensor_gain"] * felt + plan["offset_pa"] + drift * t + rng.normal(0, noise_pa, len(t))
    sensed += plan["slosh_pa"] * np.sin(2 * np.pi * plan["slosh_hz"] * t + rng.uniform(0, 6)) * 0.6
    if facts.verdict == "sensor_flat":
        sensed = _flat(len(t), facts, vehicle, rng)
    volts = np.clip(model.rest_v + model.v_pa * sensed, LOW_V, HIGH_V)
    if shop.is_ten_bit:
        volts = np.round(volts / TEN_BIT_V) * TEN_BIT_V
    pressure = (volts - model.rest_v) / model.v_pa
    if model.clip_pa is not None:
        pressure = np.clip(pressure, -model.clip_pa, model.clip_pa)
    shift_v = None
    if facts.verdict == "sensor_disagrees":
        volts, pressure, shift_v = _disagreeing(sensed, volts, pressure, facts, vehicle, rng)
    pressure = np.round(pressure / shop.step_pa) * shop.step_pa
    times, has_jump = _clock(t, rng)
    rpm = np.round((700 + rng.normal(0, 12, len(t))) / 10) * 10
    return Written(
        _as_shop_writes(vehicle, times, pressure, volts, commands, rpm),
        phase,
        rate_hz,
        noise_pa,
        max(shop.step_pa, abs(TEN_BIT_V / model.v_pa) if shop.is_ten_bit else 0),
        0.0 if model.clip_pa is None else float(np.mean(np.abs(pressure - np.min(pressure)) < 0.5)),
        has_jump,
        shift_v,
    )


def _times(rows: Array, facts: Facts, vehicle: Vehicle, rng: np.random.Generator) -> tuple[Array, float]:
    """Return the true times of the samples that were kept [s], and how many were wanted per second."""
    shop, end_s = vehicle.shop, len(rows) * ROW_S
    if facts.why == "cut_before_hold":
        draw = np.flatnonzero(rows[:, 3] == DRAW)
        end_s = (draw[0] + int(len(draw) * rng.uniform(0.2, 1.0)) if len(draw) else len(rows)) * ROW_S
    rate_hz = shop.rate_hz * (rng.uniform(0.89, 1.11) if shop.rate_hz < 1 else rng.uniform(0.93, 1.05))
    t = np.arange(rng.uniform(0, 0.6), end_s, 1 / rate_hz)
    t = np.sort(t + rng.normal(0, shop.jitter / rate_hz * 0.5, len(t)))
    t = t[t >= 0]
    keep = rng.random(len(t)) > shop.dropped
    if rng.random() < 0.12 and len(t) > 40:
        first = int(rng.integers(5, len(t) - 5))
        keep[first : first + int(rng.uniform(0.5, 4) * rate_hz) + 1] = False
    return t[keep], rate_hz


def _flat(n: int, facts: Facts, vehicle: Vehicle, rng: np.random.Generator) -> Array:
    model, r = vehicle.model, rng.random()
    if r < 0.35:
        value, facts.why = (rng.choice([LOW_V, HIGH_V]) - model.rest_v) / model.v_pa, "rail"
    elif r < 0.75:
        value, facts.why = rng.choice([-1, 1]) * rng.uniform(300, 1500), "frozen_off_zero"
    else:
        value, facts.why = rng.uniform(-60, 60), "frozen_near_zero"
    return np.full(n, value) + (rng.normal(0, 1.0, n) if rng.random() < 0.3 else 0)


def _disagreeing(
    sensed: Array, volts: Array, pressure: Array, facts: Facts, vehicle: Vehicle, rng: np.random.Generator
) -> tuple[Array, Array, float | None]:
    """Return volts and pressure that tell different stories, and by how much volts were shifted, if so."""
    model, n, r = vehicle.model, len(sensed), rng.random()
    if r < 0.3:
        facts.why = "volts_stuck"
        stuck = rng.choice([LOW_V, HIGH_V, rng.uniform(0.5, 4)])
        return np.full(n, stuck) + rng.normal(0, 0.002, n), pressure, None
    if r < 0.55:
        facts.why = "volts_gain"
        slope = model.v_pa * rng.choice([rng.uniform(0.25, 0.6), rng.uniform(1.6, 2.2), -1])
        return np.clip(model.rest_v + slope * sensed + rng.normal(0, 0.003, n), LOW_V, HIGH_V), pressure, None
    if r < 0.8:
        facts.why, step_pa = "pressure_substituted", vehicle.shop.step_pa
        return volts, np.full(n, np.round(rng.uniform(-30, 30) / step_pa) * step_pa), None
    facts.why, shift = "volts_shifted", float(rng.choice([-1, 1]) * rng.uniform(0.3, 1.2))
    return np.clip(volts + shift, LOW_V, HIGH_V), pressure, shift


def _clock(t: Array, rng: np.random.Generator) -> tuple[Array, bool]:
    """Return the times as the recorder has them [s], and whether its clock leaped."""
    written, leaps = t.copy(), bool(rng.random() < 0.012) and len(t) > 60
    if leaps:
        first = int(rng.integers(20, len(t) - 10))
        written[first:] += rng.uniform(3, 40)
    return np.round(written, 2), leaps


def _as_shop_writes(
    vehicle: Vehicle, t: Array, pressure: Array, volts: Array, commands: Array, rpm: Array
) -> Recording:
    """Round as the shop's export does: hundredths of an inch of water, or the bytes of diagnostic answers."""
    shop, duty, is_shut = vehicle.shop, np.round(commands[:, 1] * 100), commands[:, 2] > 0.5
    volts = np.full(len(t), np.nan) if shop.volt_decimals is None else np.round(volts, shop.volt_decimals)
    if shop.name == "quayside":
        pressure = np.round(pressure / INCH_PA, 2) * INCH_PA
    if shop.name == "pine_fork":
        pressure = np.clip(np.round(pressure * 4), -32768, 32767) / 4
        duty = np.clip(np.round(duty * 2.55), 0, 255) / 2.55
        rpm = np.full(len(t), np.nan)
    # The door refuses a sample whose time is not later than all before it.
    keep = t > np.r_[-np.inf, np.maximum.accumulate(t)[:-1]]
    return Recording(t[keep], pressure[keep], volts[keep], duty[keep], is_shut[keep], rpm[keep])
