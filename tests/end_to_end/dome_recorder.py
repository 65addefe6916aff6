"""What a shop's logger makes of a run: its own clock, steps, noise and losses, and sensors with faults of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.dome_fleet import Shop, Vehicle
from tests.end_to_end.dome_tank import FILL, FLOW, ROUTINE, STD_L_MIN
from tests.end_to_end.recording_frames import Recording

Rng = np.random.Generator


@dataclass(frozen=True)
class Reader:
    """The pressure sensor that is read: the vehicle's own, or the gauge of a filling kit without volts."""

    low_pa: float
    high_pa: float
    gain: float
    offset_pa: float
    volts_at_rest: float
    pa_per_volt: float
    has_volts: bool


def reader_of(rng: Rng, car: Vehicle, shop: Shop, kind: int) -> Reader:
    model = car.model
    if kind in (FILL, FLOW) and model.high_pa < 3900:
        return Reader(-6e3, 6e3, rng.normal(1.0, 0.003), rng.normal(0.0, 6.0), 0.0, 1.0, False)
    volts = model.volts_at_rest + car.rest_v
    return Reader(
        *(model.low_pa, model.high_pa, car.gain, car.offset_pa, volts, model.pa_per_volt, shop.has_volts)
    )


def clock_of(rng: Rng, shop: Shop, last_s: float) -> np.ndarray:
    """Return when the logger reads [s]: uneven, with readings lost singly and now and then for a second or two."""
    dt = 1.0 / shop.rate_hz
    n = int(last_s / dt)
    t = np.arange(n) * dt + rng.uniform(0.0, dt) + shop.jitter * dt * rng.uniform(-0.5, 0.5, n)
    keep = rng.random(n) >= shop.drop
    if rng.random() < 0.05:
        start = rng.uniform(0.0, last_s)
        keep &= (t < start) | (t > start + rng.uniform(0.5, 2.5))
    return np.sort(np.clip(t[keep], 0.0, last_s))


def record(
    rng: Rng, lines: np.ndarray, car: Vehicle, shop: Shop, cause: str, kind: int
) -> tuple[Recording, np.ndarray]:
    """Return the recording and the flow meter's readings [l/min at 20 °C], empty where none was used."""
    reader = reader_of(rng, car, shop, kind)
    t = clock_of(rng, shop, float(lines[-1, 0]))
    n = len(t)
    at = np.clip(np.searchsorted(lines[:, 0], t - shop.late_s * rng.random(), side="right") - 1, 0, None)
    knots = np.arange(0.0, t[-1] + 6.0, 3.0)
    gust = np.interp(t, knots, rng.normal(0.0, 1.2, len(knots)))
    seen = np.interp(t, lines[:, 0], lines[:, 2])
    raw = reader.gain * (seen + gust) + reader.offset_pa + rng.uniform(-0.03, 0.03) * t
    if cause == "sensor_offset":
        raw = raw + rng.choice([-1.0, 1.0]) * rng.uniform(400.0, 850.0)
    if cause == "sensor_flat":
        raw = np.full(n, rng.choice([reader.offset_pa, reader.low_pa, rng.uniform(-900.0, 900.0)]))
    raw = np.clip(raw, reader.low_pa, reader.high_pa)
    noise = 0.0 if cause == "sensor_flat" else rng.normal(0.0, shop.noise_pa, n)
    pressure = np.round(np.clip(raw + noise, reader.low_pa, reader.high_pa) / shop.step_pa) * shop.step_pa
    volts = np.full(n, np.nan)
    if reader.has_volts:
        told, rest = raw, reader.volts_at_rest
        if cause == "sensor_disagrees":
            way = int(rng.integers(0, 3))
            told = told * (0.02, float(rng.choice([0.5, 1.6])), 1.0)[way]
            rest += (0.0, 0.0, float(rng.choice([-1.0, 1.0]) * rng.uniform(0.4, 0.9)))[way]
        volts = rest + told / reader.pa_per_volt + rng.normal(0.0, 0.003, n)
        volts = np.round(np.clip(volts, 0.15, 4.85) / shop.volt_step) * shop.volt_step
    rpm = np.full(n, np.nan)
    if shop.has_rpm:
        idle = rng.uniform(640.0, 850.0) if kind not in (FILL, FLOW) else 0.0
        pace = 1.0 if kind != ROUTINE else 1.0 + 1.5 * np.abs(np.sin(t / 15.0))
        rpm = np.round((idle * pace + rng.normal(0.0, 8.0, n)) / 0.25) * 0.25 if idle else np.zeros(n)
    flow = np.empty(0)
    if kind == FLOW:
        fed = np.interp(t - 0.5, lines[:, 0], lines[:, 5]) / STD_L_MIN
        flow = fed * (1.0 + rng.normal(0.0, 0.006) + rng.normal(0.0, 0.003, n)) + rng.normal(0.0, 0.004, n)
        flow = np.maximum(0.0, np.round(flow / 0.01) * 0.01)
    recording = Recording(
        t_s=np.round(t, shop.clock_digits),
        tank_pressure_pa=pressure,
        sensor_v=volts,
        purge_duty_pct=np.round(100.0 * lines[at, 3] / 0.4) * 0.4,
        is_vent_closed=lines[at, 4] > 0.5,
        engine_rpm=rpm,
    )
    return recording, flow
