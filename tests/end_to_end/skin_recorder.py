"""How a recording of the skin fleet is taken: the sensor, the control module's converter, the polling, the header.

The sensor lags, is off by its own gain and zero, and swings with the fuel; its volts are converted by a 10 or 12 bit
converter and turned into pressure by the nominal line; the export rounds again. Identifiers are polled one after the
other, so a row's commands are up to half a period older than its pressure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.end_to_end.skin_gas import KEPT
from tests.end_to_end.skin_plan import Plan
from tests.end_to_end.skin_truth import AIR_MOLAR_KG, GAS_R, air_viscosity_pa_s, same_flow_diameter_m

STATE = {name: i for i, name in enumerate(KEPT)}
STD_L_MIN_PER_MOL_S = 24.055 * 60
STEP_S = 0.04


@dataclass(frozen=True)
class Taken:
    """Columns of one recording (each of shape (n,)) and the facts that its truth follows from."""

    columns: dict[str, np.ndarray]
    facts: dict[str, float | str | bool]


def _wander(n: int, sd: float, memory_s: float, rng: np.random.Generator) -> np.ndarray:
    """Noise with a memory [s], on the grid of kept states."""
    keep = np.exp(-STEP_S / memory_s)
    steps = rng.normal(size=n) * sd * np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], steps, zi=[keep * sd * rng.normal()])[0])


def _lagged(values: np.ndarray, lag_s: float) -> np.ndarray:
    share = 1 - np.exp(-STEP_S / lag_s)
    start = [(1 - share) * values[0]]
    return np.asarray(lfilter([share], [1, share - 1], values, zi=start)[0])


def _times(span_s: float, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    n = int(span_s * rate_hz * 1.2) + 5
    gaps = np.maximum(1 + 0.08 * rng.normal(size=n), 0.4) / rate_hz
    gaps[rng.random(n) < 0.01] *= rng.uniform(2, 4)
    t = np.cumsum(gaps) - gaps[0]
    return t[t <= span_s]


def routine_states(plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """States of a drive or an idle without a test: the vent open, purge now and then, the fuel swinging."""
    n = int(rng.uniform(60, 180) / STEP_S)
    kept = np.zeros((n, len(KEPT)))
    kept[:, 0] = np.arange(n) * STEP_S
    if rng.random() < 0.6:
        spans = np.repeat(rng.uniform(0, 70, size=n // 200 + 1) * (rng.random(n // 200 + 1) < 0.7), 200)[:n]
        kept[:, STATE["duty_pct"]] = spans
        flow = np.maximum(0, spans - plan.tank["opens_pct"]) / 90 * plan.tank["purge_m3_s"]
        kept[:, STATE["gauge_pa"]] = _lagged(-flow * plan.tank["vent_b"], 0.4) + _wander(n, 12, 2.0, rng)
    kept[:, STATE["gas_k"]] = plan.tank["wall_k"]
    return kept


def _longest(is_in: np.ndarray) -> slice:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], is_in.astype(int), [0]])))
    if not len(edges):
        return slice(0, 0)
    starts, ends = edges[::2], edges[1::2]
    i = int(np.argmax(ends - starts))
    return slice(int(starts[i]), int(ends[i]))


def _diameter_mm(plan: Plan, kept: np.ndarray, rows: slice) -> float:
    """Effective diameter over the rows."""
    gauge, flow = kept[rows, STATE["gauge_pa"]], kept[rows, STATE["leak_m3_s"]]
    if not len(gauge) or not np.abs(flow).sum():
        return 0.0
    pa, ta, y, tg = plan.tank["ambient_pa"], plan.tank["ambient_k"], kept[rows, 9], kept[rows, 8]
    is_out = gauge > 0
    inside = (pa + gauge) * (AIR_MOLAR_KG * (1 - y) + 0.065 * y) / (GAS_R * tg)
    rho = np.where(is_out, inside, pa * AIR_MOLAR_KG / (GAS_R * ta))
    mu_in, mu_out = (1 - 0.8 * y) * air_viscosity_pa_s(tg), air_viscosity_pa_s(ta)
    mu = np.where(is_out, mu_in, mu_out)
    return 1e3 * same_flow_diameter_m(flow, gauge, rho, mu, np.where(is_out, pa + gauge, pa))


def _facts(plan: Plan, kept: np.ndarray, scatter_pa: float, rate_hz: float) -> dict[str, float | str | bool]:
    gauge, phase = kept[:, STATE["gauge_pa"]], kept[:, STATE["phase"]]
    leaked = kept[:, STATE["leak_pa"]]
    hold = _longest(phase == 3)
    draw = phase == 2
    shut = np.flatnonzero((phase == 1) | draw)
    closed = _longest(phase == 1)
    release = np.flatnonzero(phase == 4)
    sized = hold
    if plan.kind == "steady":
        last = np.flatnonzero(draw)[-1] + 1 if draw.any() else 0
        sized = slice(max(0, int(last - 60 / STEP_S)), int(last))
    if plan.cause == "large_hole" and draw.any():
        sized = _longest(draw)
    g = gauge[hold]
    n_hold = len(g)
    gone = np.flatnonzero(-g < -0.1 * g[0]) if n_hold and g[0] < 0 else np.array([], int)
    # what a large hole does once the vacuum is gone is of no account
    until = hold.start + (int(gone[0]) if len(gone) else n_hold - 1) if n_hold else 0
    rise = float(gauge[until] - g[0]) if n_hold else 0.0
    leak_rise = float(leaked[until] - leaked[hold.start]) if n_hold else 0.0
    kept_share = 0.0
    if len(release) and gauge[release[0] - 1] < -50:
        at = min(release[0] + int(4 / STEP_S), release[-1])
        kept_share = float(gauge[at] / gauge[release[0] - 1])
    return {
        "kind": plan.kind,
        "cause": plan.cause,
        "diameter_mm": _diameter_mm(plan, kept, sized),
        "scatter_pa": scatter_pa,
        "usual_scatter_pa": scatter_pa,
        "reading_s": 1 / rate_hz,
        "gone_90_s": float(gone[0] * STEP_S) if len(gone) else 999.0,
        "peak_pa": float(max(-gauge[phase >= 2].min(initial=0.0), 0.0)),
        "target_pa": plan.tank["target_pa"],
        "top_pa": float(gauge.max()),
        "feed_until_pa": plan.tank["feed_until_pa"],
        "hold_s": n_hold * STEP_S,
        "closed_change_pa": float(
            np.ptp(gauge[closed][[0, -1]]) * np.sign(gauge[closed][-1] - gauge[closed][0])
        )
        if len(gauge[closed])
        else 0.0,
        "hold_change_pa": float(g[-1] - g[0]) if n_hold else 0.0,
        "lowest_pa": float(gauge[draw].min(initial=0.0)),
        "creep_pa": float(gauge[shut].max() - gauge[shut[0]]) if len(shut) else 0.0,
        "leak_rise_pa": leak_rise,
        "other_rise_pa": rise - leak_rise,
        "kept_share": kept_share,
        "has_release": bool(len(release) * STEP_S >= 1.5),
        "flat_at_pa": float(plan.extra.get("flat_at_pa", 0.0)),
        "is_still": bool(plan.extra.get("is_still", False)),
        "parted_share": {"gain": 0.55}.get(str(plan.extra.get("disagrees", "")), 1.0)
        if "disagrees" in plan.extra
        else 0.0,
        "has_tank_size": plan.vehicle.has_tank_size,
    }


def _readings(plan: Plan, kept: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    """Volts and pressure [Pa] as the control module knows them, on the kept grid, and one reading's scatter [Pa]."""
    car, m, shop = plan.vehicle, plan.vehicle.model, plan.vehicle.shop
    n = len(kept)
    is_running = plan.kind in ("draw", "routine")
    swing, white = (3.0 if is_running else 1.0) * car.noise, 2.5 * car.noise
    true = kept[:, STATE["gauge_pa"]] + _wander(n, swing, 0.6, rng)
    duty = kept[:, STATE["duty_pct"]]
    true = true + rng.normal(size=n) * 8 * ((duty > 15) & (duty < 95))
    offset = float(plan.extra.get("offset_pa", car.sensor_offset_pa))
    read = car.sensor_gain * _lagged(true, m.lag_s) + offset + white * rng.normal(size=n)
    if plan.cause == "sensor_flat":
        read = np.full(n, float(plan.extra["flat_at_pa"]))
        read += 0.0 if plan.extra["is_still"] else 2.0 * rng.normal(size=n)
    read = np.clip(read, 1e3 * m.low_kpa, 1e3 * m.high_kpa)
    per_pa = m.v_per_kpa / 1e3
    count = 5 / 2**m.adc_bits
    volts = np.round((m.rest_v + per_pa * read) / count) * count
    pressure = (volts - m.rest_v) / per_pa
    step = max(count / abs(per_pa), shop.step_pa)
    return volts, pressure, float(np.sqrt(swing**2 + white**2 + step**2 / 12))


def _needs_bench_gauge(plan: Plan) -> bool:
    """Say whether a test under pressure goes beyond the vehicle's own sensor, so that the shop reads its own gauge."""
    return plan.kind in ("fill", "steady") and plan.vehicle.model.high_kpa < 4


def _bench_readings(kept: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    """No volts, and the pressure [Pa] of a bench gauge of +-7.5 kPa in steps of 2.5 Pa; one reading's scatter [Pa]."""
    n = len(kept)
    read = (1 + 0.004 * rng.normal()) * _lagged(kept[:, STATE["gauge_pa"]] + _wander(n, 1.0, 0.6, rng), 0.1)
    read = read + 5 * rng.normal() + 1.5 * rng.normal(size=n)
    return np.full(n, np.nan), np.round(read / 2.5) * 2.5, float(np.sqrt(1 + 1.5**2 + 2.5**2 / 12))


def _disagree(how: str, volts: np.ndarray, pressure: np.ndarray, rng: np.random.Generator) -> None:
    """Let volts and pressure part, in place."""
    if how == "frozen_pressure":
        pressure[:] = pressure[0]
    elif how == "frozen_volts":
        volts[:] = volts[0]
    elif how == "gain":
        pressure *= 0.45
    elif how == "contact":
        spans = int(3 / STEP_S)
        is_lost = np.repeat(rng.random(len(volts) // spans + 1) < 0.3, spans)[: len(volts)]
        volts[is_lost] = rng.choice([0.06, 4.92])


def take(plan: Plan, kept: np.ndarray, rng: np.random.Generator) -> Taken:
    """Record the kept states as the shop's tool does."""
    shop = plan.vehicle.shop
    rate_hz = rng.uniform(*shop.rate_hz)
    volts, pressure, scatter = (
        _bench_readings(kept, rng) if _needs_bench_gauge(plan) else _readings(plan, kept, rng)
    )
    if "disagrees" in plan.extra:
        _disagree(str(plan.extra["disagrees"]), volts, pressure, rng)
    grid = kept[:, 0]
    t = _times(float(grid[-1]), rate_hz, rng)
    at = np.minimum((t / STEP_S).astype(int), len(grid) - 1)
    older = np.maximum(at - (rng.uniform(0, 0.5, size=len(t)) / rate_hz / STEP_S).astype(int), 0)
    is_running = plan.kind in ("draw", "routine")
    rpm = np.round((710 + 25 * rng.normal(size=len(t))) if is_running else np.zeros(len(t)))
    flow = np.full(len(t), np.nan)
    if plan.kind == "steady":
        fed = kept[at, STATE["feed_mol_s"]] * STD_L_MIN_PER_MOL_S * (1 + 0.007 * rng.normal())
        flow = np.round(fed * (1 + 0.004 * rng.normal(size=len(t))), 3)
    columns = {
        "t_s": np.round(t, 2),
        "tank_pressure_pa": np.round(np.round(pressure[at] / shop.step_pa) * shop.step_pa, 2),
        "sensor_v": np.round(np.round(volts[at] / shop.step_v) * shop.step_v, 4)
        if shop.has_volts
        else np.full(len(t), np.nan),
        "purge_duty_pct": np.round(np.round(kept[older, STATE["duty_pct"]] * 2.55) / 2.55, 1),
        "is_vent_closed": kept[older, STATE["is_shut"]] > 0.5,
        "engine_rpm": rpm if shop.has_rpm else np.full(len(t), np.nan),
        "test_flow_std_l_min": flow,
    }
    return Taken(columns, _facts(plan, kept, scatter, rate_hz))


def header(plan: Plan, rng: np.random.Generator) -> dict[str, object]:
    """What stands above the recording: fuel by the gauge, weather by the vehicle's own sensors, the register's tank."""
    car, shop = plan.vehicle, plan.vehicle.shop
    gauge = np.clip(plan.fuel_share * 1.02 + car.model.gauge_bias + car.gauge_error, 0, 1)
    has_fuel, warm_k = rng.random() < shop.has_fuel, rng.uniform(-1, 2.5)
    return {
        "vehicle_id": car.vehicle_id,
        "stage": plan.stage,
        "fuel_level_pct": round(float(np.round(gauge * 255) / 2.55), 1) if has_fuel else None,
        "ambient_c": float(round(plan.ambient_c + warm_k)) if shop.has_ambient else None,
        "barometric_kpa": float(round(plan.tank["ambient_pa"] / 1000)) if shop.has_baro else None,
        "fuel_tank_l": float(car.model.tank_l) if car.has_tank_size else None,
        "make": car.model.make,
        "model": car.model.model,
        "trouble_codes": plan.codes,
        "checks": plan.checks,
    }
