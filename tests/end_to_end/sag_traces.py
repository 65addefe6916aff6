"""A fleet where hoses of sensors sag and hold fuel: recordings as frames, with marks and truth beside them."""

from __future__ import annotations

from copy import copy
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from tests.end_to_end.recording_frames import CODES, HEADER, samples_of
from tests.end_to_end.sag_fleet import MODELS, Fleet, fleet
from tests.end_to_end.sag_marks import diameters_mm, mark
from tests.end_to_end.sag_recorder import Written, loggers, write
from tests.end_to_end.sag_tank import hole, run


def sag_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of n recordings."""
    drawn = fleet(n, key)
    course = run(drawn.tanks)
    tight = copy(drawn.tanks)
    tight.leak_a, tight.leak_b = hole(np.full(n, 3e-5), np.zeros(n))
    tight.is_vent_stuck = np.zeros(n, bool)
    twin = run(tight)
    diameter = diameters_mm(drawn, course)
    recorders = loggers(key)
    samples, headers, truth = [], [], []
    for i in range(n):
        rng = np.random.default_rng([19, key, i])
        trace_id = f"sag-{key}-{i:05d}"
        written = write(drawn, course, i, recorders[drawn.shop[i]], rng)
        said = mark(drawn, course, twin, i, written, float(diameter[i]))
        samples.append(samples_of(trace_id, written.recording))
        headers.append(_header(trace_id, drawn, i, rng))
        truth.append(_truth(trace_id, drawn, i, written, said.__dict__))
    return (
        pl.concat(samples),
        pl.DataFrame(headers, schema=HEADER),
        pl.DataFrame(truth, infer_schema_length=None),
    )


def _truth(
    trace_id: str, drawn: Fleet, i: int, written: Written, said: dict[str, object]
) -> dict[str, object]:
    return {
        "trace_id": trace_id,
        **said,
        "is_sized": said["verdict"] == "leak" and not said["is_ambiguous"],
        "kind": str(drawn.kind[i]),
        "fault": str(drawn.fault[i]),
        "place": str(drawn.place[i]),
        "gas_l": 1000 * float(drawn.tanks.tank_m3[i] + drawn.tanks.canister_m3[i]),
        "sag_pa": float(drawn.sag_pa[i]),
        "noise_pa": written.noise_pa,
        "step_pa": written.step_pa,
        "jumps": written.jumps,
    }


def _header(trace_id: str, drawn: Fleet, i: int, rng: np.random.Generator) -> dict[str, object]:
    """Return what the shop knows: gauges and thermometers a little wrong, some of it not written down."""
    make, model, tank_l, *_ = MODELS[drawn.model[i]]
    tanks, fault = drawn.tanks, str(drawn.fault[i])
    codes = [str(rng.choice(CODES))] if fault != "tight" or rng.random() < 0.3 else []
    checks = []
    if rng.random() < 0.3:
        checks = [
            f"vent_click={'fail' if fault == 'vent_stuck_open' else 'pass'}",
            f"purge_click={'fail' if fault == 'no_vacuum' else 'pass'}",
        ]
    is_routine = drawn.kind[i] == "routine"
    recorded_at = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(hours=int(rng.integers(0, 6000)))
    level = 100 * float(np.clip(drawn.level[i] + rng.normal(0, 0.015), 0.05, 1))
    barometric = float(tanks.ambient_pa[i]) / 1000 + rng.normal(0, 0.15)
    return {
        "trace_id": trace_id,
        "job_id": f"J-{trace_id}",
        "vehicle_id": f"V-{trace_id}",
        "stage": "routine" if is_routine else str(rng.choice(["before_repair", "after_repair"])),
        "recorded_at": recorded_at,
        "fuel_level_pct": round(level, 1) if rng.random() < 0.95 else None,
        "ambient_c": round(float(tanks.ambient_k[i]) - 273.15 + rng.normal(0, 1.5)) * 1.0,
        "barometric_kpa": round(barometric, 1) if rng.random() < 0.9 else None,
        "fuel_tank_l": float(tank_l),
        "make": make,
        "model": model,
        "trouble_codes": codes,
        "checks": checks,
    }
