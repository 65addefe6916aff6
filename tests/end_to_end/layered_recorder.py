"""What a shop's recorder makes of a layered tank's course, and the facts of it that decide what is true."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.layered_fleet import L_MIN, Vehicle
from tests.end_to_end.layered_gas import (
    CLOSED,
    DRAW,
    DUTY,
    FED,
    LEAKED,
    P_TANK,
    PHASE,
    RELEASE,
    T_GAS,
    VENT,
    R,
    mixture,
    opening,
)
from tests.end_to_end.layered_truth import effective_diameter_mm, reference_flow_m3_s

GRID_S = 0.05
SETTLED_S = 20.0


def polled(length_s: float, rate_hz: float, draw: np.random.Generator) -> np.ndarray:
    """Return when a recorder that asks `rate_hz` times a second has its answers [s]: uneven, with gaps."""
    n = int(length_s * rate_hz) + 2
    steps = np.clip(draw.normal(1.0, 0.08, n), 0.5, 1.6) + (draw.random(n) < 0.01) * draw.exponential(1.5, n)
    t = np.cumsum(steps) / rate_hz
    if draw.random() < 0.05:  # the line was lost for a while
        lost = draw.uniform(0.1, 0.8) * length_s
        t = t[(t < lost) | (t > lost + draw.uniform(2, 5))]
    return t[t < length_s]


def _lagged(x: np.ndarray, lag_s: float) -> np.ndarray:
    """Return a first-order lag of a course on the grid, in closed form over its convolution."""
    kernel = np.exp(-np.arange(0, 8 * lag_s, GRID_S) / lag_s)
    padded = np.concatenate([np.full(len(kernel), x[0]), x])
    return np.convolve(padded, kernel / kernel.sum())[len(kernel) : len(kernel) + len(x)]


def recorded(
    course: np.ndarray, v: Vehicle, cause: str, test: str, draw: np.random.Generator
) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """Return the recorded columns, and what of the sensor is a fact: scatter, offset [Pa], meter step [l/min]."""
    m, shop = v.model, v.shop
    grid = np.arange(len(course)) * GRID_S
    t = polled(float(grid[-1]), shop.rate_hz * draw.uniform(0.9, 1.1), draw)
    n = len(t)
    ripple = draw.uniform(0.5, 3.0) * (course[:, DUTY] > 0) * np.sqrt(course[:, DUTY].clip(0))
    p = np.interp(t, grid, _lagged(course[:, P_TANK].astype(float), draw.uniform(0.05, 0.35)))
    is_gauge = test in ("fill", "flow")
    noise_pa = draw.uniform(1.0, 3.0) if is_gauge else m.noise_pa * np.exp(draw.normal(0, 0.3))
    p = p + np.interp(t, grid, ripple) * np.sin(draw.uniform(0, 2 * np.pi, n)) + draw.normal(0, noise_pa, n)
    wander = _lagged(draw.normal(0, draw.uniform(4, 20), len(course)), 4.0)  # gusts and doors: 0.3 to 1.6 Pa
    p = p + np.interp(t, grid, wander)
    at = np.clip(np.searchsorted(grid, t - draw.uniform(0, 0.4, n) / shop.rate_hz) - 1, 0, len(grid) - 1)
    facts = {"scatter_pa": noise_pa, "offset_pa": 0.0, "is_substitute": 0.0, "meter_l_min": 0.02}
    if is_gauge:
        step = max(shop.step_pa, 2.0)
        read = np.round((p * (1 + draw.normal(0, 0.003)) + draw.normal(0, 4)) / step) * step
        volts = np.full(n, np.nan)
    else:
        read, volts, step = _car_sensor(p, v, cause, facts, draw)
    facts["scatter_pa"] = float(np.hypot(noise_pa, step / np.sqrt(12)))
    fed = np.full(n, np.nan)
    if test == "flow":
        flow = np.interp(t, grid, _lagged(course[:, FED].astype(float), 0.4)) / L_MIN
        flow = flow * (1 + draw.normal(0, 0.008)) + draw.normal(0, 0.004, n) * (1 + flow)
        fed = np.round(np.clip(flow, 0, None) / 0.02) * 0.02
    rpm = draw.uniform(640, 860) + draw.normal(0, 12, n) + 40 * np.sin(t / 9) if not is_gauge else np.zeros(n)
    if test == "none" and draw.random() < 0.5:
        rpm = rpm + 900 * (1 + np.sin(t / draw.uniform(8, 20)))
    return {
        "t_s": np.round(t + (draw.uniform(0, 30) if draw.random() < 0.3 else 0.0), 3),
        "tank_pressure_pa": read,
        "sensor_v": volts if shop.has_volts else np.full(n, np.nan),
        "purge_duty_pct": np.round(np.round(course[at, DUTY] * 2.55) / 2.55, 2),
        "is_vent_closed": course[at, VENT] > 0.5,
        "engine_rpm": np.round(rpm) if shop.has_rpm else np.full(n, np.nan),
        "test_flow_std_l_min": fed,
        "course_s": t,
    }, facts


def _car_sensor(
    p: np.ndarray, v: Vehicle, cause: str, facts: dict[str, float], draw: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return pressure [Pa], volts, step [Pa] of the car's sensor: one element, one converter, two columns."""
    m = v.model
    step = max(abs(m.adc_v / m.volts_per_pa), v.shop.step_pa)
    offset = v.offset_pa + draw.normal(0, 6)
    if cause == "sensor_shifted":
        offset = float(np.exp(draw.uniform(np.log(250), np.log(1400)))) * draw.choice([-1.0, 1.0])
    facts["offset_pa"] = offset
    facts["is_substitute"] = 0.0
    felt = np.clip(p * v.gain + offset, -6000, 3500)
    volts = np.round((m.volts_at_rest + m.volts_per_pa * felt) / m.adc_v) * m.adc_v
    if cause == "sensor_stuck":
        stuck = draw.choice([m.volts_at_rest + m.volts_per_pa * offset, 0.1, 4.9], p=[0.6, 0.2, 0.2])
        volts = np.full(len(p), np.round(stuck / m.adc_v) * m.adc_v)
    read = (volts - m.volts_at_rest) / m.volts_per_pa
    if cause == "sensor_two_stories":
        kind = draw.random()
        if kind < 0.45:  # the meter hangs on a dead wire
            volts = draw.choice([0.0, m.volts_at_rest]) + np.round(draw.normal(0, 0.002, len(p)), 3)
        elif kind < 0.85:  # a sensor of another line: the volts are right for it, the pressure is not
            read = read * draw.choice([0.55, 0.62, 1.6, 1.9])
        else:  # the control module shows a substitute
            read, facts["is_substitute"] = np.zeros(len(p)), 1.0
    return np.round(read / v.shop.step_pa) * v.shop.step_pa, np.round(volts, 3), step


def facts_of(
    course: np.ndarray, tank: Any, found: tuple[int, int, int, float], t: np.ndarray
) -> dict[str, float]:
    """Return what happened in the tank, as `layered_truth.with_truth` asks for it; `t` are the readings' times [s]."""
    _, start, end, volume = found
    start = max(start - 1, 0)  # the last row of the draw
    p, phase = course[:, P_TANK].astype(float), course[:, PHASE].astype(int)
    end = min(end, len(p)) - 1  # the row before the vent opens
    if tank["is_flow"] > 0:
        drawn = np.flatnonzero(phase == DRAW)
        start, end = int(drawn[-1] - 60 / GRID_S), int(drawn[-1])
    sign = 1.0 if tank["is_fill"] > 0 else -1.0
    hold = sign * p[start : end + 1]
    peak = float(hold[0])

    def below(share: float) -> float:
        return float(np.argmax(hold < share * peak) * GRID_S) if (hold < share * peak).any() else 1e9

    gone = below(0.2)
    closed = np.flatnonzero(phase == CLOSED)
    shut = int(np.argmax(phase >= CLOSED))
    settled = min(start + int(SETTLED_S / GRID_S), (start + end) // 2) if tank["is_flow"] <= 0 else start
    per_mol = R * float(course[start, T_GAS]) / volume if volume > 0 else 0.0
    leaked = sign * per_mol * (course[[start, settled], LEAKED] - course[end, LEAKED])
    kept = hold[hold > 0.1 * peak] if peak > 0 else hold[:1]
    mean_pa = max(float(kept.mean()), 1.0)
    release = np.flatnonzero(phase == RELEASE)
    k = int(4.0 / GRID_S)
    out = {
        "peak_pa": peak,
        "target_pa": float(tank["target_pa"]),
        "half_s": below(0.5),
        "gone_s": gone,
        "n_decay": float(((t > start * GRID_S) & (t <= min(start * GRID_S + gone, end * GRID_S))).sum()),
        "hold_s": (end - start) * GRID_S,
        "leak_pa": float(leaked[0]),
        "own_pa": float(hold[0] - hold[-1] - leaked[0]),
        "late_leak_pa": float(leaked[1]),
        "late_own_pa": float(hold[settled - start] - hold[-1] - leaked[1]),
        "closed_pa": float(p[closed[-1]] - p[closed[0]]) if len(closed) > 1 else 0.0,
        "creep_pa": float(p[start] - p[shut]),
        "kept_share": float(p[release[k]] / p[release[0]]) if len(release) > k + 10 else float("nan"),
        "release_pa": float(-p[release[0]]) if len(release) else float("nan"),
        "gas_volume_l": volume * 1e3,
        "mean_hold_pa": mean_pa,
        "is_hole_at_canister": float(tank["hole_at_canister"]),
        "vapor_share": float(tank["saturation_pa"] / tank["ambient_pa"]),
        "steady_l_min": float(course[start : end + 1, FED].mean() / L_MIN) if tank["is_flow"] > 0 else 0.0,
    }
    if sign > 0:  # the tank's own gas flows out
        inner = float(tank["ambient_pa"]) + mean_pa
        share = 0.1 if tank["hole_at_canister"] > 0 else out["vapor_share"] * float(tank["start_share"])
        rho, mu = mixture(share, inner, float(tank["wall_k"]))
    else:
        rho, mu = mixture(0.0, float(tank["ambient_pa"]), float(tank["ambient_k"]))
    flow, _ = opening(mean_pa, tank["hole_a"], tank["hole_b"], rho, mu)
    out["diameter_mm"] = float(effective_diameter_mm(flow, mean_pa, rho, mu))
    small = float(reference_flow_m3_s(np.array(0.25), np.array(mean_pa), rho, mu))
    late_s = (end - settled) * GRID_S
    out["small_hole_pa"] = small * float(tank["ambient_pa"]) / volume * late_s if volume > 0 else 0.0
    return out


def samples_frame(trace_id: str, columns: dict[str, np.ndarray]) -> pl.DataFrame:
    """Return the samples of one recording as the measurement takes them; what was not recorded is null."""
    n = len(columns["t_s"])
    kept = {
        name: x if x.dtype == bool else x.astype(float) for name, x in columns.items() if name != "course_s"
    }
    frame = pl.DataFrame({"trace_id": pl.Series([trace_id] * n, dtype=pl.String), **kept})
    return frame.with_columns(
        pl.col("sensor_v", "engine_rpm", "test_flow_std_l_min").fill_nan(None),
        is_pressure_derived=pl.lit(False),
    )
