"""Which jobs were recorded, how the technician went about it, and what was wrong at each recording."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from pipeline.simulate import world
from pipeline.simulate.faults import FAULT
from pipeline.simulate.fleet import Fleet
from pipeline.simulate.jobs import JobBook

_RARE = ("sensor_flat", "sensor_offset", "sensor_disagrees")  # recorded more often
#: how a recording was made; those under pressure are read from a gauge of the shop's, beside the sensor
MANNERS = (
    *("test", "test_purge_first", "driving", "aborted"),
    *("two_draws", "short_draw", "vent_opened_early", "pressure_hold", "steady_flow"),
)
MANNER = {name: k for k, name in enumerate(MANNERS)}
FED = ("pressure_hold", "steady_flow")
#: shares of the tests of jobs; a shop that cannot do one does a plain test
_SHARES = {
    "test": 0.58,
    "test_purge_first": 0.15,
    "two_draws": 0.06,
    "short_draw": 0.03,
    "vent_opened_early": 0.03,
    "pressure_hold": 0.07,
    "steady_flow": 0.08,
}


@dataclass(frozen=True)
class TracePlan:
    """Recordings to be made, in arrays of one length; `job` is an index or -1, `manner` an index of `MANNERS`."""

    job: np.ndarray
    vehicle: np.ndarray
    source: np.ndarray
    stage: np.ndarray
    recorded: np.ndarray
    fault: np.ndarray
    diameter_mm: np.ndarray
    manner: np.ndarray
    altitude_m: np.ndarray

    @property
    def size(self) -> int:
        return len(self.vehicle)

    def is_made(self, *manners: str) -> np.ndarray:
        """Tell the recordings that are made in one of these manners."""
        return np.isin(self.manner, [MANNER[name] for name in manners])

    @property
    def is_fed(self) -> np.ndarray:
        """Those in which gas is fed from outside."""
        return self.is_made(*FED)

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
        manner=_manners(rng, source[rows], fault),
        altitude_m=np.array([s.altitude_m for s in world.SHOPS])[book.shop[rows]],
    )


def _manners(rng: np.random.Generator, source: np.ndarray, fault: np.ndarray) -> np.ndarray:
    """Draw how each test of a job is made.

    Gas is fed where a leak is looked for, by shops that have the gear; only the fleet office's notes the flow. A tank
    that cannot be drawn down is not drawn twice.
    """
    drawn = rng.choice([MANNER[m] for m in _SHARES], len(fault), p=list(_SHARES.values()))
    is_fed = np.isin(drawn, [MANNER[name] for name in FED])
    has_gear = np.isin(source, [world.SOURCES.index(s) for s in ("fleet_office", "brightwell_shops")])
    has_gear &= (drawn != MANNER["steady_flow"]) | (source == world.SOURCES.index("fleet_office"))
    leaks_or_holds = np.isin(fault, [FAULT["leak"], FAULT["holds"]])
    able = np.where(is_fed, has_gear, True) & (leaks_or_holds | (drawn == 0) | (drawn == 1))
    return np.where(able, drawn, MANNER["test"])


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
        altitude_m=np.zeros(n),
    )
