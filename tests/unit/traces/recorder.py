"""Recordings with known truth, integrated with more physics than the fit has.

Isentropic flow with a discharge coefficient that depends on the Reynolds number, gas that cools in the draw and warms
again, vapor that comes faster under vacuum and slower as the tank fills with it, valves that answer late, a filtered
and quantized sensor with noise, an uneven clock and lost samples. One fixed-step loop runs all recordings together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.signal import lfilter

STEP_S = 0.05
REST, CLOSED, DRAW, HOLD, RELEASE, OVER = range(6)


@dataclass
class World:
    """Parameters of each recording; every field is an array of one length."""

    kind: np.ndarray
    tank_l: np.ndarray
    fuel_pct: np.ndarray
    volume_l: np.ndarray
    air_pa: np.ndarray
    hole_mm: np.ndarray
    shut_vent_mm: np.ndarray
    open_vent_mm: np.ndarray
    purge_m3_s: np.ndarray
    seep_m3_s: np.ndarray
    manifold_pa: np.ndarray
    vapor_pa_s: np.ndarray
    vapor_gain: np.ndarray
    vapor_fill_pa: np.ndarray
    warming_s: np.ndarray
    cooling: np.ndarray
    target_pa: np.ndarray
    seconds: np.ndarray
    latency_s: np.ndarray
    duty: np.ndarray
    noise_pa: np.ndarray
    step_pa: np.ndarray
    zero_pa: np.ndarray
    rate_hz: np.ndarray
    lag_s: np.ndarray
    volts_fault: np.ndarray


def make_world(rng: np.random.Generator, kinds: list[str], each: int) -> World:
    """Draw recordings of each kind from wide ranges."""
    kind = np.repeat(kinds, each)
    n = len(kind)

    def uniform(low: float, high: float) -> np.ndarray:
        return rng.uniform(low, high, n)

    def log_uniform(low: float, high: float) -> np.ndarray:
        return np.exp(uniform(np.log(low), np.log(high)))

    def where(name: str, value: np.ndarray, other: np.ndarray | float) -> np.ndarray:
        return np.where(kind == name, value, other)

    tank, fuel = uniform(40, 110), uniform(10, 90)
    volume = tank * (1 - np.clip(fuel + rng.normal(0, 2, n), 2, 98) / 100) + uniform(1.5, 5)
    hole = where("leak", log_uniform(0.32, 2.2), where("holds", log_uniform(0.005, 0.09), uniform(0, 0.08)))
    duty = rng.choice([30.0, 60.0, 100.0], n)
    purge = uniform(6, 25) / 60e3
    # An opening so wide that the purge can hold no more than this vacuum beside it.
    remains = log_uniform(60, 550)
    opening = 1e3 * np.sqrt(purge * duty / 100 / (0.61 * np.pi / 4 * np.sqrt(2 * remains / 1.17)))
    is_vent_open = rng.random(n) < 0.5
    hole = where("gross_leak", np.where(is_vent_open, 0.05, np.maximum(opening, 3.0)), hole)
    shut_vent = where("gross_leak", np.where(is_vent_open, np.maximum(opening, 3.0), 0.0), 0.0)
    purge = where("no_vacuum", 0.0, purge)
    seep = where("purge_passes_closed", log_uniform(0.15, 6) / 60e3, 0.0)
    is_shut = rng.random(n) < 0.5
    open_vent = where("vent_restricted", np.where(is_shut, 0.1, uniform(0.4, 1.4)), uniform(6, 14))
    zero = where("sensor_offset", rng.choice([-1, 1], n) * uniform(250, 900), rng.normal(0, 20, n))
    seconds = np.stack(
        [uniform(3, 12), uniform(8, 30), uniform(30, 60), uniform(20, 120), uniform(6, 15)], axis=1
    )
    seconds[:, 0][rng.random(n) < 0.1] = 0
    seconds[:, 0] = np.where(kind == "sensor_offset", np.maximum(seconds[:, 0], 4), seconds[:, 0])
    seconds[:, 1][rng.random(n) < 0.15] = 0
    seconds[:, 3][rng.random(n) < 0.08] *= 0.4
    return World(
        kind, tank, fuel, volume, uniform(84e3, 102.5e3), hole, shut_vent, open_vent, purge, seep,
        uniform(25e3, 65e3), uniform(0, 4), uniform(0, 1), uniform(1500, 8000), uniform(2, 10), uniform(0.2, 1),
        -uniform(1500, 4000), seconds, uniform(0.05, 0.4), duty, log_uniform(0.5, 25),
        rng.choice([0.25, 1.0, 5.0, 12.0, 25.0], n), zero, rng.choice([1.0, 2.0, 4.0, 10.0], n), uniform(0.05, 0.4),
        np.where(kind == "sensor_disagrees", rng.choice([1, 2, 3, 4], n), 0),
    )  # fmt: skip


def hole_flow(diameter_mm: np.ndarray, gauge: np.ndarray, air: np.ndarray) -> np.ndarray:
    """Volume flow into the tank [m3/s at ambient], negative outward."""
    up, drop = air + np.maximum(gauge, 0), np.abs(gauge)
    rho = up / (287.05 * 293.15)
    speed = np.sqrt(2 * drop / rho) * (1 - 0.54 * drop / up)
    reynolds = rho * speed * diameter_mm * 1e-3 / 1.81e-5
    discharge = 0.61 * reynolds / (reynolds + 8)
    return -np.sign(gauge) * discharge * np.pi / 4 * (diameter_mm * 1e-3) ** 2 * speed


def run(w: World, rng: np.random.Generator) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return samples and headers; the headers carry `truth` and `hole_mm` beside the contract's fields."""
    gauge, stage = _integrate(w)
    frames = [_record(w, k, gauge[:, k], stage[:, k], rng) for k in range(len(w.kind))]
    samples = pl.concat(frames)
    headers = pl.DataFrame(
        {
            "trace_id": [f"t{k:05d}" for k in range(len(w.kind))],
            "job_id": ["j"] * len(w.kind),
            "vehicle_id": ["v"] * len(w.kind),
            "stage": ["before_repair"] * len(w.kind),
            "fuel_level_pct": np.clip(w.fuel_pct, 0, 100),
            "ambient_c": [20.0] * len(w.kind),
            "barometric_kpa": w.air_pa / 1e3,
            "fuel_tank_l": w.tank_l,
            "truth": w.kind,
            "hole_mm": w.hole_mm,
        }
    )
    return samples, headers


def _integrate(w: World) -> tuple[np.ndarray, np.ndarray]:
    n = len(w.kind)
    volume = w.volume_l * 1e-3
    iso, deficit, produced = np.zeros(n), np.zeros(n), np.zeros(n)
    stage, entered = np.zeros(n, int), np.zeros(n)
    pressures, stages = [], []
    sub = 4
    for k in range(int(w.seconds.sum(axis=1).max() / STEP_S) + 2):
        now = k * STEP_S
        gauge = iso - deficit
        over = now - entered >= w.seconds[np.arange(n), np.minimum(stage, 4)]
        over |= (stage == DRAW) & (gauge <= w.target_pa)
        moving = over & (stage < OVER)
        stage = stage + moving
        entered = np.where(moving, now, entered)
        pressures.append(gauge)
        stages.append(stage.copy())
        late = now - entered < w.latency_s
        acting = np.where(late, stage - 1, stage)
        vent = np.where((acting >= CLOSED) & (acting <= HOLD), w.shut_vent_mm, w.open_vent_mm)
        hole = np.hypot(w.hole_mm, vent)
        pulling = (acting == DRAW) * w.purge_m3_s * w.duty / 100
        shut = (acting >= CLOSED) & (acting <= HOLD)
        for _ in range(sub):
            dt = STEP_S / sub
            gauge = iso - deficit
            pull = (pulling + w.seep_m3_s) * np.sqrt(np.clip(1 + gauge / w.manifold_pa, 0, 1))
            vapor = w.vapor_pa_s * (
                1 + w.vapor_gain * np.maximum(-gauge, 0) / 2500 - produced / w.vapor_fill_pa
            )
            inflow = hole_flow(hole, gauge, w.air_pa)
            stiff = np.abs(inflow) / np.maximum(np.abs(gauge), 0.05) * w.air_pa / volume * dt
            rate = w.air_pa / volume * (inflow - pull) + vapor
            change = rate * dt / (1 + stiff)
            produced = np.where(shut, produced + vapor * dt, 0.0)
            iso = iso + change
            deficit = deficit + 0.286 * w.cooling * -change - deficit * dt / w.warming_s
    return np.array(pressures), np.array(stages)


def _record(w: World, k: int, gauge: np.ndarray, stage: np.ndarray, rng: np.random.Generator) -> pl.DataFrame:
    end = np.argmax(stage == OVER) * STEP_S if (stage == OVER).any() else len(stage) * STEP_S
    t = np.arange(0, end, 1 / w.rate_hz[k])
    t = np.clip(t + rng.normal(0, 0.05 / w.rate_hz[k], len(t)), 0, None)
    t = np.sort(t[rng.random(len(t)) > 0.02])
    grid = np.arange(len(gauge)) * STEP_S
    lagged = _lag(gauge, w.lag_s[k])
    true = np.interp(t, grid, lagged)
    if w.kind[k] == "sensor_flat":
        true = np.full(len(t), rng.choice([0.0, -35.0, -1200.0]))
    reading = (
        true + w.zero_pa[k] + (0 if w.kind[k] == "sensor_flat" else rng.normal(0, w.noise_pa[k], len(t)))
    )
    reading = np.round(reading / w.step_pa[k]) * w.step_pa[k]
    now = stage[np.minimum((t / STEP_S).astype(int), len(stage) - 1)]
    return pl.DataFrame(
        {
            "trace_id": [f"t{k:05d}"] * len(t),
            "t_s": np.round(t, 3),
            "tank_pressure_pa": reading,
            "sensor_v": _volts(w, k, true, t, rng),
            "purge_duty_pct": np.where(now == DRAW, w.duty[k], 0.0),
            "is_vent_closed": (now >= CLOSED) & (now <= HOLD),
            "engine_rpm": [750.0] * len(t),
        },
        schema_overrides={"sensor_v": pl.Float64},
    ).unique("t_s", keep="first", maintain_order=True)


def _lag(gauge: np.ndarray, lag_s: float) -> np.ndarray:
    keep = np.exp(-STEP_S / lag_s)
    return lfilter([1 - keep], [1, -keep], gauge)


def _volts(w: World, k: int, true: np.ndarray, t: np.ndarray, rng: np.random.Generator) -> list[float | None]:
    fault = w.volts_fault[k]
    if not fault and rng.random() < 0.3:
        return [None] * len(t)
    per_pa = rng.choice([-1, 1]) * rng.uniform(2e-4, 8e-4)
    at_rest = rng.uniform(1.3, 2.7)
    volts = at_rest + per_pa * (true + w.zero_pa[k])
    half = t > t[0] + 0.6 * (t[-1] - t[0])
    if fault == 1:
        volts = np.full(len(t), at_rest)
    if fault == 2:
        volts = np.where(half, at_rest - 0.5 * per_pa * true, volts)
    if fault == 3:
        volts = at_rest + np.cumsum(rng.normal(0, 0.3 / np.sqrt(len(t)), len(t))) + 0.0 * true
    if fault == 4:
        volts = volts + np.where((t % 9) < 3, 0.9, 0.0)
    if w.kind[k] == "sensor_flat":
        return np.full(len(t), round(at_rest, 2)).tolist()
    return (np.round((volts + rng.normal(0, 0.003, len(t))) / 0.0049) * 0.0049).tolist()
