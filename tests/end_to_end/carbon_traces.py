"""Recordings of the ninth author as frames, with what is true of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.carbon_fleet import HOLES, MODELS, Bench, fleet
from tests.end_to_end.carbon_plan import plan
from tests.end_to_end.carbon_recorder import floor_pa, header, recorded
from tests.end_to_end.carbon_run import Ran, run
from tests.end_to_end.carbon_truth import Fact, is_sized, told
from tests.end_to_end.recording_frames import CODES, HEADER, samples_of

BLOCK = 1000
TRUTH: dict[str, Any] = {
    "trace_id": pl.String,
    "verdict": pl.String,
    "also_fair": pl.String,
    "is_ambiguous": pl.Boolean,
    "kind": pl.String,
    "course": pl.String,
    "diameter_mm": pl.Float64,
    "is_sized": pl.Boolean,
    "residual_mm": pl.Float64,
}


def _fact(bench: Bench, ran: Ran, i: int, is_volume_known: bool) -> Fact:
    fault = str(bench.fault[i])
    return Fact(
        fault=fault,
        course=str(bench.course[i]),
        hole_mm=float(ran.hole_mm[i]),
        start_pa=float(ran.start_pa[i]),
        hold_s=float(ran.held_s[i]),
        half_life_s=float(ran.half_life_s[i]),
        hole_pa=float(ran.hole_pa[i]),
        other_pa=float(ran.other_pa[i]),
        gave_back=float(ran.gave_back[i]),
        floor_pa=floor_pa(bench, i),
        crept_pa=float(ran.crept_pa[i]),
        fell_pa=float(ran.fell_pa[i]),
        left_pa=float(ran.left_pa[i]),
        left_share=float(ran.left_share[i]),
        tank_moved_pa=float(ran.tank_moved_pa[i]),
        stuck_pa=float(bench.stuck_pa[i]),
        offset_pa=float(bench.offset_pa[i]),
        is_leaking_too=fault not in HOLES and bench.hole_built_mm[i] >= 0.25,
        is_volume_known=is_volume_known,
    )


def _truth(bench: Bench, ran: Ran, i: int, name: str, is_volume_known: bool) -> dict[str, Any]:
    fact = _fact(bench, ran, i, is_volume_known)
    verdict, also = told(fact)
    is_open = fact.fault in (*HOLES, "cap_off", "vent_open") or fact.is_leaking_too
    return {
        "trace_id": name,
        "verdict": verdict,
        "also_fair": also,
        "is_ambiguous": also is not None,
        "kind": fact.fault,
        "course": fact.course,
        "diameter_mm": fact.hole_mm if is_open and np.isfinite(fact.hole_mm) else None,
        "is_sized": is_sized(fact, verdict),
        "residual_mm": None if is_open else fact.hole_mm,
    }


def carbon_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Make `n` recordings under `key`: samples, headers and truth."""
    samples, headers, truths = [], [], []
    for first in range(0, n, BLOCK):
        rng = np.random.default_rng([key, first])
        bench = fleet(rng, min(BLOCK, n - first))
        ran = run(bench, plan(rng, bench), int(rng.integers(2**31)))
        for i in range(len(bench.model)):
            name, model = f"c{key}-{first + i:05d}", MODELS[int(bench.model[i])]
            recording, flow = recorded(rng, bench, ran, i)
            samples.append(
                samples_of(name, recording).with_columns(test_flow_std_l_min=pl.Series(flow).fill_nan(None))
            )
            known = header(rng, bench, i)
            is_volume_known = known["fuel_tank_l"] is not None and known["fuel_level_pct"] is not None
            truth = _truth(bench, ran, i, name, is_volume_known)
            is_bad = truth["verdict"] not in ("holds", "not_judged")
            stage = (
                "routine" if bench.course[i] == "routine" else "before_repair" if is_bad else "after_repair"
            )
            headers.append(
                {
                    "trace_id": name,
                    "job_id": f"j{key}-{first + i:05d}",
                    "vehicle_id": f"v{key}-{first + i:05d}",
                    "stage": stage,
                    "recorded_at": datetime(2025, 3, 1, 8, tzinfo=UTC) + timedelta(hours=2.3 * (first + i)),
                    "make": model.make,
                    "model": model.name,
                    "trouble_codes": [str(rng.choice(CODES))] if is_bad and rng.random() < 0.8 else [],
                    "checks": [],
                    **known,
                }
            )
            truths.append(truth)
    return pl.concat(samples), pl.DataFrame(headers, schema=HEADER), pl.DataFrame(truths, schema=TRUTH)
