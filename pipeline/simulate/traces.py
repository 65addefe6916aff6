"""Recordings as a recorder would write them: gauge, volts, commands, flow, unevenly sampled, with their headers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import STAGES
from pipeline.simulate import world
from pipeline.simulate.faults import FAULT, FAULTS
from pipeline.simulate.fleet import Fleet
from pipeline.simulate.jobs import JobBook, job_ids, times
from pipeline.simulate.trace_physics import (
    GAS_CONSTANT,
    IS_SHUT,
    History,
    Rig,
    Script,
    commanded_duty,
    feed_flow,
    integrate,
)
from pipeline.simulate.trace_plan import MANNERS, TracePlan
from pipeline.simulate.trace_rig import KG_S_PER_STD_L_MIN, Weather, build_rig, draw_weather
from pipeline.simulate.trace_script import build_script

_TOGETHER = 2000
_SHOP_GAUGE_STEP_PA = 2.5


@dataclass(frozen=True)
class Recordings:
    """Headers and samples in our names (`source_id` beside them), and what is true of each recording."""

    headers: pl.DataFrame
    samples: pl.DataFrame
    truth: pl.DataFrame


@dataclass(frozen=True)
class _Clock:
    """A recorder's clock, which leaps ahead by `leap_s` where `leaps_at_s` have passed."""

    leaps_at_s: np.ndarray
    leap_s: np.ndarray


@dataclass(frozen=True)
class _Gauge:
    """What is made of the pressure: pressure and volts of the sensor may tell different stories.

    Nothing below `lowest_pa` shows. `is_shop_gauge`: pressure was read from the shop's own gauge, the sensor was not.
    """

    gain: np.ndarray
    offset_pa: np.ndarray
    lowest_pa: np.ndarray
    is_shop_gauge: np.ndarray
    volts_story: np.ndarray
    volts_at_rest: np.ndarray
    pa_per_volt: np.ndarray
    noise_pa: np.ndarray


def record_traces(
    rng: np.random.Generator, fleet: Fleet, book: JobBook, plan: TracePlan, first: int
) -> Recordings:
    """Integrate and record every planned trace; at most 2000 are held together."""
    parts = []
    for start in range(0, plan.size, _TOGETHER):
        some = plan.take(np.arange(start, min(start + _TOGETHER, plan.size)))
        parts.append(_record(rng, fleet, book, some, first, start))
    if not parts:
        empty = plan.take(np.arange(0))
        return _record(rng, fleet, book, empty, first, 0)
    return Recordings(*(pl.concat(getattr(p, k) for p in parts) for k in ("headers", "samples", "truth")))


def _record(
    rng: np.random.Generator, fleet: Fleet, book: JobBook, plan: TracePlan, first: int, start: int
) -> Recordings:
    weather = draw_weather(rng, plan)
    gauge = _draw_gauge(rng, fleet, plan)
    rig = build_rig(rng, fleet, plan, weather)
    script = build_script(rng, plan, gauge.gain, gauge.offset_pa, gauge.lowest_pa)
    headers = _headers(rng, fleet, book, plan, weather, first, start)
    if not plan.size:
        clock = _draw_clock(rng, np.zeros(0))
        return Recordings(
            headers, _no_samples(), _truth(headers, plan, rig, gauge, clock, np.zeros(0), script)
        )
    history = integrate(rig, script)
    clock = _draw_clock(rng, history.starts_s[:, -1])
    samples = _sample(rng, plan, rig, gauge, clock, script, history, headers["trace_id"])
    lowest_pa = history.gauge_pa.min(axis=1)
    return Recordings(headers, samples, _truth(headers, plan, rig, gauge, clock, lowest_pa, script))


def _draw_clock(rng: np.random.Generator, end_s: np.ndarray) -> _Clock:
    leaps = rng.random(len(end_s)) < 0.04
    at = np.where(leaps, rng.uniform(0.1, 0.9, len(end_s)) * end_s, np.inf)
    return _Clock(at, np.where(leaps, np.round(rng.uniform(3, 40, len(end_s)), 2), 0.0))


def _draw_gauge(rng: np.random.Generator, fleet: Fleet, plan: TracePlan) -> _Gauge:
    n, f = plan.size, plan.fault
    model = fleet.model[plan.vehicle]
    at_rest = np.array([m.volts_at_rest for m in world.MODELS])[model]
    slope = np.array([m.pa_per_volt for m in world.MODELS])[model]
    flat, off, disagrees = (f == FAULT[k] for k in ("sensor_flat", "sensor_offset", "sensor_disagrees"))
    rail = rng.choice([0.04, 4.95], n)
    stuck = np.where(rng.random(n) < 0.5, 0.0, (rail - at_rest) * slope)
    shift = rng.uniform(600, 1600, n) * rng.choice([-1, 1], n)
    # a few vehicles have a sensor whose range ends within what a test draws
    _, place = np.unique(plan.vehicle, return_inverse=True)
    m = place.max() + 1 if n else 0
    ends_pa = np.where(rng.random(m) < 0.04, rng.uniform(-2_700, -1_700, m), -np.inf)[place]
    return _Gauge(
        gain=np.where(flat, 0.0, 1.0),
        offset_pa=np.select([flat, off], [stuck, shift], rng.normal(0, 18, n)),
        lowest_pa=np.where(plan.is_fed | flat | off, -np.inf, ends_pa),
        is_shop_gauge=plan.is_fed,
        volts_story=np.where(disagrees, rng.choice([1, 2, 3], n), 0),
        volts_at_rest=at_rest,
        pa_per_volt=slope,
        noise_pa=np.where(flat, 0.0, rng.uniform(2, 7, n)),
    )


def _sample(
    rng: np.random.Generator,
    plan: TracePlan,
    rig: Rig,
    gauge: _Gauge,
    clock: _Clock,
    script: Script,
    history: History,
    trace_id: pl.Series,
) -> pl.DataFrame:
    row, t = _sample_times(rng, history.starts_s[:, -1])
    place = np.minimum(t / history.every_s, history.gauge_pa.shape[1] - 1.001)
    low = place.astype(int)
    true = history.gauge_pa[row, low]
    true = true + (place - low) * (history.gauge_pa[row, low + 1] - true)
    stage = (t[:, None] >= history.starts_s[row, 1:-1]).sum(axis=1)
    noisy = true * gauge.gain[row] + gauge.noise_pa[row] * rng.standard_normal(len(t)) + gauge.offset_pa[row]
    slope, is_shop_gauge = gauge.pa_per_volt[row], gauge.is_shop_gauge[row]
    shown = np.maximum(noisy, gauge.lowest_pa[row])
    volts = np.clip(gauge.volts_at_rest[row] + shown / slope, 0, 5)
    volts = np.round(volts * 1023 / 5) * 5 / 1023  # ten-bit converter over 5 V
    by_sensor = (volts - gauge.volts_at_rest[row]) * slope
    by_shop = np.round(noisy / _SHOP_GAUGE_STEP_PA) * _SHOP_GAUGE_STEP_PA
    volts = _other_story(rng, gauge.volts_story[row], gauge.volts_at_rest[row], volts, t)
    since_s = t - history.starts_s[row, stage]
    duty = 100 * commanded_duty(script.duty[row], script.duty_step_s[row], stage, since_s)
    fed = feed_flow(rig.feed_kg_s[row], script.regulated_pa[row], stage, true) / KG_S_PER_STD_L_MIN
    has_meter = plan.is_made("steady_flow")[row]
    fed = np.where(has_meter, fed * (1 + 0.015 * rng.standard_normal(plan.size))[row], np.nan)
    wander = 0.5 + 0.5 * np.sin(t / 5.0 + row)
    duty = np.where(plan.is_made("driving")[row], np.round(duty * wander), duty)
    return pl.DataFrame(
        {
            "trace_id": trace_id.gather(row),
            "t_s": t + np.where(t >= clock.leaps_at_s[row], clock.leap_s[row], 0.0),
            "tank_pressure_pa": np.round(np.where(is_shop_gauge, by_shop, by_sensor), 1),
            "sensor_v": pl.Series(np.where(is_shop_gauge, np.nan, np.round(volts, 3))).fill_nan(None),
            "purge_duty_pct": np.round(duty, 1),
            "is_vent_closed": IS_SHUT[stage],
            "test_flow_std_l_min": pl.Series(np.round(fed, 2)).fill_nan(None),
            "engine_rpm": np.round((710 + 8 * (row % 7) + rng.normal(0, 9, len(t))) / 10) * 10,
        }
    )


def _other_story(
    rng: np.random.Generator, story: np.ndarray, at_rest: np.ndarray, volts: np.ndarray, t: np.ndarray
) -> np.ndarray:
    """Let the volts disagree with the pressure: 1 they stay at rest, 2 they drop out, 3 they wander."""
    flicker = 0.01 * np.round(rng.normal(0, 0.6, len(t)))
    out = np.sin(t * 2 * np.pi / 17.0) > 0.3
    wander = np.clip(at_rest + 1.1 * np.sin(t * 2 * np.pi / 43.0), 0, 5)
    return np.select(
        [story == 1, (story == 2) & out, story == 3], [at_rest + flicker, 0.02 + 0 * t, wander], volts
    )


def _sample_times(rng: np.random.Generator, end_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Draw uneven times to 10 ms at 2 to 5 Hz, with lost samples and, in one trace of five, a gap of 2 s."""
    rate = rng.choice([2.0, 2.5, 4.0, 5.0], len(end_s), p=[0.4, 0.3, 0.2, 0.1])
    counts = (end_s * rate).astype(int)
    row = np.repeat(np.arange(len(end_s)), counts)
    tick = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
    t = np.round((tick + 0.5 + rng.uniform(-0.2, 0.2, len(row))) / rate[row], 2)
    gap_from = np.where(rng.random(len(end_s)) < 0.2, rng.uniform(0.1, 0.9, len(end_s)) * end_s, np.inf)
    lost = (rng.random(len(row)) < 0.015) | ((t >= gap_from[row]) & (t < gap_from[row] + 2))
    return row[~lost], t[~lost]


def _headers(
    rng: np.random.Generator,
    fleet: Fleet,
    book: JobBook,
    plan: TracePlan,
    weather: Weather,
    first: int,
    start: int,
) -> pl.DataFrame:
    names = job_ids(book, first)
    frame = pl.DataFrame(
        {
            "source_id": [world.SOURCES[s] for s in plan.source],
            "trace_id": [f"T{first * 10 + start + i:06d}" for i in range(plan.size)],
            "job_id": [names[j] if j >= 0 else None for j in plan.job],
            "vehicle_id": fleet.vehicle_id[plan.vehicle],
            "stage": [STAGES[s] for s in plan.stage],
            "recorded_at": times(plan.recorded),
            "fuel_level_pct": weather.fuel_level_pct,
            "ambient_c": weather.ambient_c,
            "barometric_kpa": weather.barometric_kpa,
        },
        schema_overrides=dict.fromkeys(("source_id", "trace_id", "job_id", "vehicle_id", "stage"), pl.String),
    )
    silent = pl.Series("silent", rng.random(plan.size) < 0.08, dtype=pl.Boolean)
    return frame.with_columns(
        pl.when(silent).then(None).otherwise(pl.col("barometric_kpa")).alias("barometric_kpa")
    )


def _truth(
    headers: pl.DataFrame,
    plan: TracePlan,
    rig: Rig,
    gauge: _Gauge,
    clock: _Clock,
    lowest_pa: np.ndarray,
    script: Script,
) -> pl.DataFrame:
    """Return what is true of each recording.

    `leak_diameter_mm` is the leak that is the fault, `hole_mm` whatever opening there is, of tight systems too;
    `vapor_rise_pa_s` is what the vapor adds to a shut tank at the pressure outside, `sensor_offset_pa` what the gauge
    reads there. A clock leaps ahead by `clock_leap_s`, a sensor ends at `sensor_end_pa` (null: it does not).
    """
    rise_pa_s = rig.vapor_kg_s * GAS_CONSTANT * rig.wall_k / rig.volume_m3
    numbers = {
        "hole_mm": np.round(1000 * rig.leak_m, 4),
        "gas_volume_l": np.round(1000 * rig.volume_m3, 3),
        "vapor_rise_pa_s": np.round(rise_pa_s, 3),
        "fuel_c": np.round(rig.wall_k - 273.15, 2),
        "purge_open_mm": np.round(1000 * rig.purge_m, 4),
        "purge_shut_mm": np.round(1000 * rig.purge_shut_m, 4),
        "purge_delay_s": np.round(rig.purge_delay_s, 3),
        "wall_time_s": np.round(rig.wall_time_s, 2),
        "vent_open_mm": np.round(1000 * rig.vent_open_m, 4),
        "sensor_offset_pa": np.round(gauge.offset_pa, 1),
        "sensor_noise_pa": np.round(gauge.noise_pa, 2),
        "gas_g_mol": np.round(rig.gas_g_mol, 2),
        "clock_leap_s": clock.leap_s,
    }
    return headers.select("source_id", "trace_id", "job_id", "vehicle_id", "stage").with_columns(
        pl.Series("verdict", [FAULTS[f] for f in plan.fault], dtype=pl.String),
        pl.Series("manner", [MANNERS[m] for m in plan.manner], dtype=pl.String),
        pl.Series("leak_diameter_mm", np.round(plan.diameter_mm, 4)).fill_nan(None),
        pl.Series("lowest_true_pressure_pa", np.round(lowest_pa, 1)),
        pl.Series("target_pa", np.where(script.gain == 0, np.nan, np.round(script.target_pa, 1))).fill_nan(
            None
        ),
        *(pl.Series(name, values) for name, values in numbers.items()),
        pl.Series("sensor_end_pa", _where_finite(np.round(gauge.lowest_pa, 1))).fill_nan(None),
    )


def _where_finite(values: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(values), values, np.nan)


def _no_samples() -> pl.DataFrame:
    words, numbers = pl.String, pl.Float64
    schema = {"trace_id": words, "t_s": numbers, "tank_pressure_pa": numbers, "sensor_v": numbers}
    schema |= {"purge_duty_pct": numbers, "is_vent_closed": pl.Boolean}
    schema |= {"test_flow_std_l_min": numbers, "engine_rpm": numbers}
    return pl.DataFrame(schema=schema)
