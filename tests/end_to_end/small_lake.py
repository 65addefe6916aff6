"""A lake small enough to count by hand, in our own names, for tests that damage it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

VEHICLES = """vehicle_id,make,model,model_year,fuel_tank_l,in_service_on,out_of_service_on,vin
V1,Orrin,Tarn,2012,60,2020-01-01,,
V2,Orrin,Tarn,2015,60,2020-01-01,2023-06-30,11111111111111111
V3,Kelby,Moss,2018,50,2022-03-01,,
"""

JOBS = """job_id,shop_id,technician_id,vehicle_id,opened_at,closed_at,trouble_codes,component,action,checks
J1,north,T1,V1,2023-01-02T09:00:00Z,2023-01-03T12:00:00Z,P0442;P0456,purge_valve,replaced,purge_click=fail
J2,north,T1,V1,2023-02-01T09:00:00Z,2023-02-01T15:00:00Z,P0442,fuel_cap,replaced,cap_seal=fail
J3,south,T2,V2,2023-03-01T09:00:00Z,2023-03-02T15:00:00Z,P0446,vent_valve,replaced,vent_click=fail
J4,south,T2,V3,2023-09-01T09:00:00Z,,P0455,none_found,none,
"""

TRACES = """trace_id,job_id,stage,recorded_at,fuel_level_pct,ambient_c,barometric_kpa
R1,J1,before_repair,2023-01-02T09:30:00Z,50,20,100
R2,J1,after_repair,2023-01-03T11:30:00Z,50,20,100
"""

INSPECTIONS = """inspection_id,vehicle_id,station_id,inspected_at,monitor_status_hex,bulb_check,connector,test_result
I1,V1,S1,2023-04-01T10:00:00Z,82076504,ok,ok,fail
I2,V1,S1,2023-05-01T10:00:00Z,00076500,ok,ok,pass
I3,V3,S2,2023-06-01T10:00:00Z,00076504,ok,ok,pass
"""


def write_small_lake(lake: Path, source: str = "own") -> Path:
    """Write three vehicles, four jobs, two recordings and three inspections; return the source's folder."""
    folder = lake / source
    folder.mkdir(parents=True)
    texts = {"vehicles": VEHICLES, "jobs": JOBS, "traces": TRACES, "inspections": INSPECTIONS}
    for kind, text in texts.items():
        (folder / f"{kind}.csv").write_text(text, encoding="utf-8")
    samples().write_parquet(folder / "samples.parquet")
    return folder


def samples() -> pl.DataFrame:
    """Return two recordings: one that bleeds up after the draw, one that holds."""
    return pl.concat([_recording("R1", 40.0), _recording("R2", 1e6)])


def _recording(trace_id: str, tau_s: float) -> pl.DataFrame:
    t = np.arange(0.0, 90.0, 0.5)
    drawing, holding, released = (t >= 10) & (t < 20), (t >= 20) & (t < 80), t >= 80
    pressure = np.where(drawing, -250.0 * (t - 10), 0.0)
    pressure = np.where(holding, -2500.0 * np.clip(1 - (t - 20) / (2 * tau_s), 0, None) ** 2, pressure)
    pressure = np.where(released, pressure * 0.0, pressure) + np.sin(7.0 * t)
    return pl.DataFrame(
        {
            "trace_id": [trace_id] * len(t),
            "t_s": t,
            "tank_pressure_pa": pressure,
            "sensor_v": 1.5 - pressure / 2500.0,
            "purge_duty_pct": np.where(drawing, 100.0, 0.0),
            "is_vent_closed": (t >= 5) & (t < 80),
            "engine_rpm": np.full(len(t), 750.0),
        }
    )
