"""What a shop's recorder writes down of a course: sensor, converter, losses, gaps, clocks that jump."""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter

from tests.end_to_end.recording_frames import Recording
from tests.end_to_end.saddle_course import DUTY_PCT, GAUGE_PA, IS_SHUT, ROW_S, T_S
from tests.end_to_end.saddle_fleet import Model, Shop, Vehicle
from tests.end_to_end.saddle_plan import DRIVE
from tests.end_to_end.saddle_plans import Case

#: The sensor's electronics reach from here to there.
LEAST_V, MOST_V = 0.1, 4.9


def noise_pa(model: Model, shop: Shop, wind_pa: float) -> float:
    """Return the standard deviation [Pa] of one sample: sensor, converter, rounding, wind."""
    step = 5 / 2**model.bits / abs(model.volts_per_kpa) * 1000
    return math.sqrt(model.noise_pa**2 + (step**2 + shop.round_pa**2) / 12 + wind_pa**2)


def reach_pa(model: Model) -> tuple[float, float]:
    """Return the lowest and highest pressure [Pa] that a model's sensor can tell."""
    ends = [(volts - model.volts_at_rest) / model.volts_per_kpa * 1000 for volts in (LEAST_V, MOST_V)]
    return min(ends), max(ends)


def record(
    course: np.ndarray, case: Case, vehicle: Vehicle, shop: Shop, rng: np.random.Generator
) -> tuple[Recording, np.ndarray]:
    """Return the recording and the true times [s] of its samples."""
    true_s = _times(course[-1, T_S], shop, rng)
    sensed = _lagged(course[:, GAUGE_PA], vehicle.model.lag_s)
    pressure = np.interp(true_s, course[:, T_S], sensed)
    seen = np.clip(((true_s - shop.late_s * rng.random(len(true_s))) / ROW_S).astype(int), 0, len(course) - 1)
    told_pa, volts = _told(pressure, true_s, case, vehicle, shop, rng)
    return (
        Recording(
            t_s=_clock(true_s, shop, rng),
            tank_pressure_pa=told_pa,
            sensor_v=volts if shop.has_volts else np.full(len(true_s), np.nan),
            purge_duty_pct=np.round(course[seen, DUTY_PCT] / 0.392157) * 0.392157,
            is_vent_closed=course[seen, IS_SHUT] > 0.5,
            engine_rpm=_rpm(true_s, case, shop, rng),
        ),
        true_s,
    )


def _times(end_s: float, shop: Shop, rng: np.random.Generator) -> np.ndarray:
    n = int(end_s * shop.hz) + 1
    times = np.arange(n) / shop.hz + rng.uniform(0, 1 / shop.hz)
    times = times + shop.uneven / shop.hz * rng.uniform(-0.5, 0.5, n)
    keep = rng.random(n) >= shop.lost
    if rng.random() < 0.03:
        start = rng.uniform(0, end_s)
        keep &= (times < start) | (times > start + rng.uniform(1.5, 20))
    return np.asarray(times[keep & (times >= 0) & (times <= end_s)])


def _lagged(pressure: np.ndarray, lag_s: float) -> np.ndarray:
    """Return the pressure behind a first-order lag."""
    share = 1 - math.exp(-ROW_S / lag_s)
    return np.asarray(lfilter([share], [1, share - 1], pressure - pressure[0]) + pressure[0])


def _told(
    pressure: np.ndarray,
    true_s: np.ndarray,
    case: Case,
    vehicle: Vehicle,
    shop: Shop,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Return pressure [Pa] and volts as written down."""
    model, wrong = vehicle.model, case.wrong
    n = len(true_s)
    drift = rng.normal(0, 0.03) * true_s
    felt = vehicle.sense_gain * pressure + vehicle.sense_offset_pa + wrong.offset_pa + drift
    noise = model.noise_pa * rng.standard_normal(n)
    if case.plan["mode"] == DRIVE:
        noise += 25 * np.sin(2 * math.pi * rng.uniform(0.5, 1.2) * true_s + rng.uniform(0, 6)) * rng.random(n)
    if wrong.stuck_pa is not None:
        felt = np.full(n, wrong.stuck_pa)
        noise *= rng.choice([0.0, 0.3])
    step = 5 / 2**model.bits
    volts = model.volts_at_rest + model.volts_per_kpa / 1000 * (felt + noise)
    volts = np.clip(np.round(volts / step) * step, LEAST_V, MOST_V)
    told = (volts - model.volts_at_rest) / model.volts_per_kpa * 1000 * wrong.told_gain
    if wrong.volts_stuck:
        volts = np.full(n, volts[0])
    return np.round(told / shop.round_pa) * shop.round_pa, np.round(volts, 3)


def _clock(true_s: np.ndarray, shop: Shop, rng: np.random.Generator) -> np.ndarray:
    shown = true_s + rng.choice([0.0, 0.0, rng.uniform(0, 4000)])
    if rng.random() < 0.015 and len(shown) > 20:
        shown = shown.copy()
        shown[int(rng.integers(10, len(shown) - 5)) :] += rng.choice([-1, 1, 1]) * rng.uniform(2, 40)
    return np.asarray(np.round(shown / shop.clock_s) * shop.clock_s)


def _rpm(true_s: np.ndarray, case: Case, shop: Shop, rng: np.random.Generator) -> np.ndarray:
    n = len(true_s)
    if not shop.has_rpm:
        return np.full(n, np.nan)
    if case.plan["mode"] == DRIVE:
        speeds = rng.uniform(900, 3000, max(2, int(true_s[-1] / 8) + 2))
        return np.asarray(np.round(np.interp(true_s, np.arange(len(speeds)) * 8.0, speeds)))
    idle = rng.uniform(620, 850)
    return np.asarray(np.round((idle + 12 * rng.standard_normal(n)) / 0.25) * 0.25)
