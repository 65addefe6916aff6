"""The ninth author's sensors and the shops' recorders: what of the tank's pressure is written down, and when.

Shop 0 has a data logger; 1 polls one column after the other, so that the pressure is older than the commands beside
it; 2 logs hundredths of an inch of water each second; 3 has a clock that is set while it runs; 4 lies high, writes
tenths of hectopascals and the fuel level in eighths; 5 writes twentieths of an inch of water.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.carbon_fleet import GAS, MODELS, Bench
from tests.end_to_end.carbon_run import KEPT_EVERY, STEP_S, Ran
from tests.end_to_end.carbon_truth import Array
from tests.end_to_end.recording_frames import Recording

INH2O = 249.089
STD_L_MIN_PER_MOL_S = 60 * GAS * 293.15 / 101.325
"""Standard liters of 20 degrees C and 101.325 kPa."""


@dataclass(frozen=True)
class Shop:
    """A shop's recorder: samples a second and how unevenly, steps, what it leaves out."""

    rate_hz: float
    jitter: float
    lost: float
    time_step_s: float
    pressure_step_pa: float
    noise_pa: float
    volt_step: float | None
    has_rpm: bool
    stale: float
    level_step_pct: float
    ambient_step_k: float | None
    barometer_step_kpa: float | None


SHOPS = (
    Shop(10, 0.02, 0.000, 0.001, 1.0, 3.0, 0.001, True, 0.0, 0.4, 0.1, 0.01),
    Shop(2.5, 0.25, 0.010, 0.001, 0.25, 5.0, None, True, 0.9, 0.4, 1.0, 1.0),
    Shop(1, 0.05, 0.030, 0.1, 0.01 * INH2O, 6.0, 0.02, True, 0.3, 1.0, 1.0, 0.1),
    Shop(5, 0.10, 0.005, 0.01, 10.0, 8.0, 0.005, True, 0.2, 5.0, 1.0, 1.0),
    Shop(4, 0.15, 0.010, 0.01, 10.0, 5.0, None, True, 0.4, 12.5, None, None),
    Shop(2, 0.10, 0.005, 0.01, 0.05 * INH2O, 5.0, 0.02, False, 0.5, 0.4, 5 / 9, 0.1),
)


def floor_pa(bench: Bench, i: int) -> float:
    """The larger of step and twice the noise of recording `i` [Pa]."""
    shop = SHOPS[int(bench.shop[i])]
    return max(shop.pressure_step_pa, 2 * shop.noise_pa)


def _times(rng: np.random.Generator, shop: Shop, end_s: float) -> Array:
    gaps = (1 + shop.jitter * rng.standard_normal(int(end_s * shop.rate_hz) + 2)) / shop.rate_hz
    times = np.cumsum(np.maximum(gaps, 0.2 / shop.rate_hz)) - gaps[0]
    times = times[times <= end_s]
    keep = rng.random(len(times)) >= shop.lost
    if shop.lost and rng.random() < 0.06:  # the link drops out for a while
        from_s = end_s * rng.random()
        keep &= (times < from_s) | (times > from_s + rng.uniform(2, 9))
    keep[:1] = True
    return times[keep]


def _told_times(rng: np.random.Generator, shop: Shop, times: Array) -> Array:
    told = times.copy()
    if shop is SHOPS[3] and rng.random() < 0.12:
        told = told + np.where(times > times[-1] * rng.random(), rng.uniform(1.5, 25), 0)
    return np.round(np.round(told / shop.time_step_s) * shop.time_step_s, 4)


def _swayed(rng: np.random.Generator, times: Array, often: float) -> Array:
    """Somebody gets into the car, or the fuel sloshes: a swing that dies away [Pa]."""
    swing = np.zeros_like(times)
    for _ in range(rng.poisson(often)):
        since = times - times[-1] * rng.random()
        tone = np.sin(2 * np.pi * rng.uniform(0.6, 1.1) * since)
        swing += np.where(since > 0, rng.uniform(15, 90) * tone * np.exp(-np.maximum(since, 0) / 2.5), 0)
    return swing


def _volts(
    rng: np.random.Generator, shop: Shop, bench: Bench, i: int, sensed_pa: Array, times: Array
) -> Array:
    if shop.volt_step is None:
        return np.full(len(times), np.nan)
    model = MODELS[int(bench.model[i])]
    rest, per_v = model.rest_v, model.pa_per_v
    if bench.fault[i] == "sensor_disagrees":
        match rng.integers(3):
            case 0:
                sensed_pa = np.full(len(times), sensed_pa[0])
            case 1:
                sensed_pa = sensed_pa * rng.choice([rng.uniform(0.3, 0.6), rng.uniform(1.5, 2.0)])
            case _:
                sensed_pa = sensed_pa + rng.choice([-1, 1]) * rng.uniform(400, 1200)
    volts = rest + sensed_pa / per_v + 0.002 * rng.standard_normal(len(times))
    return np.clip(np.round(np.clip(volts, 0.15, 4.9) / shop.volt_step) * shop.volt_step, 0, 5)


def recorded(rng: np.random.Generator, bench: Bench, ran: Ran, i: int) -> tuple[Recording, Array]:
    """Return recording `i` and its fed flow [standard l/min], NaN where none is fed."""
    shop, model = SHOPS[int(bench.shop[i])], MODELS[int(bench.model[i])]
    period = STEP_S * KEPT_EVERY
    length = int(ran.lengths[i])
    clock = np.arange(length) * period
    times = _times(rng, shop, clock[-1])
    lag = rng.uniform(0.03, 0.25) + shop.stale * rng.random() / shop.rate_hz
    seen = np.interp(times - lag, clock, ran.over_pa[:length, i].astype(float))
    seen = seen + _swayed(rng, times, 6 if bench.course[i] == "routine" and rng.random() < 0.5 else 0.06)
    is_gas = bench.course[i] in ("fill", "steady")
    drift = rng.normal(0, 3) * times / 60
    sensed = seen * (1 + rng.normal(0, 0.008)) + bench.offset_pa[i] + drift
    if not np.isnan(bench.stuck_pa[i]):
        sensed = np.full(len(times), bench.stuck_pa[i])
    least, most = (-6500.0, 6500.0) if is_gas else (model.least_pa, model.most_pa)
    noise = shop.noise_pa if np.isnan(bench.stuck_pa[i]) else 0.15 * shop.noise_pa
    noisy = np.clip(sensed + noise * rng.standard_normal(len(times)), least, most)
    pressure = np.round(noisy / shop.pressure_step_pa) * shop.pressure_step_pa
    now = np.minimum((times / period).astype(int), length - 1)
    volts = _volts(rng, shop, bench, i, np.clip(sensed, least, most), times)
    if is_gas and bench.fault[i] != "sensor_disagrees":
        volts[:] = np.nan  # the shop's own gauge has no volts
    rpm = np.zeros(len(times)) if is_gas else 720 + 90 * rng.random() + 12 * rng.standard_normal(len(times))
    if bench.course[i] == "routine" and rng.random() < 0.6:
        rpm = rpm + 900 * np.abs(np.sin(times / rng.uniform(7, 25)))
    rpm = np.round(rpm) if shop.has_rpm else np.full(len(times), np.nan)
    duty = np.round(ran.duty_pct[now, i].astype(float), 1)
    made = Recording(_told_times(rng, shop, times), pressure, volts, duty, ran.is_shut[now, i], rpm)
    return made, _flow(rng, bench, ran.feed_mol_s[now, i].astype(float), i)


def _flow(rng: np.random.Generator, bench: Bench, feed: Array, i: int) -> Array:
    if bench.course[i] != "steady":
        return np.full(len(feed), np.nan)
    meter = STD_L_MIN_PER_MOL_S * feed * (1 + rng.normal(0, 0.01)) + rng.normal(0, 0.004)
    return np.maximum(np.round(meter + 0.004 * rng.standard_normal(len(feed)), 2), 0)


def _stepped(value: float, step: float | None) -> float | None:
    return None if step is None else float(np.round(np.round(value / step) * step, 3))


def header(rng: np.random.Generator, bench: Bench, i: int) -> dict[str, float | None]:
    """What the shop wrote of fuel, weather and tank; a gauge is a few per cent of the tank off."""
    shop = SHOPS[int(bench.shop[i])]
    gauge = (
        100 * bench.level[i] + rng.normal(0, 2.0) + 1.5 * np.sin(1.7 * bench.model[i] + 6 * bench.level[i])
    )
    return {
        "fuel_level_pct": _stepped(float(np.clip(gauge, 0, 100)), shop.level_step_pct)
        if rng.random() > 0.02
        else None,
        "ambient_c": _stepped(bench.ambient_k[i] - 273.15 + rng.normal(0, 1), shop.ambient_step_k),
        "barometric_kpa": _stepped(bench.ambient_pa[i] / 1000 + rng.normal(0, 0.2), shop.barometer_step_kpa),
        "fuel_tank_l": float(bench.tank_l[i]) if rng.random() > 0.02 else None,
    }
