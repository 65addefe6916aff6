"""What the tester writes down of a history: sampled, late, noisy, stepped, clipped, with a sensor that may be ill."""

from __future__ import annotations

import numpy as np

from tests.end_to_end.foreign_tank import STEP_S, History, Plan
from tests.end_to_end.recording_frames import Recording


def record(
    history: History, plan: Plan, i: int, line: tuple[float, float], rng: np.random.Generator
) -> Recording:
    """Return recording `i`; `line` is the model's volts at zero and volts per pascal."""
    t, at = _sample_times(history, plan, i, rng)
    late = np.maximum(at - int(plan["lag_s"][i] / STEP_S), 0)
    felt = history.pressure_pa[late, i].astype(float) + plan["offset_pa"][i]
    noisy = felt + rng.normal(0, plan["noise_pa"][i], len(t))
    ends = sorted(((0.05 - line[0]) / line[1], (4.95 - line[0]) / line[1]))
    clipped = np.clip(noisy, max(ends[0], -plan["clip_pa"][i]), min(ends[1], plan["clip_pa"][i]))
    step = plan["step_pa"][i]
    pressure = np.round(clipped / step) * step
    if np.isfinite(plan["stuck"][i]):
        pressure = np.full(len(t), np.round(plan["stuck"][i] / step) * step)
    volts = _volts(plan, i, pressure, t, line, rng) if plan["has_volts"][i] else np.full(len(t), np.nan)
    rpm = np.round(rng.normal(750, 12, len(t))) if plan["has_rpm"][i] else np.full(len(t), np.nan)
    duty, vent = history.duty_pct[at, i].astype(float), history.is_vent_closed[at, i]
    return Recording(np.round(t + plan["first_t_s"][i], 3), pressure, volts, duty, vent, rpm)


def _sample_times(
    history: History, plan: Plan, i: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, history.end_s[i], 1.0 / plan["rate_hz"][i])
    if plan["is_jittered"][i]:
        t = t + rng.uniform(0, 0.4 / plan["rate_hz"][i], len(t))
    t = t[rng.random(len(t)) >= plan["drop"][i]]
    at = np.minimum((t / STEP_S).astype(int), len(history.time_s) - 1)
    return t, at


def _volts(
    plan: Plan,
    i: int,
    pressure: np.ndarray,
    t: np.ndarray,
    line: tuple[float, float],
    rng: np.random.Generator,
) -> np.ndarray:
    """Return sensor volts that follow the pressure, or tell another story."""
    rest, slope = line[0] + rng.normal(0, 0.015), line[1] * rng.normal(1, 0.015)
    story = plan["volts_story"][i]
    if story == "gain":
        slope = slope * rng.choice([rng.uniform(0.2, 0.55), rng.uniform(1.8, 3.0)])
    if story == "sign":
        slope = -slope
    volts = rest + slope * pressure
    if story == "flat":
        volts = np.full(len(t), rng.uniform(0.3, 4.7))
    if story == "drift":
        share = (t - t[0]) / max(t[-1] - t[0], 1.0)
        volts = rest + rng.choice([-1, 1]) * rng.uniform(0.8, 1.8) * share
    noise = 0.0 if np.isfinite(plan["stuck"][i]) else 0.004
    resolution = rng.choice([0.005, 0.02])
    return np.clip(np.round((volts + rng.normal(0, noise, len(t))) / resolution) * resolution, 0.0, 5.0)
