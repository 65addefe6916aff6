"""From failures to jobs: who repaired what, whether that was the fault, and who came back."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from pipeline.simulate import faults, notes, world
from pipeline.simulate.failures import ACTIONS, Failures
from pipeline.simulate.fleet import Fleet, shop_shares

NONE_FOUND = len(world.COMPONENTS)
COMPONENTS = (*world.COMPONENT_NAMES, "none_found")
NO_ACTION = len(ACTIONS)
PURPOSES = ("repair", "nothing_found", "readiness")
_TEXTS: tuple[str, ...] = (
    "source_id",
    "job_id",
    "shop_id",
    "technician_id",
    "vehicle_id",
    "trouble_codes",
    "component",
)
_TEXTS += ("action", "checks", "currency", "note")
_PREFIX = {"fleet_office": "FO-", "brightwell_shops": "J", "roadside_unit": "RU-"}


@dataclass(frozen=True)
class JobBook:
    """Jobs in arrays of one length, with the truth that no shop writes down.

    `component` and `action` are what the job says, `true_component`, `fault` and `diameter_mm` what was broken;
    `follows` is the index of the job whose repair failed, or -1. Days are fractions since 1970-01-01 UTC.
    """

    vehicle: np.ndarray
    shop: np.ndarray
    opened: np.ndarray
    closed: np.ndarray
    component: np.ndarray
    action: np.ndarray
    true_component: np.ndarray
    fault: np.ndarray
    diameter_mm: np.ndarray
    is_fixed: np.ndarray
    follows: np.ndarray
    purpose: np.ndarray
    failed_day: np.ndarray

    @property
    def size(self) -> int:
        return len(self.vehicle)

    def take(self, rows: np.ndarray) -> JobBook:
        return JobBook(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def make_jobs(rng: np.random.Generator, fleet: Fleet, failures: Failures) -> JobBook:
    """Book the jobs of one chunk of vehicles, in order of opening."""
    visits = [_first_visits(rng, fleet, failures)]
    offset = 0
    while (later := _comebacks(rng, fleet, visits[-1], offset)).size:
        offset += visits[-1].size
        visits.append(later)
    visits += [_fruitless(rng, fleet, 0.012, "nothing_found"), _fruitless(rng, fleet, 0.022, "readiness")]
    book = JobBook(**{f.name: np.concatenate([getattr(v, f.name) for v in visits]) for f in fields(JobBook)})
    order = np.argsort(book.opened, kind="stable")
    place = np.empty(book.size, dtype=int)
    place[order] = np.arange(book.size)
    sorted_book = book.take(order)
    follows = np.where(sorted_book.follows >= 0, place[sorted_book.follows], -1)
    return JobBook(**{**vars(sorted_book), "follows": follows})


def _first_visits(rng: np.random.Generator, fleet: Fleet, failures: Failures) -> JobBook:
    fault, diameter = faults.draw_faults(rng, failures.component)
    opened = _opening(rng, failures.day + rng.exponential(16, len(failures.day)))
    away = rng.random(len(opened)) < 0.15
    shop = np.where(
        away, rng.choice(len(world.SHOPS), len(opened), p=shop_shares()), fleet.home_shop[failures.vehicle]
    )
    return _visit(
        rng,
        fleet,
        vehicle=failures.vehicle,
        shop=shop,
        opened=opened,
        action=failures.action,
        true_component=failures.component,
        fault=fault,
        diameter_mm=diameter,
        follows=np.full(len(opened), -1),
        failed_day=failures.day,
    )


def _comebacks(rng: np.random.Generator, fleet: Fleet, before: JobBook, offset: int) -> JobBook:
    back = np.flatnonzero(~before.is_fixed & np.isfinite(before.closed))
    opened = _opening(rng, before.closed[back] + rng.uniform(4, 70, back.size))
    elsewhere = rng.random(back.size) < 0.12
    shop = np.where(elsewhere, rng.choice(len(world.SHOPS), back.size, p=shop_shares()), before.shop[back])
    return _visit(
        rng,
        fleet,
        vehicle=before.vehicle[back],
        shop=shop,
        opened=opened,
        action=rng.choice(3, back.size, p=[0.8, 0.18, 0.02]),
        true_component=before.true_component[back],
        fault=before.fault[back],
        diameter_mm=before.diameter_mm[back],
        follows=back + offset,
        failed_day=before.failed_day[back],
    )


def _visit(rng: np.random.Generator, fleet: Fleet, **known: np.ndarray) -> JobBook:
    """Finish repair visits: closing time, whether it was the fault, and what the job then says."""
    n = len(known["opened"])
    fixed = rng.random(n) < np.array([s.first_time_fix for s in world.SHOPS])[known["shop"]]
    wrong_part = ~fixed & (rng.random(n) < 0.5)
    guess = _wrong_guess(rng, known["fault"], known["true_component"])
    book = JobBook(
        closed=_closing(rng, known["opened"]),
        component=np.where(wrong_part, guess, known["true_component"]),
        is_fixed=fixed,
        purpose=np.full(n, PURPOSES.index("repair")),
        **known,
    )
    return book.take(_happens(fleet, known["vehicle"], known["opened"]))


def _fruitless(rng: np.random.Generator, fleet: Fleet, rate_per_year: float, purpose: str) -> JobBook:
    """Book jobs that repair nothing, at a plain rate: nothing found, or driving until monitors are ready."""
    days = world.END_DAY - world.START_DAY
    n = rng.poisson(rate_per_year / 365.25 * days * fleet.size)
    vehicle = rng.integers(0, max(fleet.size, 1), n)
    opened = _opening(rng, world.START_DAY + rng.uniform(0, days, n))
    whole = np.zeros(n, dtype=int)
    book = JobBook(
        vehicle=vehicle,
        shop=fleet.home_shop[vehicle],
        opened=opened,
        closed=_closing(rng, opened),
        component=whole + NONE_FOUND,
        action=whole + NO_ACTION,
        true_component=whole + NONE_FOUND,
        fault=whole + faults.FAULT["holds"],
        diameter_mm=np.full(n, np.nan),
        is_fixed=np.ones(n, dtype=bool),
        follows=whole - 1,
        purpose=whole + PURPOSES.index(purpose),
        failed_day=np.full(n, np.inf),
    )
    return book.take(_happens(fleet, vehicle, opened))


def _happens(fleet: Fleet, vehicle: np.ndarray, opened: np.ndarray) -> np.ndarray:
    first = np.maximum(fleet.in_day[vehicle], world.START_DAY)
    last = np.minimum(fleet.out_day[vehicle], world.END_DAY)
    return np.flatnonzero((opened >= first) & (opened < last))


def _opening(rng: np.random.Generator, day: np.ndarray) -> np.ndarray:
    """Move a day into working hours: 13:30 to 21:00 UTC is morning to afternoon in the county."""
    minutes = rng.integers(810, 1260, len(day))
    return np.floor(day) + minutes / 1440


def _closing(rng: np.random.Generator, opened: np.ndarray) -> np.ndarray:
    hours = rng.lognormal(np.log(4), 0.5, len(opened)) + 24 * rng.poisson(0.4, len(opened))
    closed = np.round((opened + hours / 24) * 1440) / 1440
    return np.where(closed < world.END_DAY + 1, closed, np.nan)


def _wrong_guess(rng: np.random.Generator, fault: np.ndarray, true_component: np.ndarray) -> np.ndarray:
    draw = rng.random(len(fault))
    guesses = true_component.copy()
    for i, (f, component) in enumerate(zip(fault, true_component, strict=True)):
        others = [c for c in faults.MISTAKEN_FOR[faults.FAULTS[f]] if c != COMPONENTS[component]]
        guesses[i] = COMPONENTS.index(others[int(draw[i] * len(others))])
    return guesses


def job_ids(book: JobBook, first: int) -> list[str]:
    """Name each job in the manner of its source; `first` is the number of the chunk's first vehicle."""
    sources = [world.SHOPS[s].source_id for s in book.shop]
    return [f"{_PREFIX[source]}{100_000 + first * 5 + i}" for i, source in enumerate(sources)]


def jobs_frame(rng: np.random.Generator, fleet: Fleet, book: JobBook, first: int) -> pl.DataFrame:
    """Write the jobs in our names, with `source_id` beside them; lists are joined by `;`."""
    names = [COMPONENTS[c] for c in book.component]
    true_names = [COMPONENTS[c] for c in book.true_component]
    shops = [world.SHOPS[s] for s in book.shop]
    cost, hours = _cost(rng, book)
    codes = faults.draw_codes(rng, true_names, book.fault, book.diameter_mm)
    without = (book.purpose == 2) | ((book.purpose == 1) & (rng.random(book.size) < 0.5))
    odometer = np.round((book.opened - fleet.in_day[book.vehicle]) * fleet.km_per_day[book.vehicle])
    technician = rng.integers(1, 4, book.size)
    frame = pl.DataFrame(
        {
            "source_id": [s.source_id for s in shops],
            "job_id": job_ids(book, first),
            "shop_id": [s.shop_id for s in shops],
            "technician_id": [f"{s.shop_id}-T{t}" for s, t in zip(shops, technician, strict=True)],
            "vehicle_id": fleet.vehicle_id[book.vehicle],
            "opened_at": times(book.opened),
            "closed_at": times(book.closed),
            "odometer_km": np.maximum(odometer, 0),
            "trouble_codes": [None if w else c for c, w in zip(codes, without, strict=True)],
            "component": names,
            "action": [(*ACTIONS, "none")[a] for a in book.action],
            "checks": faults.draw_checks(rng, names, book.fault),
            "labor_h": hours,
            "parts_cost": cost,
            "currency": ["USD"] * book.size,
            "note": notes.draw_notes(rng, names, [PURPOSES[p] for p in book.purpose], hostile=first <= 1),
        },
        schema_overrides=dict.fromkeys(_TEXTS, pl.String),
    )
    gone = pl.Series(rng.random(book.size) < 0.04)
    silent = pl.Series(rng.random(book.size) < 0.06)
    return frame.with_columns(
        pl.when(gone).then(None).otherwise(pl.col("technician_id")).alias("technician_id"),
        pl.when(silent).then(None).otherwise(pl.col("odometer_km")).alias("odometer_km"),
    )


def _cost(rng: np.random.Generator, book: JobBook) -> tuple[np.ndarray, np.ndarray]:
    parts = np.array([*(c.parts_cost for c in world.COMPONENTS), 0.0])[book.component]
    labor = np.array([*(c.labor_h for c in world.COMPONENTS), 0.8])[book.component]
    cost = np.where(book.action == 0, parts * rng.uniform(0.8, 1.3, book.size), parts * 0.1)
    return np.round(cost, 2), np.round(labor * rng.lognormal(0, 0.25, book.size), 1)


def times(days: np.ndarray) -> pl.Series:
    """Turn days (with fraction) into UTC times to the second; a day that is not finite becomes null."""
    known = np.isfinite(days)
    seconds = np.round(np.where(known, days, 0) * 86_400).astype(np.int64)
    return pl.Series(seconds * 1_000_000).cast(pl.Datetime("us", "UTC")).set(pl.Series(~known), None)
