"""What sensor and tester make of a course: late, noisy, stepped, clipped, with gaps, spikes and a clock that errs."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from tests.end_to_end.recording_frames import Recording
from tests.end_to_end.rich_gas import STEP_S, Array, Plan
from tests.end_to_end.rich_plans import CLIPS, log_uniform
from tests.end_to_end.rich_procedure import Course


def add_recorder(plan: Plan, models: dict[str, np.ndarray], rng: np.random.Generator) -> None:
    """Choose sensor and tester of every recording."""
    m, n = plan["model"], len(plan["verdict"])
    plan["clip_low_pa"], plan["clip_high_pa"] = CLIPS[models["clip"][m]].T
    plan["step_pa"], plan["noise_pa"] = models["step_pa"][m], log_uniform(rng, 1, 15, n)
    plan["lag_s"], plan["rate_hz"] = log_uniform(rng, 0.05, 0.5, n), log_uniform(rng, 1, 20, n)
    plan["is_jittered"], plan["drop"] = rng.random(n) < 0.4, np.where(rng.random(n) < 0.2, 0.04, 0.0)
    plan["spike_share"] = np.where(rng.random(n) < 0.08, 0.004, 0.0)
    plan["has_gap"], plan["has_rpm"] = rng.random(n) < 0.05, rng.random(n) < 0.7
    plan["clock"] = rng.choice(["runs", "forward", "stands", "back"], n, p=[0.92, 0.04, 0.02, 0.02]).astype(
        object
    )
    plan["has_volts"] = (rng.random(n) < 0.5) | (plan["verdict"] == "sensor_disagrees")
    plan["has_rpm"] |= plan["verdict"] == "purge_passes_closed"
    is_absolute = models["is_absolute"][m] & (plan["verdict"] != "sensor_disagrees")
    rounded = np.round(plan["ambient_pa"] / 1000) * 1000
    plan["false_offset_pa"] = np.where(is_absolute, plan["ambient_pa"] - rounded, 0.0)


def record(
    course: Course, plan: Plan, models: dict[str, np.ndarray], i: int, rng: np.random.Generator
) -> Recording:
    """Return what the tester wrote of recording `i`."""
    duration = len(course.pressure_pa) * STEP_S
    t = _sample_times(duration, plan, i, rng)
    at = np.minimum((t / STEP_S).astype(int), len(course.pressure_pa) - 1)
    felt = _felt(course, plan, i, rng)[at] + rng.normal(0, plan["noise_pa"][i], len(t))
    if np.isfinite(plan["stuck_pa"][i]):
        felt = np.full(len(t), plan["stuck_pa"][i])
    felt = np.clip(felt, plan["clip_low_pa"][i], plan["clip_high_pa"][i])
    pressure = np.round(felt / plan["step_pa"][i]) * plan["step_pa"][i] + np.round(plan["false_offset_pa"][i])
    spikes = rng.random(len(t)) < plan["spike_share"][i]
    pressure = np.where(spikes, pressure + rng.normal(0, 500, len(t)), pressure)
    volts = _volts(felt, plan, models, i, t, rng) if plan["has_volts"][i] else np.full(len(t), np.nan)
    rpm = np.round(rng.normal(760, 12, len(t))) if plan["has_rpm"][i] else np.full(len(t), np.nan)
    written = _clock(t, plan["clock"][i], rng)
    # The door refuses a sample whose time is not later than all before it.
    keep = written > np.r_[-np.inf, np.maximum.accumulate(written)[:-1]]
    return Recording(
        written[keep],
        pressure[keep],
        volts[keep],
        course.duty_pct[at][keep],
        course.is_vent_closed[at][keep],
        rpm[keep],
    )


def _felt(course: Course, plan: Plan, i: int, rng: np.random.Generator) -> Array:
    """Return pressure with slosh (about 0.7 s correlated), seen through a first-order lag, plus the sensor's offset."""
    share = STEP_S / 0.7
    slosh = lfilter(
        [1.0], [1.0, share - 1.0], rng.normal(0, plan["slosh_pa"][i] * np.sqrt(2 * share), len(course.phase))
    )
    a = STEP_S / max(plan["lag_s"][i], STEP_S)
    felt = course.pressure_pa + slosh
    late, _ = lfilter([a], [1.0, a - 1.0], felt, zi=[felt[0] * (1 - a)])
    return late + plan["offset_pa"][i]


def _sample_times(duration: float, plan: Plan, i: int, rng: np.random.Generator) -> Array:
    period = 1.0 / plan["rate_hz"][i]
    t = np.arange(0.0, duration, period)
    if plan["is_jittered"][i]:
        t = np.maximum(t + rng.uniform(0, 0.4 * period, len(t)), 0.0)
    keep = rng.random(len(t)) >= plan["drop"][i]
    if plan["has_gap"][i]:
        start = rng.uniform(0.1, 0.8) * duration
        keep &= ~((t > start) & (t < start + rng.uniform(2, 6)))
    keep[0] = True
    return t[keep]


def _clock(t: Array, story: str, rng: np.random.Generator) -> Array:
    """Return written times [s, ms]: the clock runs, jumps forward, stands still for a while, or steps back."""
    at = rng.uniform(0.1, 0.9) * t[-1]
    later = t > at
    if story == "forward":
        t = t + later * rng.uniform(2, 8)
    if story == "back":
        t = t - later * rng.uniform(0.2, 1.0)
    if story == "stands":
        for_s = rng.uniform(1, 4)
        t = np.where(later & (t < at + for_s), at, np.where(later, t - for_s, t))
        t = np.maximum.accumulate(t)
    return np.round(t - min(t[0], 0.0), 3)


def _volts(
    felt: Array, plan: Plan, models: dict[str, np.ndarray], i: int, t: Array, rng: np.random.Generator
) -> Array:
    m, story = plan["model"][i], plan["volts_story"][i]
    rest, slope = models["rest_v"][m] + rng.normal(0, 0.015), models["slope_v_pa"][m] * rng.normal(1, 0.015)
    if story == "gain":
        slope = slope * rng.choice([rng.uniform(0.2, 0.55), rng.uniform(1.8, 3.0)])
    volts = rest + slope * (-felt if story == "sign" else felt)
    share = (t - t[0]) / max(t[-1] - t[0], 1.0)
    if story == "flat":
        volts = np.full(len(t), rng.uniform(0.3, 4.7))
    if story == "drift":
        volts = volts + rng.choice([-1, 1]) * rng.uniform(0.8, 1.8) * share
    if story == "dropout":
        out = np.sin(2 * np.pi * t / rng.uniform(3, 9) + rng.uniform(0, 6)) > 0.3
        volts = np.where(out, rng.choice([0.0, 5.0]), volts)
    noise = 0.0 if np.isfinite(plan["stuck_pa"][i]) else 0.004
    resolution = rng.choice([0.005, 0.02])
    return np.clip(np.round((volts + rng.normal(0, noise, len(t))) / resolution) * resolution, 0.0, 5.0)
