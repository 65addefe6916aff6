"""Which jobs were recorded, and what was physically there at each recording."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from pipeline.simulate import world
from pipeline.simulate.faults import FAULT
from pipeline.simulate.fleet import Fleet
from pipeline.simulate.jobs import JobBook
from pipeline.simulate.trace_physics import GAS_CONSTANT, Rig, Script

_RARE = ("sensor_flat", "sensor_offset", "sensor_disagrees")  # recorded more often
MANNERS = ("test", "test_purge_first", "driving", "aborted")


@dataclass(frozen=True)
class TracePlan:
    """Recordings to be made, in arrays of one length; `job` is an index or -1, `manner` one of `MANNERS`."""

    job: np.ndarray
    vehicle: np.ndarray
    source: np.ndarray
    stage: np.ndarray
    recorded: np.ndarray
    fault: np.ndarray
    diameter_mm: np.ndarray
    manner: np.ndarray

    @property
    def size(self) -> int:
        return len(self.vehicle)

    def take(self, rows: np.ndarray) -> TracePlan:
        return TracePlan(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def plan_traces(rng: np.random.Generator, fleet: Fleet, book: JobBook, share: float) -> TracePlan:
    """Choose the recordings of a chunk: `share` of the closed repair jobs get a before-trace, most of those an
    after-trace; a few vehicles are recorded in routine.
    """
    source = _sources(book)
    able = (book.purpose != 2) & np.isfinite(book.closed)
    # a recorder that reads diagnostic responses alone shows no volts: no story for them to disagree with
    able &= (source != world.SOURCES.index("roadside_unit")) | (book.fault != FAULT["sensor_disagrees"])
    rare = np.isin(book.fault, [FAULT[k] for k in _RARE])
    wanted = np.minimum(share * np.where(rare, 2.5, 0.95), 1.0)
    before = np.flatnonzero(able & (rng.random(book.size) < wanted))
    again = rng.random(before.size) < np.where(book.is_fixed[before], 0.68, 0.45)
    after = before[again & (book.purpose[before] == 0)]
    length = book.closed - book.opened
    parts = [
        _of_jobs(rng, book, source, before, 0, book.opened + 0.15 * length),
        _of_jobs(rng, book, source, after, 1, book.opened + 0.85 * length),
        _routine(rng, fleet, rng.poisson(0.09 * share * fleet.size)),
    ]
    plan = TracePlan(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(TracePlan)}
    )
    return plan.take(np.argsort(plan.recorded, kind="stable"))


def _sources(book: JobBook) -> np.ndarray:
    return np.array([world.SOURCES.index(s.source_id) for s in world.SHOPS])[book.shop]


def _of_jobs(
    rng: np.random.Generator, book: JobBook, source: np.ndarray, rows: np.ndarray, stage: int, at: np.ndarray
) -> TracePlan:
    cured = (stage == 1) & book.is_fixed[rows]
    # a hole that was patched, not closed, is smaller afterwards
    smaller = np.where((stage == 1) & ~book.is_fixed[rows], rng.uniform(0.7, 1.0, rows.size), 1.0)
    fault = np.where(cured, FAULT["holds"], book.fault[rows])
    return TracePlan(
        job=rows,
        vehicle=book.vehicle[rows],
        source=source[rows],
        stage=np.full(rows.size, stage),
        recorded=at[rows],
        fault=fault,
        diameter_mm=np.where(
            fault == FAULT["leak"], np.maximum(book.diameter_mm[rows] * smaller, 0.25), np.nan
        ),
        manner=rng.choice([0, 1], rows.size, p=[0.8, 0.2]),
    )


def _routine(rng: np.random.Generator, fleet: Fleet, n: int) -> TracePlan:
    vehicle = rng.integers(0, max(fleet.size, 1), n)
    first = np.maximum(fleet.in_day[vehicle], world.START_DAY)
    last = np.maximum(np.minimum(fleet.out_day[vehicle], world.END_DAY), first + 1)
    manner = rng.choice(4, n, p=[0.2, 0.1, 0.45, 0.25])
    return TracePlan(
        job=np.full(n, -1),
        vehicle=vehicle,
        source=np.full(n, world.SOURCES.index("fleet_office")),
        stage=np.full(n, 2),
        recorded=np.floor(rng.uniform(first, last)) + rng.integers(810, 1260, n) / 1440,
        fault=np.where(manner < 2, FAULT["holds"], FAULT["not_judged"]),
        diameter_mm=np.full(n, np.nan),
        manner=manner,
    )


@dataclass(frozen=True)
class Weather:
    """What the recorder notes beside a trace: fuel level [%], ambient temperature [°C], barometer [kPa]."""

    fuel_level_pct: np.ndarray
    ambient_c: np.ndarray
    barometric_kpa: np.ndarray


def draw_weather(rng: np.random.Generator, plan: TracePlan) -> Weather:
    """Draw season, tank and barometer of each visit; the recordings of one job share them."""
    visit = np.where(plan.job >= 0, plan.job, -1 - np.arange(plan.size))
    _, first, place = np.unique(visit, return_index=True, return_inverse=True)
    season = -np.cos(2 * np.pi * (plan.recorded[first] % 365.25) / 365.25)
    ambient = np.round(np.clip(12 + 12 * season + rng.normal(0, 4, first.size), -8, 38)) + 0.0
    fuel = np.round(rng.uniform(12, 85, first.size))
    barometric = np.round(rng.normal(98.2, 0.8, first.size))
    return Weather(fuel[place], ambient[place], barometric[place])


def build_rig(rng: np.random.Generator, fleet: Fleet, plan: TracePlan, weather: Weather) -> Rig:
    """Put together tank, lines and valves, with the fault in its place."""
    n, f = plan.size, plan.fault
    tank_l = np.array([m.fuel_tank_l for m in world.MODELS])[fleet.model[plan.vehicle]]
    volume = (tank_l * (1 - weather.fuel_level_pct / 100) + rng.uniform(3.5, 6.5, n)) / 1000
    barometric = weather.barometric_kpa * 1000
    kelvin = weather.ambient_c + 273.15 + rng.uniform(0, 7, n)
    creep_pa_s = rng.lognormal(np.log(2.5), 0.5, n) * np.exp(0.045 * (kelvin - 293.15))
    flow_m3_s = np.clip(rng.lognormal(np.log(330), 0.3, n) * volume / barometric, 0.15e-3, 0.8e-3)
    purge = np.sqrt(flow_m3_s / (0.61 * np.pi / 4 * 200.0))  # choked speed of about 200 m/s, duty left out
    wide_open, shut = f == FAULT["gross_leak"], f == FAULT["vent_restricted"]
    # an opening so wide that the purge draws no more than this vacuum
    remains_pa = np.exp(rng.uniform(np.log(40), np.log(600), n))
    opening_mm = 1000 * np.sqrt(flow_m3_s / (0.61 * np.pi / 4 * np.sqrt(2 * remains_pa / 1.17)))
    leak_mm = np.select(
        [f == FAULT["leak"], wide_open], [plan.diameter_mm, opening_mm], rng.uniform(0.02, 0.10, n)
    )
    return Rig(
        volume_m3=volume,
        barometric_pa=barometric,
        start_gauge_pa=np.where(shut, rng.uniform(-350, 200, n), 0.0),
        wall_k=kelvin,
        leak_m=leak_mm / 1000,
        vent_open_m=np.where(shut, rng.uniform(0.0, 0.3, n), rng.uniform(6, 9, n)) / 1000,
        vent_shut_m=np.zeros(n),
        purge_m=np.where(f == FAULT["no_vacuum"], rng.uniform(0, 0.08e-3, n), purge),
        purge_shut_m=np.where(f == FAULT["purge_passes_closed"], rng.uniform(0.35e-3, 0.9e-3, n), 0.0),
        manifold_pa=rng.uniform(30_000, 45_000, n),
        vapor_kg_s=creep_pa_s * volume / (GAS_CONSTANT * kelvin),
        vapor_scale_pa=rng.uniform(4_000, 9_000, n),
        wall_time_s=rng.uniform(3, 10, n),
        relief_pa=rng.uniform(3_650, 3_900, n),
    )


def build_script(
    rng: np.random.Generator, plan: TracePlan, gain: np.ndarray, offset_pa: np.ndarray
) -> Script:
    """Lay down what the technician does; stages are those of `trace_physics.STAGES`."""
    n = plan.size
    seconds = np.column_stack(
        [
            rng.uniform(4, 12, n),
            np.where(plan.manner == 1, rng.uniform(2, 5, n), 0),
            np.where(plan.manner == 0, rng.uniform(8, 24, n), 0),
            rng.uniform(25, 40, n),
            rng.uniform(30, 120, n),
            rng.uniform(5, 12, n),
        ]
    )
    flat = gain == 0  # a gauge that never arrives: given up after a while
    seconds[:, 3] = np.where(flat, rng.uniform(8, 15, n), seconds[:, 3])
    driving, aborted = plan.manner == 2, plan.manner == 3
    seconds[driving] = seconds[driving] * 0 + np.array([20, 40, 0, 0, 0, 8])
    seconds[aborted, 1] = 0
    seconds[aborted, 2] = rng.uniform(8, 24, aborted.sum())
    seconds[aborted, 3:5] = 0
    return Script(
        seconds=seconds,
        target_pa=np.where(flat, -1e9, -rng.uniform(2_000, 3_500, n)),
        duty=np.round(rng.uniform(0.7, 1.0, n), 2),
        gain=gain,
        offset_pa=offset_pa,
        hold_if_missed_s=rng.uniform(20, 45, n),
    )
