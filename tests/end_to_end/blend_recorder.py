"""What sensor and logger make of the true course: lag, offset, gain, noise, steps, ends, gaps, jumps of the clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.end_to_end.blend_fleet import Fleet
from tests.end_to_end.blend_tank import KEEP_EVERY, STEP_S, Course
from tests.end_to_end.recording_frames import Recording

TICK_S = STEP_S * KEEP_EVERY


@dataclass
class Sensors:
    """One element per recording: what is wrong or small about its sensor and its logger."""

    offset_pa: np.ndarray
    gain: np.ndarray
    noise_pa: np.ndarray
    volts_gain: np.ndarray
    has_volts: np.ndarray


def sensors_of(fleet: Fleet, rng: np.random.Generator) -> Sensors:
    n = len(fleet.kind)
    far = rng.choice([-1, 1], n) * rng.uniform(350, 1000, n)
    is_torn = fleet.fault == "disagrees"
    return Sensors(
        offset_pa=np.where(fleet.fault == "offset", far, rng.normal(0, 25, n)),
        gain=rng.normal(1, 0.01, n),
        noise_pa=np.clip(rng.lognormal(np.log(4), 0.7, n), 0.5, 25),
        volts_gain=np.where(
            is_torn,
            rng.choice([0.0, 1.0], n, p=[0.3, 0.7]) * rng.uniform(0.25, 0.65, n),
            rng.normal(1, 0.01, n),
        ),
        has_volts=fleet.shops.has_volts[fleet.shop],
    )


def n_ticks(course: Course, fleet: Fleet, i: int) -> int:
    """Return how many kept steps belong to recording `i`."""
    used = np.flatnonzero(fleet.orders.seconds[i] > 0)[-1] + 1
    return int(np.searchsorted(course.segment[:, i], used))


def record(course: Course, fleet: Fleet, sensors: Sensors, i: int, rng: np.random.Generator) -> Recording:
    """Return recording `i` as its logger wrote it."""
    models, shops, m, s = fleet.models, fleet.shops, fleet.model[i], fleet.shop[i]
    end = n_ticks(course, fleet, i)
    true = course.gauge_pa[:end, i].astype(float)
    part = 1 - np.exp(-TICK_S / models.lag_s[m])
    felt = lfilter([part], [1, part - 1], true, zi=[true[0] * (1 - part)])[0]
    at = np.arange(end) * TICK_S
    felt = felt + rng.uniform(0, 3) * np.sin(2 * np.pi * rng.uniform(0.5, 3) * at + rng.uniform(0, 6))
    if rng.random() < 0.06:  # Somebody leans on the car: the fuel sloshes and dies away.
        when = at - rng.uniform(0, at[-1])
        swing = rng.uniform(10, 60) * np.exp(-np.maximum(when, 0) / 2.5)
        felt = felt + np.where(when > 0, swing * np.sin(2 * np.pi * 0.9 * when), 0)
    felt = sensors.gain[i] * felt + sensors.offset_pa[i]
    # When the logger looks.
    rate = shops.rate_hz[s]
    looks = np.arange(rng.uniform(0, 1 / rate), at[-1], 1 / rate)
    looks = looks + rng.uniform(-0.5, 0.5, len(looks)) * (0.5 if shops.is_ragged[s] else 0.05) / rate
    if shops.is_ragged[s]:
        looks = looks[rng.random(len(looks)) > 0.04]
    if rng.random() < 0.04:
        gap = rng.uniform(0.1, 0.9) * at[-1]
        looks = looks[(looks < gap) | (looks > gap + rng.uniform(1, 4))]
    looks = np.clip(looks, 0, at[-1])
    index = (looks / TICK_S).astype(int)
    read = np.interp(looks, at, felt) + sensors.noise_pa[i] * rng.normal(size=len(looks))
    low, high, step = models.sensor_low_pa[m], models.sensor_high_pa[m], shops.step_pa[s]
    if fleet.fault[i] == "flat":
        read = np.full(len(looks), rng.choice([read[0], low, high], p=[0.7, 0.2, 0.1]))
    shown = np.round(np.clip(read, low, high) / step) * step
    # Volts: the sensor's own line, read by a ten-bit converter of 5 V.
    slope = models.pa_per_volt[m]
    volts = models.volts_at_rest[m] + sensors.volts_gain[i] * np.clip(read, low, high) / slope
    volts = (
        np.round((volts + 0.001 * rng.normal(size=len(looks)) * (fleet.fault[i] != "flat")) * 1023 / 5)
        * 5
        / 1023
    )
    late = np.maximum(index - int(rng.uniform(0, 0.15) / TICK_S), 0)
    segment = np.minimum(course.segment[late, i], fleet.orders.seconds.shape[1] - 1)
    told = looks - looks[0]
    if rng.random() < 0.03:
        told = told + np.where(
            np.arange(len(told)) > rng.integers(len(told)), rng.choice([-2.0, 7.0, 45.0]), 0.0
        )
    is_running = fleet.kind[i] not in ("fill", "steady")
    rpm = np.round(rng.normal(720, 12, len(looks))) if is_running else np.zeros(len(looks))
    return Recording(
        told.round(3),
        shown,
        np.clip(volts, 0, 5) if sensors.has_volts[i] else np.full(len(looks), np.nan),
        np.round(fleet.orders.duty[i, segment] * 2.55) / 2.55,
        fleet.orders.is_vent_closed[i, segment],
        rpm if rng.random() < 0.85 else np.full(len(looks), np.nan),
    )
