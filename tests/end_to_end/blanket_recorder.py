"""What a shop's logger writes of what the tank did: late, rounded, uneven, with holes in it."""

from __future__ import annotations

import numpy as np

from tests.end_to_end.blanket_fleet import Shop, Vehicle
from tests.end_to_end.recording_frames import Recording


def reading_times(most_s: float, shop: Shop, rng: np.random.Generator) -> np.ndarray:
    """Return the times [s] at which the logger read: uneven, some lost, now and then a gap of a second or two."""
    n = int(most_s * shop.rate_hz)
    at = (np.arange(n) + shop.uneven * rng.uniform(-0.5, 0.5, n)) / shop.rate_hz
    keep = rng.random(n) >= shop.dropped
    if rng.random() < 0.08:
        gap = rng.uniform(0.0, most_s)
        keep &= ~((at > gap) & (at < gap + rng.uniform(1.0, 2.5)))
    at = np.clip(at[keep], 0.0, most_s)
    return np.unique(np.round(at / shop.time_step_s) * shop.time_step_s)


def record(
    at: np.ndarray,
    sensed_pa: np.ndarray,
    duty: np.ndarray,
    is_vent_shut: np.ndarray,
    vehicle: Vehicle,
    shop: Shop,
    cause: str,
    shift_pa: float,
    rng: np.random.Generator,
) -> Recording:
    """Return the columns; `sensed_pa`, `duty` (share) and `is_vent_shut` are what was true at the readings."""
    model, n = vehicle.model, len(at)
    drift = rng.normal(0.0, 8.0) * (1.0 - np.exp(-at / 90.0))
    wind = rng.uniform(0.0, 2.5) * np.sin(at * rng.uniform(0.2, 1.5) + rng.uniform(0.0, 6.0))
    shown = vehicle.gain * sensed_pa + vehicle.zero_pa + shift_pa + drift + wind
    shown = np.clip(shown + rng.normal(0.0, model.noise_pa, n), -model.sensor_end_pa, model.sensor_end_pa)
    if cause == "reading_frozen":
        shown = np.full(n, float(rng.choice([0.0, rng.uniform(-600.0, 600.0), -model.sensor_end_pa])))
    told = shown
    if cause == "volts_stray":
        kind = rng.random()
        told = shown * float(rng.uniform(0.35, 0.65)) if kind < 0.5 else np.full(n, shown[0])
    volts = model.rest_v + vehicle.volts_shift + model.v_per_kpa * told / 1000.0
    volts = np.clip(volts + rng.normal(0.0, 0.001, n), 0.0, 5.0)
    if cause == "reading_frozen":
        volts = np.full(n, volts[0])
    return Recording(
        t_s=at,
        tank_pressure_pa=np.round(shown / shop.step_pa) * shop.step_pa,
        sensor_v=np.round(volts / shop.volt_step) * shop.volt_step if shop.has_volts else np.full(n, np.nan),
        purge_duty_pct=np.round(100.0 * duty * 2.55) / 2.55,
        is_vent_closed=is_vent_shut,
        engine_rpm=np.round(rng.normal(740.0, 15.0, n)) if shop.has_rpm else np.full(n, np.nan),
    )
