"""What the shop's recorder writes of a course: the low point of the sensor's hose, its faults, the logger's habits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.recording_frames import Recording
from tests.end_to_end.sag_fleet import MODELS, Fleet
from tests.end_to_end.sag_tank import OVER, REST, Course


@dataclass
class Written:
    recording: Recording
    noise_pa: float
    step_pa: float
    jumps: bool
    share_clipped: float


@dataclass
class Logger:
    """Habits of one shop's recorder."""

    every_s: float
    jitter: float
    step_pa: float
    noise_pa: float
    late_s: float
    has_volts: bool
    has_rpm: bool
    lost: float


def loggers(key: int) -> list[Logger]:
    """Draw the recorders of 24 shops."""
    rng = np.random.default_rng([18, key])
    made = []
    for _ in range(24):
        made.append(
            Logger(
                every_s=float(rng.choice([0.1, 0.2, 0.25, 0.5, 1.0])),
                jitter=float(rng.choice([0.0, 0.02, 0.2])),
                step_pa=float(rng.choice([0.25, 1.0, 6.0, 12.0, 25.0], p=[0.25, 0.25, 0.2, 0.2, 0.1])),
                noise_pa=float(np.exp(rng.uniform(np.log(1.5), np.log(14)))),
                late_s=float(rng.uniform(0, 0.25)),
                has_volts=bool(rng.random() < 0.8),
                has_rpm=bool(rng.random() < 0.85),
                lost=float(rng.choice([0.0, 0.005, 0.03])),
            )
        )
    return made


def across_low_point(tank_pa: np.ndarray, head_pa: float) -> np.ndarray:
    """Return the pressure at the end of a hose whose low point holds liquid: it follows once the head is overcome."""
    if head_pa <= 0:
        return tank_pa
    behind, now = np.empty_like(tank_pa), 0.0
    for k, pressure in enumerate(tank_pa):
        now = min(max(now, pressure - head_pa), pressure + head_pa)
        behind[k] = now
    return behind


def lagged(pressure: np.ndarray, every_s: float, lag_s: float) -> np.ndarray:
    """Return the answer of a sensor of first order [Pa]."""
    weight, now, out = 1 - np.exp(-every_s / lag_s), float(pressure[0]), np.empty_like(pressure)
    for k, value in enumerate(pressure):
        now += weight * (value - now)
        out[k] = now
    return out


def write(fleet: Fleet, course: Course, i: int, logger: Logger, rng: np.random.Generator) -> Written:
    """Write recording i as its shop's recorder does."""
    lasts = course.phase[:, i] < OVER
    t, phase = course.t_s[lasts], course.phase[lasts, i]
    is_driving, is_fed = fleet.kind[i] == "routine", fleet.tanks.feed_mol_s[i] > 0
    true_pa = across_low_point(course.gauge_pa[lasts, i].astype(float), float(fleet.sag_pa[i]))
    seen = lagged(true_pa, 0.1, rng.uniform(0.05, 0.35)) * (1 + rng.normal(0, 0.006))
    times = _times(float(t[-1]), logger, rng)
    pressure = np.interp(times - logger.late_s, t, seen) + fleet.tanks.seen_offset_pa[i]
    if is_driving:
        pressure = pressure + rng.normal(0, 12, len(times))
    pressure = pressure + rng.normal(0, logger.noise_pa, len(times))
    if fleet.fault[i] == "sensor_flat":
        pressure = np.full(len(times), rng.choice([0.0, -30.0, -600.0, 900.0])) + rng.normal(
            0, 0.4, len(times)
        )
    *_, rest_v, pa_per_volt, _line = MODELS[fleet.model[i]]
    ends = sorted(((0.1 - rest_v) * pa_per_volt, (4.9 - rest_v) * pa_per_volt))
    ends = [-4100.0, 4100.0] if is_fed else ends
    clipped = np.clip(pressure, *ends)
    step = logger.step_pa if not is_fed else 2.5
    recorded = np.round(clipped / step) * step
    at = np.minimum(np.searchsorted(t, times, side="right") - 1, len(t) - 1)
    duty = np.round(course.duty[lasts, i][at] * 255) / 255 * 100
    is_vent_closed = (phase[at] != REST) & (phase[at] < 6) & (not is_driving)
    stamps, jumps = _jump(times, rng)
    shown_volts = _volts(clipped, rest_v, pa_per_volt, str(fleet.fault[i]), rng)
    has_volts = (logger.has_volts or fleet.fault[i] == "sensor_disagrees") and not is_fed
    rpm = rng.normal(0, 15, len(times)) + (1500 + 900 * np.sin(times / 9) if is_driving else 720)
    rpm = np.zeros(len(times)) if is_fed else np.maximum(rpm, 500)
    recording = Recording(
        stamps,
        recorded,
        shown_volts if has_volts else np.full(len(times), np.nan),
        duty,
        is_vent_closed,
        rpm if logger.has_rpm else np.full(len(times), np.nan),
    )
    share = float(np.mean(pressure != clipped))
    return Written(recording, logger.noise_pa, step, jumps, share)


def _volts(
    pressure: np.ndarray, rest_v: float, pa_per_volt: float, fault: str, rng: np.random.Generator
) -> np.ndarray:
    """Return the sensor's line at 10 mV steps; where volts and pressure disagree, a corroded pin takes a part of it."""
    volts = rest_v + rng.normal(0, 0.01) + pressure / pa_per_volt
    if fault == "sensor_disagrees":
        volts = rest_v + rng.choice([0.15, 0.35, 0.5]) * pressure / pa_per_volt
        volts = volts - rng.choice([0.0, 0.6])
    return np.clip(np.round(volts + rng.normal(0, 0.004, len(volts)), 2), 0.05, 4.95)


def _times(last_s: float, logger: Logger, rng: np.random.Generator) -> np.ndarray:
    """Return when samples were taken [s]: some lost, in one of 25 recordings seconds of them."""
    steps = logger.every_s * (1 + logger.jitter * rng.uniform(-1, 1, int(last_s / logger.every_s) + 1))
    times = np.cumsum(steps) - steps[0]
    keep = rng.random(len(times)) >= logger.lost
    if rng.random() < 0.04:
        gap = rng.uniform(0, last_s)
        keep &= ~((times > gap) & (times < gap + rng.uniform(1, 6)))
    return times[keep & (times <= last_s)]


def _jump(times: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, bool]:
    """Set the clock forward or back somewhere, in one of 40 recordings."""
    if rng.random() >= 0.025 or len(times) < 20:
        return times, False
    at = rng.integers(5, len(times) - 5)
    by = rng.choice([-3600.0, -30.0, 40.0, 3600.0])
    return np.where(np.arange(len(times)) >= at, times + by, times), True
