"""An independent computation of the tables on stations, disagreements, looks after a clear and vehicles due.

Written from the contract, 40 CFR 51.366(a)(1), (3), (4) and 85.2222, and the definitions in DEVELOPERS.md; pandas and
plain loops, nothing of `pipeline`.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from itertools import pairwise
from typing import Any

import pandas as pd

from tests.end_to_end.oracle import EVAP_CODES, Window, day, is_evap, is_repair, wilson
from tests.end_to_end.oracle_inspections import Visit, cycles_of
from tests.end_to_end.raw_lake import Records


def _initial(visits: list[Visit]) -> Visit | None:
    return next((v for v in visits if v.result in ("pass", "fail")), None)


def inspection_station(records: Records) -> pd.DataFrame:
    """Compute volume and initial failure rate by model year and station: (a)(3), (a)(4)."""
    tests = []
    for vehicle, visits in cycles_of(records):
        if first := _initial(visits):
            tests.append((int(vehicle["model_year"]), first.record["station_id"], first.result == "fail"))
    frame = pd.DataFrame(tests, columns=["model_year", "station_id", "failed"])
    table = frame.groupby(["model_year", "station_id"])["failed"].agg(["size", "sum"]).reset_index()
    table.columns = ["model_year", "station_id", "n_initial", "n_initial_fail"]
    table["initial_failure_percent"] = 100 * table["n_initial_fail"] / table["n_initial"]
    bounds = [wilson(k, n) for k, n in zip(table["n_initial_fail"], table["n_initial"], strict=True)]
    table["low_percent"], table["high_percent"] = [100 * a for a, _ in bounds], [100 * b for _, b in bounds]
    table["year_percent"] = table["model_year"].map(100 * frame.groupby("model_year")["failed"].mean())
    return table


def vehicles_tested(records: Records) -> pd.DataFrame:
    """Count vehicles by model year and type: those seen, and those with a verdict at least once: (a)(1)."""
    seen: dict[tuple, set[str]] = defaultdict(set)
    tested: dict[tuple, set[str]] = defaultdict(set)
    initial: Counter = Counter()
    for vehicle, visits in cycles_of(records):
        cell = (int(vehicle["model_year"]), vehicle["vehicle_type"])
        seen[cell].add(vehicle["vehicle_id"])
        if _initial(visits):
            tested[cell].add(vehicle["vehicle_id"])
            initial[cell] += 1
    rows = [(*cell, len(tested[cell]), len(seen[cell]), initial[cell]) for cell in seen]
    return pd.DataFrame(
        rows, columns=["model_year", "vehicle_type", "n_vehicles", "n_vehicles_seen", "n_initial"]
    )


def inspection_disagreement(records: Records) -> pd.DataFrame:
    """List the visits whose recorded result is not the one that 85.2207 and 85.2222 give."""
    rows = [
        (v.record["inspection_id"], v.record["station_id"], v.record["vehicle_id"], v.recorded, v.judged)
        for _, visits in cycles_of(records)
        for v in visits
        if v.recorded and v.judged and v.recorded != v.judged
    ]
    return pd.DataFrame(rows, columns=["inspection_id", "station_id", "vehicle_id", "recorded", "judged"])


def _bytes_of(record: dict[str, Any]) -> str | None:
    text = record["monitor_status_hex"]
    return (
        "".join(c for c in text.lower().replace("0x", "") if c in "0123456789abcdef")[-8:] if text else None
    )


def _copied(records: Records) -> set[tuple]:
    """Find readings of one station (warm-ups, distance) that three or more vehicles share, bytes and all."""
    vehicles: dict[tuple, set[str]] = defaultdict(set)
    for i in records.inspections:
        key = (i["station_id"], i["warmups_since_clear"], i["distance_since_clear_km"], _bytes_of(i))
        if None not in key:
            vehicles[key].add(i["vehicle_id"])
    return {key[:3] for key, mine in vehicles.items() if len(mine) >= 3 and (key[1] > 0 or key[2] > 0)}


def after_clear(records: Records) -> pd.DataFrame:
    """Count by model the vehicles looked at once by distance since a clear, and those with EVAP not complete.

    One look a vehicle: of its first visits of test cycles, the one soonest after a clear. A record without bytes
    counts for the EVAP monitor where some record of its model shows that monitor.
    """
    copied, looks = _copied(records), defaultdict(list)
    shows: set[tuple[str, str]] = set()
    for vehicle, visits in cycles_of(records):
        model = (vehicle["make"], vehicle["model"])
        shows |= (
            {model} if any("evap" in [*(v.supported or []), *(v.not_ready or [])] for v in visits) else set()
        )
        r = visits[0].record
        km, warmups = r["distance_since_clear_km"], r["warmups_since_clear"]
        is_copied = (r["station_id"], warmups, km) in copied
        if visits[0].not_ready is not None and (km is not None or warmups is not None) and not is_copied:
            order = (
                math.inf if km is None else km,
                math.inf if warmups is None else warmups,
                r["inspected_at"],
            )
            looks[vehicle["vehicle_id"], model].append((*order, r["inspection_id"], visits[0]))
    counts: dict[tuple[str, str], Counter] = defaultdict(Counter)
    for (_, model), mine in looks.items():
        visit = min(mine, key=lambda look: look[:4])[4]
        applies = model in shows if visit.supported is None else "evap" in visit.supported
        if applies and visit.record["distance_since_clear_km"] is not None:
            counts[model]["n"] += 1
            counts[model]["late"] += "evap" in visit.not_ready
    rows = [(*model, c["n"], c["late"]) for model, c in counts.items()]
    return pd.DataFrame(rows, columns=["make", "model", "n_vehicles", "n_not_ready"])


def _km_per_day(records: Records, vehicle: dict[str, Any], window: Window) -> float | None:
    """Take the usual distance per day from readings inside the window, at least 30 days apart, never falling."""
    name = vehicle["vehicle_id"]
    told = [(vehicle["odometer_on"], vehicle["odometer_km"])]
    told += [(j["opened_at"], j["odometer_km"]) for j in records.jobs if j["vehicle_id"] == name]
    told += [(i["inspected_at"], i["odometer_km"]) for i in records.inspections if i["vehicle_id"] == name]
    days: dict[pd.Timestamp, list[float]] = defaultdict(list)
    for when, km in told:
        if when is not None and km is not None and window.holds(when):
            days[day(when)].append(km)
    order = sorted(days)
    if len(order) < 2 or (order[-1] - order[0]).days < 30:
        return None
    if any(min(days[b]) < max(days[a]) for a, b in pairwise(order)):
        return None
    return (max(days[order[-1]]) - min(days[order[0]])) / (order[-1] - order[0]).days


def vehicle_due(records: Records, window: Window) -> pd.DataFrame:
    """Say of every vehicle in service what is known before its next inspection."""
    today = max(window.last, *(day(i["inspected_at"]) for i in records.inspections))
    last, shows_evap = {}, set()
    model_of = {v["vehicle_id"]: (v["make"], v["model"]) for v in records.vehicles}
    for _, visits in cycles_of(records):
        for v in visits:
            last[v.record["vehicle_id"]] = v
            if v.not_ready is not None and "evap" in [*v.not_ready, *(v.supported or [])]:
                shows_evap.add(model_of[v.record["vehicle_id"]])
    usual = {v["vehicle_id"]: _km_per_day(records, v, window) for v in records.vehicles}
    frame = pd.DataFrame(records.vehicles).assign(km=lambda f: f["vehicle_id"].map(usual))
    medians = frame.groupby(["make", "model"])["km"].median()
    rows = []
    for vehicle in records.vehicles:
        if vehicle["in_service_on"] > today:
            continue
        if vehicle["out_of_service_on"] is not None and vehicle["out_of_service_on"] <= today:
            continue
        due = vehicle["inspection_due_on"]
        name, own = vehicle["vehicle_id"], usual[vehicle["vehicle_id"]]
        jobs = [j for j in records.jobs if j["vehicle_id"] == name]
        rows.append(
            {
                "vehicle_id": name,
                "due_on": due,
                "days_to_due": None
                if vehicle["inspection_due_on"] is None
                else (vehicle["inspection_due_on"] - today).days,
                "km_per_day": medians[vehicle["make"], vehicle["model"]] if own is None else own,
                "is_own_distance": own is not None,
                **_state(last.get(name), jobs, model_of[name] in shows_evap),
            }
        )
    return pd.DataFrame(rows)


def _state(visit: Visit | None, jobs: list[dict[str, Any]], is_evap_shown: bool) -> dict[str, Any]:
    """Say how the vehicle was last seen, whether a repair has cleared it since, and which faults are open.

    A list of what is not complete tells of a complete EVAP monitor where its model has shown one.
    """
    closes = [j["closed_at"] for j in jobs if j["closed_at"] is not None]
    repairs = [j["closed_at"] for j in jobs if is_repair(j) and j["closed_at"] is not None]
    seen_at = visit.record["inspected_at"] if visit else None
    is_cleared = bool(repairs) and (seen_at is None or max(repairs) > seen_at)
    is_lamp = bool(visit and visit.lamp) and (not closes or max(closes) <= seen_at)
    codes = sorted(EVAP_CODES & set(visit.record["trouble_codes"] or [])) if is_lamp else []
    late, supported = (visit.not_ready or [], visit.supported or []) if visit else ([], [])
    if visit and visit.supported is None and visit.not_ready is not None and is_evap_shown:
        supported = ["evap"]
    return {
        "last_inspected_on": visit.on if visit else None,
        "last_verdict": visit.result if visit else None,
        "evap_state": "not_complete" if "evap" in late else "complete" if "evap" in supported else None,
        "cleared_on": day(max(repairs)) if is_cleared else None,
        "is_lamp_on": is_lamp,
        "lamp_codes": ", ".join(codes),
        "has_open_job": any(is_evap(j) and j["closed_at"] is None for j in jobs),
    }
