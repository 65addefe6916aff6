"""Recordings of an author who had not read the estimator: tanks of plastic that give, fuel with a surface of its own.

`plastic_traces` returns samples and headers as the measurement takes them, and the truth beside them. 3,050 under the
key 20,261,126 in the author's own steps (`calm_ticks=1`) are the author's own recordings.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.plastic_course import simulate
from tests.end_to_end.plastic_faults import KINDS, add_fault, as_planned
from tests.end_to_end.plastic_fleet import MODELS, Vehicle, make_vehicles
from tests.end_to_end.plastic_gas import ROW_TICKS
from tests.end_to_end.plastic_plans import Facts, make_plan
from tests.end_to_end.plastic_recorder import record
from tests.end_to_end.plastic_truth import Case, truth_row
from tests.end_to_end.recording_frames import HEADER, samples_of

Frames = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]

#: By kind: what a shop repairs, and the codes that brought the vehicle in (SAE J2012).
REPAIRED = {
    "leak": ["fuel_cap", "filler_neck", "vapor_line", "tank_seal", "canister"],
    "gross_leak": ["fuel_cap", "vent_valve", "vapor_line"],
    "no_vacuum": ["purge_valve", "vapor_line", "wiring"],
    "purge_passes_closed": ["purge_valve"],
    "vent_restricted": ["vent_valve", "canister"],
    "sensor_flat": ["tank_pressure_sensor", "wiring"],
    "sensor_offset": ["tank_pressure_sensor"],
    "sensor_disagrees": ["tank_pressure_sensor", "wiring", "control_module"],
    "not_judged": ["none_found"],
    "two": ["purge_valve", "vent_valve"],
}
CODES = {
    "leak": ["P0442", "P0456", "P0455"],
    "gross_leak": ["P0455", "P0457"],
    "no_vacuum": ["P0441", "P0497"],
    "purge_passes_closed": ["P0496"],
    "vent_restricted": ["P0446", "P0449"],
    "sensor_flat": ["P0452", "P0453"],
    "sensor_offset": ["P0451"],
    "sensor_disagrees": ["P0450", "P0454"],
    "not_judged": ["P0440"],
    "two": ["P0440"],
}
#: Models of which the sensor reads the pressure of a filled tank.
READS_FILLS = [2, 3, 6, 7]


@dataclass
class Visit:
    """A vehicle in the shop: when, for which job, and what was done."""

    vehicle: Vehicle
    when: datetime
    job_id: str | None = None
    stage: str = "routine"
    codes: list[str] = field(default_factory=list)
    component: str | None = None
    action: str | None = None


def plastic_traces(n: int = 600, key: int = 61_003, calm_ticks: int = ROW_TICKS) -> Frames:
    """Return samples, headers and truth of `n` recordings.

    Parameters
    ----------
    n : recordings, 250 or more so that every verdict occurs.
    key : start of the random numbers.
    calm_ticks : steps of 5 ms that are taken as one where nothing is switched, 1 or 4.
    """
    rng = np.random.default_rng(key)
    fleet = make_vehicles(rng)
    kinds = as_planned(KINDS, n, rng)
    taken, repaired = [0] * len(MODELS), []
    samples, headers, rows = [], [], []
    # Faults come first, so that repaired vehicles can come back.
    for turn, i in enumerate(sorted(range(n), key=lambda i: kinds[i] in ("holds", "fill"))):
        kind, trace_id = kinds[i], f"L{i:05d}"
        visit = _arrival(kind, fleet, taken, repaired, rng)
        plan, facts = make_plan(visit.vehicle, visit.when.timetuple().tm_yday, rng)
        add_fault(kind, plan, facts, visit.vehicle.model, rng)
        seed = int(rng.integers(1 << 30))
        course, astray_mol = simulate(plan, seed, calm_ticks)
        written = record(course, plan, facts, visit.vehicle, rng)
        case = Case(kind, plan, facts, visit.vehicle, course, written, seed, calm_ticks)
        truth = truth_row(trace_id, case) | {"astray_mol": astray_mol}
        _reason(kind, visit, facts, turn, repaired, rng)
        header = _header(trace_id, visit, plan, facts, rng)
        truth["is_sized"] &= header["fuel_level_pct"] is not None
        samples.append(samples_of(trace_id, written.recording))
        headers.append(header)
        rows.append(truth | {"component": visit.component, "action": visit.action})
    told = _with_shops_air(pl.DataFrame(headers, schema=HEADER), [row["shop"] for row in rows])
    return pl.concat(samples), told, pl.DataFrame(rows, infer_schema_length=None)


def _arrival(
    kind: str, fleet: list[list[Vehicle]], taken: list[int], repaired: list[Visit], rng: np.random.Generator
) -> Visit:
    """Choose a vehicle: of tight systems half come back from a repair, and models share the others evenly."""
    if kind == "holds" and repaired and rng.random() < 0.5:
        before = repaired.pop(int(rng.integers(len(repaired))))
        taken[MODELS.index(before.vehicle.model)] += 1
        when = before.when + timedelta(minutes=int(rng.uniform(40, 300)))
        return Visit(before.vehicle, when, before.job_id, "after_repair", before.codes)
    if kind == "holds":
        k = int(np.argmin(np.array(taken) + rng.uniform(0, 3, len(taken))))
        vehicle = _one_of(fleet[k], rng)
        taken[k] += 1
    else:
        vehicle = _any(fleet, rng)
        if kind == "fill" and rng.random() < 0.75:
            vehicle = _one_of(fleet[int(rng.choice(READS_FILLS))], rng)
        while kind == "sensor_disagrees" and vehicle.shop.volt_decimals is None:
            vehicle = _any(fleet, rng)
    begin = datetime(2023, 1, 2, tzinfo=UTC)
    when = begin + timedelta(days=int(rng.uniform(0, 1090)), hours=float(rng.uniform(13, 22)))
    return Visit(vehicle, when.replace(microsecond=0))


def _any(fleet: list[list[Vehicle]], rng: np.random.Generator) -> Vehicle:
    return _one_of(fleet[int(rng.integers(len(fleet)))], rng)


def _one_of(vehicles: list[Vehicle], rng: np.random.Generator) -> Vehicle:
    return vehicles[int(rng.integers(len(vehicles)))]


def _reason(
    kind: str, visit: Visit, facts: Facts, turn: int, repaired: list[Visit], rng: np.random.Generator
) -> None:
    """Give a visit its job: most faults have one, and tight systems now and then."""
    if visit.stage == "after_repair":
        return
    if kind in ("holds", "fill"):
        if rng.random() < 0.15:
            visit.stage, visit.job_id, visit.codes = "before_repair", f"J{turn:05d}", ["P0442"]
            visit.component, visit.action = "none_found", "none"
    elif facts.why != "routine_no_test" and rng.random() < 0.93:
        visit.stage, visit.job_id = "before_repair", f"J{turn:05d}"
        visit.component, visit.action = str(rng.choice(REPAIRED[kind])), "none"
        if kind != "not_judged":
            visit.action = str(rng.choice(["replaced", "repaired", "replaced"]))
        visit.codes = [str(rng.choice(CODES[kind]))]
        repaired.append(visit)


def _header(trace_id: str, visit: Visit, plan: Any, facts: Facts, rng: np.random.Generator) -> dict[str, Any]:
    """What the shop wrote down: the gauge off by 2.2 points, whole degrees, tenths of a kPa; some of it missing."""
    model, shop, air_kpa = visit.vehicle.model, visit.vehicle.shop, plan["ambient_pa"] / 1e3
    level = 100 * (facts.level + facts.level_error)
    percent = None if rng.random() < 0.07 else float(np.clip(np.round(level), 0, 100))
    celsius = None if rng.random() < 0.10 else float(np.round(facts.bay_c + rng.normal(0, 1)))
    kpa = None
    if rng.random() >= 0.10 and shop.name != "quayside":
        kpa = float(np.round(air_kpa + rng.normal(0, 0.15), 0 if shop.name == "pine_fork" else 1))
    if shop.name == "tarn_valley":
        kpa = float(np.round(air_kpa + rng.normal(0, 0.003), 2))
    return {
        "trace_id": trace_id,
        "job_id": visit.job_id,
        "vehicle_id": visit.vehicle.vehicle_id,
        "stage": visit.stage,
        "recorded_at": visit.when,
        "fuel_level_pct": percent,
        "ambient_c": celsius,
        "barometric_kpa": kpa,
        "fuel_tank_l": float(model.tank_l) if model.is_tank_known else None,
        "make": model.make,
        "model": model.name,
        "trouble_codes": visit.codes,
        "checks": [],
    }


def _with_shops_air(headers: pl.DataFrame, shops: list[str]) -> pl.DataFrame:
    """Give a job's recording without barometric pressure its shop's median, as it comes out of a whole lake."""
    has_job = pl.col("job_id").is_not_null()
    usual = pl.col("barometric_kpa").filter(has_job).median().over("shop")
    filled = pl.when(has_job).then(pl.col("barometric_kpa").fill_null(usual)).otherwise("barometric_kpa")
    return headers.with_columns(pl.Series("shop", shops)).with_columns(barometric_kpa=filled).drop("shop")
