"""Inspections of the county's program: yearly or biennial visits, retests, waivers, and one station that copies.

Stations judge by 40 CFR 85.2222 (lamp on: fail; too many monitors not complete: return, and fail the second
time). Readiness follows from the distance driven since the codes were last cleared.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.simulate import world
from pipeline.simulate.fleet import Fleet
from pipeline.simulate.jobs import JobBook, times
from pipeline.standards.obd import MonitorStatus, encode_monitor_status

#: median distance since a clear [km] at which a monitor is complete; lognormal with sigma 0.8 (our choice)
KM_TO_READY = {
    "catalyst": 95.0,
    "evap": 190.0,
    "secondary_air": 70.0,
    "o2_sensor": 45.0,
    "o2_heater": 12.0,
    "egr_vvt": 60.0,
}
SLOW = tuple(KM_TO_READY)
_ODD = world.STATIONS.index(world.EFFECTS.station_id)
_TEXTS: tuple[str, ...] = ("inspection_id", "station_id", "vehicle_id", "trouble_codes", "cap_test_result")
_TEXTS += ("monitor_status_hex", "monitors_not_ready")
_CLEARS_PER_YEAR = 0.8
_LAMP_CODES = ("P0420", "P0171", "P0300", "P0442", "P0455", "P0456", "P0135", "P0401")


@dataclass(frozen=True)
class Visits:
    """One round of visits, in arrays of one length."""

    vehicle: np.ndarray
    station: np.ndarray
    day: np.ndarray
    is_broken: np.ndarray
    cleared_day: np.ndarray
    round: np.ndarray
    came_back_unready: np.ndarray
    seen: dict[str, np.ndarray] = field(default_factory=dict)


def make_inspections(
    rng: np.random.Generator, fleet: Fleet, book: JobBook, first: int
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give the inspections of one chunk, and the truth of those that one station copied."""
    slow_km = _never_km(rng, fleet)
    rounds = [_look(rng, fleet, slow_km, _initial(rng, fleet, book))]
    for number in (1, 2, 3):
        rounds.append(_look(rng, fleet, slow_km, _return_visits(rng, rounds[-1], number)))
    day = np.concatenate([v.day for v in rounds])
    seen = {k: np.concatenate([v.seen[k] for v in rounds]) for k in rounds[0].seen}
    seen |= {"vehicle": np.concatenate([v.vehicle for v in rounds])}
    seen |= {"station": np.concatenate([v.station for v in rounds])}
    inside = np.flatnonzero((day < world.END_DAY + 1) & (day < fleet.out_day[seen["vehicle"]] + 1))
    order = inside[np.argsort(day[inside], kind="stable")]
    seen = {k: v[order] for k, v in seen.items()}
    frame = _frame(rng, fleet, day[order], seen, first)
    copied = frame.select("inspection_id", "station_id", "vehicle_id").filter(pl.Series(seen["copied"] > 0))
    return frame, copied


def _never_km(rng: np.random.Generator, fleet: Fleet) -> np.ndarray:
    """Distance each monitor of each vehicle needs; on old vehicles some never complete."""
    km = np.exp(
        np.log(list(KM_TO_READY.values())) + 0.8 * rng.standard_normal((fleet.size, len(KM_TO_READY)))
    )
    never = rng.random(km.shape) < np.clip(0.0015 * (2018 - fleet.model_year), 0.0005, 0.03)[:, None]
    return np.where(never, 1e9, km)


def _initial(rng: np.random.Generator, fleet: Fleet, book: JobBook) -> Visits:
    parts = []
    for cycle in range(4):
        day = fleet.due_day + cycle * fleet.due_every_days + rng.integers(-25, 15, fleet.size)
        due = (day >= world.START_DAY) & (day <= world.END_DAY) & (day < fleet.out_day)
        due &= (day > fleet.in_day + 300) & (rng.random(fleet.size) < 0.96)
        parts.append((np.flatnonzero(due), day[due]))
    vehicle, day = (np.concatenate(c) for c in zip(*parts, strict=True))
    day = day + rng.integers(810, 1320, len(day)) / 1440
    away = rng.random(len(vehicle)) < 0.3
    station = np.where(away, rng.integers(0, len(world.STATIONS), len(vehicle)), fleet.home_station[vehicle])
    age = np.clip(day / 365.25 + 1970 - fleet.model_year[vehicle], 0, 30)
    broken = rng.random(len(vehicle)) < 0.015 + 0.0065 * age
    known_broken, repaired = _from_jobs(fleet, book, vehicle, day)
    cleared = np.maximum(day - rng.exponential(365.25 / _CLEARS_PER_YEAR, len(day)), repaired)
    return Visits(
        vehicle,
        station,
        day,
        broken | known_broken,
        np.maximum(cleared, fleet.in_day[vehicle]),
        np.zeros(len(vehicle), dtype=int),
        np.zeros(len(vehicle), dtype=bool),
    )


def _from_jobs(
    fleet: Fleet, book: JobBook, vehicle: np.ndarray, day: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say which vehicles carry a fault that a job repairs later, and when a job last cleared the codes."""
    broken, repaired = np.zeros(len(vehicle), dtype=bool), np.full(len(vehicle), -np.inf)
    order = np.argsort(vehicle, kind="stable")
    starts = np.searchsorted(vehicle[order], np.arange(fleet.size + 1))
    closed = np.where(np.isfinite(book.closed), book.closed, np.inf)
    for job in range(book.size):
        rows = order[starts[book.vehicle[job]] : starts[book.vehicle[job] + 1]]
        broken[rows] |= (day[rows] > book.failed_day[job]) & (day[rows] < closed[job])
        past = rows[day[rows] >= closed[job]]
        repaired[past] = np.maximum(repaired[past], closed[job])
    return broken, repaired


def _look(rng: np.random.Generator, fleet: Fleet, slow_km: np.ndarray, visits: Visits) -> Visits:
    """Read out each vehicle and judge it; the odd station writes one vehicle's readings for many."""
    n, vehicle = len(visits.vehicle), visits.vehicle
    since = np.maximum(visits.day - visits.cleared_day, 0)
    km = np.minimum(np.floor(since * fleet.km_per_day[vehicle] * rng.uniform(0.8, 1.2, n)), 65_535)
    warmups = np.minimum(np.floor(since * rng.uniform(2.0, 4.0, n)), 255)
    supports = _supports(fleet)[vehicle]
    late = supports & (slow_km[vehicle] > km[:, None])
    count = np.where(visits.is_broken, 1 + (rng.random(n) < 0.2), 0)
    pending = ~visits.is_broken & (rng.random(n) < 0.02)
    seen = {
        "mil": visits.is_broken.astype(int),
        "count": count + pending,
        "late": (late * (1 << np.arange(len(SLOW)))).sum(axis=1),
        "supports": (supports * (1 << np.arange(len(SLOW)))).sum(axis=1),
        "km": km,
        "warmups": warmups,
        "dark": (rng.random(n) < 0.006).astype(int),
        "connector": np.where(rng.random(n) < 0.996, 0, rng.integers(1, 4, n)),
        "copied": np.zeros(n, dtype=int),
    }
    _copy_readings(rng, visits, seen)
    seen["verdict"] = _judge(fleet.model_year[vehicle], seen, visits.came_back_unready)
    seen["waived"] = ((visits.round > 0) & (seen["verdict"] == 1) & (rng.random(n) < 0.12)).astype(int)
    seen["cap"] = _cap_test(rng, n)
    return Visits(**{**vars(visits), "seen": seen})


def _supports(fleet: Fleet) -> np.ndarray:
    by_model = np.array([[name in m.monitors for name in SLOW] for m in world.MODELS])
    return by_model[fleet.model]


def _copy_readings(rng: np.random.Generator, visits: Visits, seen: dict[str, np.ndarray]) -> None:
    """Overwrite readings at the odd station by those of one clean vehicle that came there."""
    there = np.flatnonzero(visits.station == _ODD)
    clean = (seen["mil"] == 0) & (seen["count"] == 0) & (seen["late"] == 0) & (seen["km"] < 60_000)
    donors = there[clean[there] & (seen["warmups"][there] < 250)]
    if not donors.size or visits.round.any():
        return
    victims = there[rng.random(there.size) < world.EFFECTS.repeated_share]
    for name in ("mil", "count", "late", "supports", "km", "warmups"):
        seen[name][victims] = seen[name][donors[0]]
    seen["copied"][victims[victims != donors[0]]] = 1


def _judge(model_year: np.ndarray, seen: dict[str, np.ndarray], again: np.ndarray) -> np.ndarray:
    """Judge as 40 CFR 85.2222 says: 0 pass, 1 fail, 2 return."""
    n_late = np.array([bin(int(x)).count("1") for x in seen["late"]], dtype=int)
    limit = np.where(model_year <= 2000, 2, 1)
    fails = (seen["mil"] > 0) | (seen["dark"] > 0) | (seen["connector"] > 0)
    unready = n_late > limit
    return np.where(fails | (unready & again), 1, np.where(unready, 2, 0))


def _cap_test(rng: np.random.Generator, n: int) -> np.ndarray:
    """0 pass, 1 fail, -1 not tested."""
    return np.where(rng.random(n) < 0.35, -1, (rng.random(n) < 0.02).astype(int))


def _return_visits(rng: np.random.Generator, before: Visits, number: int) -> Visits:
    """Send failed and returned vehicles back: repaired and cleared, driven on, or lost from sight."""
    verdict, waived = before.seen["verdict"], before.seen["waived"]
    comes = (verdict > 0) & (waived == 0) & (rng.random(len(verdict)) < np.where(verdict == 1, 0.86, 0.95))
    rows = np.flatnonzero(comes)
    failed = verdict[rows] == 1
    day = before.day[rows] + np.where(failed, rng.uniform(3, 40, rows.size), rng.uniform(3, 18, rows.size))
    repaired = failed & before.is_broken[rows] & (rng.random(rows.size) < 0.85)
    cleared = np.where(repaired, day - rng.exponential(7, rows.size), before.cleared_day[rows])
    moves = rng.random(rows.size) < 0.1
    station = np.where(moves, rng.integers(0, len(world.STATIONS), rows.size), before.station[rows])
    return Visits(
        before.vehicle[rows],
        station,
        np.floor(day) + rng.integers(810, 1320, rows.size) / 1440,
        before.is_broken[rows] & ~repaired,
        np.maximum(cleared, before.cleared_day[rows]),
        np.full(rows.size, number),
        ~failed,
    )


def _frame(
    rng: np.random.Generator, fleet: Fleet, day: np.ndarray, seen: dict[str, np.ndarray], first: int
) -> pl.DataFrame:
    n, vehicle = len(day), seen["vehicle"]
    odometer = np.round((day - fleet.in_day[vehicle]) * fleet.km_per_day[vehicle])
    old = fleet.model_year[vehicle] < 2003  # no counters since a clear
    frame = pl.DataFrame(
        {
            "inspection_id": [f"I{first * 12 + i:07d}" for i in range(n)],
            "vehicle_id": fleet.vehicle_id[vehicle],
            "station_id": [world.STATIONS[s] for s in seen["station"]],
            "inspected_at": times(day),
            "odometer_km": np.maximum(odometer, 0),
            "monitor_status_hex": _status_hex(seen),
            "mil_on": seen["mil"] > 0,
            "trouble_code_count": seen["count"].astype(np.int64),
            "monitors_not_ready": _late_names(seen["late"]),
            "trouble_codes": _codes(rng, seen),
            "bulb_check": np.array(["ok", "dark"])[seen["dark"]],
            "connector": np.array(["ok", "missing", "tampered", "inoperable"])[seen["connector"]],
            "warmups_since_clear": seen["warmups"].astype(np.int64),
            "distance_since_clear_km": seen["km"],
            "test_result": np.array(["pass", "fail", "return"])[seen["verdict"]],
            "cap_test_result": np.array(["pass", "fail", None], dtype=object)[seen["cap"]].tolist(),
            "waived": seen["waived"] > 0,
        },
        schema_overrides=dict.fromkeys(_TEXTS, pl.String),
    )
    no_reading = pl.Series(seen["connector"] > 0)
    no_counter = no_reading | (pl.Series(old) & pl.Series(seen["copied"] == 0))
    no_result = pl.Series(rng.random(n) < 0.03) & ~frame["waived"]
    typed_in = pl.Series((rng.random(n) < 0.04) & (seen["copied"] == 0))  # no raw bytes, but what they say
    blank = {
        "monitor_status_hex": no_reading | typed_in,
        "test_result": no_result,
        "trouble_codes": no_reading,
    }
    blank |= dict.fromkeys(("mil_on", "trouble_code_count", "monitors_not_ready"), no_reading | ~typed_in)
    blank |= {"warmups_since_clear": no_counter, "distance_since_clear_km": no_counter}
    return frame.with_columns(
        pl.when(gone).then(None).otherwise(pl.col(name)).alias(name) for name, gone in blank.items()
    )


def _late_names(late: np.ndarray) -> list[str]:
    """List the monitors not complete, joined by `;`; "" where all are."""
    names = [";".join(name for i, name in enumerate(SLOW) if mask >> i & 1) for mask in range(1 << len(SLOW))]
    return [names[int(mask)] for mask in late]


def _status_hex(seen: dict[str, np.ndarray]) -> list[str]:
    """Write the four bytes of service 01 PID 01; each distinct state is encoded once."""
    states = np.column_stack([seen[k] for k in ("mil", "count", "supports", "late")]).astype(int)
    distinct, place = np.unique(states, axis=0, return_inverse=True)
    texts = np.array([_one_status(*row) for row in distinct.tolist()], dtype=object)
    return texts[place.ravel()].tolist() if len(states) else []


def _one_status(mil: int, count: int, supports: int, late: int) -> str:
    names = tuple(name for i, name in enumerate(SLOW) if supports >> i & 1)
    not_ready = tuple(name for i, name in enumerate(SLOW) if late >> i & 1)
    always = ("misfire", "fuel_system", "comprehensive")
    status = MonitorStatus(bool(mil), count, "spark", (*always, *names), not_ready)
    return encode_monitor_status(status).hex(" ").upper()


def _codes(rng: np.random.Generator, seen: dict[str, np.ndarray]) -> list[str | None]:
    pick = rng.integers(0, len(_LAMP_CODES), len(seen["count"]))
    menu = (*_LAMP_CODES, *_LAMP_CODES)
    return [";".join(menu[p : p + c]) if c else None for p, c in zip(pick, seen["count"], strict=True)]
