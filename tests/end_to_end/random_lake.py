"""Write random lakes that keep every rule of the contract and are as awkward as the rules allow.

Three sources in our names (CSV with and without gzip, Parquet, JSON lines). Jobs opened before the one before was
closed, comebacks on the same day and on days 89 to 91, open jobs, vehicles that leave or come late, offsets that
move the UTC date, returns upon returns, gaps of 179 to 181 days, three spellings of lists, hostile notes.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

START, DAYS = pd.Timestamp("2022-01-01", tz="UTC"), 730
MODELS = {  # (make, model) -> supported non-continuous monitors (SAE J1979, byte C); Tessen belongs to two makes
    ("Ardvel", "Tessen"): 0x65,
    ("Norrim", "Tessen"): 0xE5,
    ("Ardvel", "Quillo"): 0x6D,
    ("Norrim", "Brask"): 0x25,
    ("Norrim", "Ulmo"): 0x65,
}
LATE_MODEL = "Ulmo"  # comes into service after the window; never has a job
COMPONENTS = ["purge_valve", "vent_valve", "fuel_cap", "canister", "none_found", "other", "wiring"]
CODES = ["P0455", "P0442", "P0456", "P0494", "P1456", "P0420", "P2422", "P043E", "U0100"]
OFFSETS = ["UTC", "UTC-07:00", "UTC+09:00", "UTC+05:30", "UTC-11:00", "UTC+14:00"]
NOTES = [None, "ok", 'says "fixed", twice', "'; drop table jobs; --", "<script>alert(1)</script>", "two\nlines",
         "=1+1", "ünïcode ✓"]  # fmt: skip
VINS = [None, "11111111111111111", "0ZZSYNTH2R0000001", "0ZZSYNTHXR0000005"]
MONITORS = ["catalyst", "heated_catalyst", "evap", "secondary_air", "ac_refrigerant", "o2_sensor", "o2_heater",
            "egr_vvt"]  # fmt: skip
Record = dict[str, Any]


def write_lake(lake: Path, seed: int, n_vehicles: int = 80) -> None:
    """Write one lake; the same seed gives the same records."""
    rng = np.random.default_rng(seed)
    vehicles = [_vehicle(rng, i) for i in range(n_vehicles)]
    jobs: list[Record] = []
    inspections: list[Record] = []
    for vehicle in vehicles:
        if vehicle["model"] != LATE_MODEL:
            jobs += _jobs(rng, vehicle, len(jobs))
        inspections += _inspections(rng, vehicle, len(inspections))
    _tell_counters_and_dates(np.random.default_rng([seed, 2]), vehicles, inspections)
    _tell_costs(np.random.default_rng([seed, 3]), jobs)
    for vehicle in vehicles:
        del vehicle["km_per_day"], vehicle["is_diesel"]
    for kind, records in {"vehicles": vehicles, "jobs": jobs, "inspections": inspections}.items():
        source = rng.integers(0, 3, len(records))
        csv, parquet, lines = ([r for r, s in zip(records, source, strict=True) if s == k] for k in range(3))
        _write_csv(lake / "north", kind, csv, rng)
        _write_parquet(lake / "south" / "exports", kind, parquet)
        _write_json_lines(lake / "west", kind, lines, rng)
    _write_traces(lake / "south", [j for j in jobs if j["closed_at"]][:6], rng)


def _pick(rng: np.random.Generator, choices: list[Any], p: list[float] | None = None) -> Any:
    return choices[int(rng.choice(len(choices), p=p))]


def _moment(rng: np.random.Generator, on: pd.Timestamp) -> pd.Timestamp:
    """Take a minute of a UTC day, often close to midnight."""
    near = [int(rng.integers(0, 1440)), int(rng.integers(0, 30)), int(rng.integers(1410, 1440))]
    return on.normalize() + pd.Timedelta(minutes=_pick(rng, near))


def _vehicle(rng: np.random.Generator, i: int) -> Record:
    make, model = _pick(rng, list(MODELS), [0.3, 0.25, 0.2, 0.2, 0.05])
    come = START + pd.Timedelta(days=int(rng.integers(-1200, 900)))
    if model == LATE_MODEL:
        come = START + pd.Timedelta(days=DAYS + int(rng.integers(200, 300)))
    leave = come + pd.Timedelta(days=int(rng.integers(0, 2000))) if rng.random() < 0.35 else None
    read_on = START + pd.Timedelta(days=int(rng.integers(-100, 800))) if rng.random() < 0.6 else None
    km_per_day = float(rng.integers(20, 90))
    return {
        "vehicle_id": f"V{i:04d}",
        "vin": _pick(rng, VINS),
        "make": make,
        "model": model,
        "model_year": int(_pick(rng, [1994, 1998, 2000, 2001, 2012])),
        "in_service_on": f"{come:%Y-%m-%d}",
        "out_of_service_on": f"{leave:%Y-%m-%d}" if leave else None,
        "fleet_id": (None, "north yard", "south yard", "7")[i % 4],
        "vehicle_type": _pick(rng, [None, "car", "light truck"]),
        "odometer_km": _odometer(km_per_day, read_on) if read_on else None,
        "odometer_on": f"{read_on:%Y-%m-%d}" if read_on else None,
        "km_per_day": km_per_day,
        "is_diesel": bool(rng.random() < 0.1),
    }


def _odometer(km_per_day: float, moment: pd.Timestamp) -> float:
    days = (moment - START).total_seconds() / 86400 + 1500
    return round(days * km_per_day, 1)


def _jobs(rng: np.random.Generator, vehicle: Record, n_before: int) -> list[Record]:
    jobs: list[Record] = []
    opened = _moment(rng, START + pd.Timedelta(days=int(rng.integers(0, DAYS))))
    for _ in range(int(rng.poisson(3.0))):
        if opened >= START + pd.Timedelta(days=DAYS):
            break
        closed = opened + pd.Timedelta(minutes=int(_pick(rng, [0, 30, 300, 1800, 9000, 60_000])))
        is_open = rng.random() < 0.06
        is_read = rng.random() < 0.7
        jobs.append(
            {
                "job_id": f"J{n_before + len(jobs):05d}",
                "shop_id": _pick(rng, ["S1", "S2", "S3"], [0.5, 0.4, 0.1]),
                "technician_id": _pick(rng, [None, "T1", "T2", "T3"]),
                "vehicle_id": vehicle["vehicle_id"],
                "opened_at": opened,
                "closed_at": None if is_open else closed,
                "odometer_km": _odometer(vehicle["km_per_day"], opened) if is_read else None,
                "trouble_codes": _codes(rng),
                "component": _component(rng, vehicle),
                "action": _pick(rng, ["replaced", "repaired", "cleaned", "none"], [0.5, 0.2, 0.1, 0.2]),
                "note": _pick(rng, NOTES),
            }
        )
        if jobs[-1]["component"] not in ("none_found", "other") and rng.random() < 0.15:
            line = {"job_id": f"J{n_before + len(jobs):05d}", "component": _pick(rng, COMPONENTS[:4])}
            jobs.append(jobs[-1] | line | {"action": "replaced"})  # a second line of the same visit
        opened = _next_opening(rng, opened, closed)
    return jobs


def _component(rng: np.random.Generator, vehicle: Record) -> str:
    is_recurring = vehicle["model"] == "Quillo" and rng.random() < 0.6
    return "purge_valve" if is_recurring else _pick(rng, COMPONENTS)


def _codes(rng: np.random.Generator) -> list[str] | None:
    n = int(rng.integers(0, 4))
    return [CODES[i] for i in rng.choice(len(CODES), n, replace=False)] if n else None


def _next_opening(rng: np.random.Generator, opened: pd.Timestamp, closed: pd.Timestamp) -> pd.Timestamp:
    days = int(_pick(rng, [1, 30, 89, 90, 91, int(rng.integers(2, 400)), int(rng.integers(2, 400))]))
    later = [
        opened + pd.Timedelta(minutes=11),  # often while the job before is still open
        closed,  # the very moment the job before was closed: the same visit
        closed + pd.Timedelta(minutes=7),
        *[_moment(rng, closed + pd.Timedelta(days=days))] * 7,
    ]
    return _pick(rng, later)


def _inspections(rng: np.random.Generator, vehicle: Record, n_before: int) -> list[Record]:
    visits: list[Record] = []
    moment = _moment(rng, START + pd.Timedelta(days=int(rng.integers(0, DAYS))))
    for _ in range(int(rng.poisson(4.0))):
        recorded = _pick(rng, [None, "pass", "fail", "return"], [0.45, 0.1, 0.3, 0.15])
        visits.append(
            {
                "inspection_id": f"I{n_before + len(visits):05d}",
                "vehicle_id": vehicle["vehicle_id"],
                "station_id": _pick(rng, ["A", "B"]),
                "inspected_at": moment,
                "odometer_km": _odometer(vehicle["km_per_day"], moment) if rng.random() < 0.8 else None,
                **_status(rng, vehicle),
                "bulb_check": _pick(rng, [None, "ok", "dark"], [0.3, 0.65, 0.05]),
                "connector": _pick(rng, [None, "ok", "missing", "tampered"], [0.3, 0.64, 0.03, 0.03]),
                "test_result": recorded,
                "cap_test_result": _pick(rng, [None, "pass", "fail"], [0.4, 0.45, 0.15]),
                "waived": True if recorded == "fail" and rng.random() < 0.2 else _pick(rng, [None, False]),
            }
        )
        days = int(_pick(rng, [0, 0, 1, 7, 7, 30, 30, 179, 180, 181, 365]))
        after = moment + pd.Timedelta(minutes=int(rng.integers(5, 60)))
        moment = max(after, _moment(rng, moment + pd.Timedelta(days=days))) if days else after
    return visits


def _status(rng: np.random.Generator, vehicle: Record) -> Record:
    """Tell lamp, codes and readiness: as bytes, as columns, or not at all."""
    lamp, n_codes = bool(rng.random() < 0.2), int(rng.choice([0, 0, 0, 1, 2]))
    codes = _codes(rng) if rng.random() < 0.5 else None
    empty = dict.fromkeys(("monitor_status_hex", "mil_on", "trouble_code_count", "monitors_not_ready"))
    form = _pick(rng, ["bytes", "columns", "nothing"], [0.6, 0.32, 0.08])
    if form == "nothing":
        return {**empty, "trouble_codes": codes}
    c = 0xEB if vehicle["is_diesel"] else MODELS[vehicle["make"], vehicle["model"]]
    d = int(np.bitwise_and.reduce(rng.integers(0, 256, 2)))  # some bits of monitors that are not supported
    if form == "bytes":
        b = 0x07 | (0x08 if vehicle["is_diesel"] else 0) | (0x10 if rng.random() < 0.1 else 0)
        text = bytes([lamp << 7 | n_codes, b, c, d]).hex()
        spaced = " ".join(text[i : i + 2] for i in range(0, 8, 2))
        spelling = _pick(rng, [text, text.upper(), spaced, "41 01 " + spaced.upper(), "0x" + text])
        return {**empty, "monitor_status_hex": spelling, "trouble_codes": codes}
    late = [name for bit, name in enumerate(MONITORS) if c & d & 1 << bit]
    has_count = codes is None or rng.random() < 0.8
    told = {"mil_on": lamp, "trouble_code_count": n_codes if has_count else None, "monitors_not_ready": late}
    return {**empty, **told, "trouble_codes": codes}


def _tell_counters_and_dates(rng: np.random.Generator, vehicles: list[Record], visits: list[Record]) -> None:
    """Tell counters since the clear, some at their ends, some that several vehicles share, and due dates."""
    for visit in visits:
        km = float(_pick(rng, [0, 0, 12, 79.5, 80, 300, 300, 4000, 65535, int(rng.integers(1, 9000))]))
        visit["distance_since_clear_km"] = km if rng.random() < 0.8 else None
        visit["warmups_since_clear"] = _pick(rng, [None, 0, 3, 9, 9, 255])
    for vehicle in vehicles:
        due = START + pd.Timedelta(days=DAYS + int(rng.integers(-40, 300)))
        vehicle["inspection_due_on"] = f"{due:%Y-%m-%d}" if rng.random() < 0.7 else None


def _tell_costs(rng: np.random.Generator, jobs: list[Record]) -> None:
    """Tell hours and money of most jobs, in two currencies (ISO 4217's codes for tests and for no currency)."""
    for job in jobs:
        job["labor_h"] = _pick(rng, [None, 0.0, 0.5, 1.25, 3.0])
        job["parts_cost"] = _pick(rng, [None, 0.0, 18.5, 140.0])
        job["currency"] = _pick(rng, [None, "XTS", "XTS", "XXX"])


# --- files -----------------------------------------------------------------------------------------
def _iso(moment: pd.Timestamp, rng: np.random.Generator) -> str:
    text = moment.tz_convert(_pick(rng, OFFSETS)).isoformat()
    return text.replace("+00:00", "Z") if rng.random() < 0.5 else text


def _told(record: Record, rng: np.random.Generator) -> Record:
    return {k: _iso(v, rng) if isinstance(v, pd.Timestamp) else v for k, v in record.items()}


def _write_csv(folder: Path, kind: str, records: list[Record], rng: np.random.Generator) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for record in records:
        row = _told(record, rng)
        for name in ("trouble_codes", "monitors_not_ready"):
            row |= {name: _pick(rng, [";", ",", " "]).join(row[name] or [])} if name in row else {}
        rows.append(row)
    if not rows:
        return
    frame = pd.DataFrame(rows, dtype=object)
    frame.to_csv(folder / f"{kind}.csv{'.gz' if kind == 'jobs' else ''}", index=False)


def _write_parquet(folder: Path, kind: str, records: list[Record]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    frame = pd.DataFrame(records)
    for name in ("in_service_on", "out_of_service_on", "odometer_on", "inspection_due_on"):
        if name in frame:
            frame[name] = pd.to_datetime(frame[name]).dt.date
    for name in ("model_year", "trouble_code_count", "warmups_since_clear"):
        if name in frame:
            frame[name] = frame[name].astype("Int64")
    for name in ("opened_at", "closed_at", "inspected_at"):
        if name in frame:
            frame[name] = pd.to_datetime(frame[name], utc=True).dt.tz_convert("America/Phoenix")
    frame.to_parquet(folder / f"{kind}.parquet", index=False)


def _write_json_lines(folder: Path, kind: str, records: list[Record], rng: np.random.Generator) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    lines = [json.dumps({k: v for k, v in _told(r, rng).items() if v is not None}) + "\n" for r in records]
    text = "".join(lines)
    if kind == "inspections":
        (folder / f"{kind}.jsonl.gz").write_bytes(gzip.compress(text.encode()))
    else:
        (folder / f"{kind}.jsonl").write_text(text)


def _write_traces(folder: Path, jobs: list[Record], rng: np.random.Generator) -> None:
    """Write a few recordings before and after some jobs, tight or leaking, so that repairs are proved or not."""
    headers, samples = [], []
    for job in jobs:
        for stage, moment in (("before_repair", job["opened_at"]), ("after_repair", job["closed_at"])):
            trace_id = f"{job['job_id']}-{stage}"
            headers.append({"trace_id": trace_id, "job_id": job["job_id"], "vehicle_id": job["vehicle_id"],
                            "stage": stage, "recorded_at": moment, "fuel_level_pct": 40.0})  # fmt: skip
            samples.append(_recording(trace_id, _pick(rng, [0.0, 0.0, 12.0, 400.0]), rng))
    pd.DataFrame(headers).to_parquet(folder / "traces.parquet", index=False)
    pd.concat(samples).to_parquet(folder / "samples.parquet", index=False)


def _recording(trace_id: str, bleed_pa_s: float, rng: np.random.Generator) -> pd.DataFrame:
    t = np.arange(0.0, 75.0, 0.5)
    is_draw, is_hold = (t >= 10) & (t < 25), (t >= 25) & (t < 65)
    depth = np.where(
        is_draw, (t - 10) * 150, np.where(is_hold, np.maximum(0, 2250 - bleed_pa_s * (t - 25)), 0.0)
    )
    return pd.DataFrame(
        {
            "trace_id": trace_id,
            "t_s": t,
            "tank_pressure_pa": -depth + rng.normal(0, 2, len(t)),
            "purge_duty_pct": np.where(is_draw, 100.0, 0.0),
            "is_vent_closed": (t >= 5) & (t < 65),
        }
    )
