"""Recordings of layered tanks: a fleet, its visits, and the frames that `judge` takes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.layered_catalogue import CAUSES
from tests.end_to_end.layered_fleet import (
    Day,
    Hole,
    Vehicle,
    hole_diameter_mm,
    new_day,
    new_tank,
    new_vehicle,
    opening_of,
)
from tests.end_to_end.layered_gas import course
from tests.end_to_end.layered_recorder import facts_of, recorded, samples_frame
from tests.end_to_end.layered_truth import with_truth
from tests.end_to_end.recording_frames import HEADER

ROWS = 9000


def layered_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return (samples, headers, truth) of about `n` recordings, some four of each vehicle; one key, one lake."""
    draw = np.random.default_rng(key)
    samples: list[pl.DataFrame] = []
    headers: list[dict[str, Any]] = []
    facts: list[dict[str, Any]] = []
    at = datetime(2025, 3, 3, 8, tzinfo=UTC)
    number = 0
    while len(headers) < n:
        number += 1
        vehicle = new_vehicle(f"LV{number:04d}", draw)
        for visit in range(1 + (draw.random() < 0.45)):
            at += timedelta(hours=float(draw.exponential(3.0)))
            day = at + timedelta(days=visit * float(draw.uniform(20, 90)))
            _visit(vehicle, f"{number:04d}{'ab'[visit]}", day, draw, (samples, headers, facts))
    head = pl.DataFrame(headers, schema=HEADER)
    known = pl.DataFrame(facts).with_columns(pl.col("kept_share", "release_pa").fill_nan(None))
    known = known.join(head.select("trace_id", "fuel_tank_l", "fuel_level_pct"), on="trace_id")
    return pl.concat(samples), head, with_truth(known)


def _visit(v: Vehicle, job: str, at: datetime, draw: np.random.Generator, into: tuple[Any, ...]) -> None:
    """Record one visit: a routine look now and then, tests before the repair, and one after it."""
    test = str(
        draw.choice(["fill", "flow", "draw"], p=[v.shop.fills, v.shop.flows, 1 - v.shop.fills - v.shop.flows])
    )
    names = list(CAUSES)
    cause = str(draw.choice(names, p=np.array(list(CAUSES.values()))))
    if test != "draw" and cause not in ("hole", "tight", "vent_open"):
        cause = "hole"
    if cause == "sensor_two_stories" and not v.shop.has_volts:
        cause = "tight"
    size = (
        float(np.exp(draw.uniform(np.log(4.5), np.log(14))))
        if cause == "vent_open"
        else hole_diameter_mm(draw)
    )
    hole = (*opening_of(size, draw), float(draw.random() < (0.5 if cause == "vent_open" else 0.25)))
    day = new_day(v, cause, draw)
    plan = []
    if draw.random() < 0.15:
        plan.append(("routine", "no_test", "none"))
    plan += [("before_repair", cause, test)] * (1 + (draw.random() < 0.35))
    is_mended = draw.random() < 0.88
    plan += [("after_repair", "tight" if is_mended else cause, test)]
    for k, (stage, what, how) in enumerate(plan):
        _record(v, job, k, stage, what, how, hole, day, at + timedelta(minutes=20 * k), draw, into)


def _record(
    v: Vehicle,
    job: str,
    k: int,
    stage: str,
    cause: str,
    test: str,
    hole: Hole,
    day: Day,
    at: datetime,
    draw: np.random.Generator,
    into: tuple[Any, ...],
) -> None:
    samples, headers, facts = into
    trace_id = f"L{job}{k}"
    tank = new_tank(v, day, cause, test, hole, draw)
    is_cut = cause in ("tight", "hole") and test == "draw" and draw.random() < 0.035
    if is_cut:
        tank["second_s"] = 0.0  # else a whole hold had been recorded
    rows = int(draw.uniform(60, 150) * 20) if test == "none" else ROWS
    out = np.zeros((rows, 8), np.float32)
    done = course(tank, out)
    out = out[: done[0]]
    columns, sensed = recorded(out, v, cause, test, draw)
    known = facts_of(out, tank, done, columns["course_s"]) | sensed
    if is_cut:
        shut, drawn = tank["rest_s"], (done[1] * 0.05)
        columns = _cut(columns, draw.uniform(shut * 0.8, max(drawn - 1.0, shut)))
        cause = "cut"
    m, shop = v.model, v.shop
    level = float(np.clip(day.level * 100 + v.gauge_pct + draw.normal(0, 1.0), 0, 100))
    samples.append(samples_frame(trace_id, columns))
    headers.append(
        {
            "trace_id": trace_id,
            "job_id": f"J{job}",
            "vehicle_id": v.name,
            "stage": stage,
            "recorded_at": at,
            "fuel_level_pct": round(round(level * 2.55) / 2.55, 1) if shop.has_level else None,
            "ambient_c": float(round(day.ambient_c + draw.normal(0, 1))) if draw.random() > 0.06 else None,
            "barometric_kpa": float(round(tank["ambient_pa"] / 1000)) if shop.has_baro else None,
            "fuel_tank_l": float(m.tank_l) if v.has_tank_size else None,
            "make": m.make,
            "model": m.model,
            "trouble_codes": day.codes,
            "checks": day.checks,
        }
    )
    facts.append({"trace_id": trace_id, "cause": cause, "test": test, "shop": shop.name, **known})


def _cut(columns: dict[str, np.ndarray], at_s: float) -> dict[str, np.ndarray]:
    """Return what was recorded until the recorder stopped at `at_s`; three readings at least."""
    n = max(int(np.searchsorted(columns["course_s"], at_s)), 3)
    return {name: x[:n] for name, x in columns.items()}
