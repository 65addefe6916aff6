"""Made-up leak sizes and judged recordings."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import stats

from pipeline.contract.vocabulary import VERDICTS
from tests.unit.reports.frame_of_table import HOSTILE, MODELS, PARTS, TABLES, framed


def leak_size(rng: np.random.Generator) -> pl.DataFrame:
    groups = [
        ("all", "all"),
        *(("model", f"{m} {n}") for m, n in MODELS),
        *(("component", p) for p in PARTS),
        *(("trouble_code", c) for c in ("P0442", "P0455", "P0456")),
        *(("stage", s) for s in ("before_repair", "after_repair", "routine")),
    ]
    rows = []
    for by, group in groups:
        median = float(rng.uniform(0.4, 1.4))
        missing = group == "after_repair"
        rows.append(
            {
                "by": by,
                "group": group,
                "n_traces": int(rng.integers(15, 900)),
                "n_below_detection": 12,
                "n_too_large": 7,
                "median_mm": None if missing else median,
                "median_low_mm": None if missing else 0.8 * median,
                "median_high_mm": None if missing else 1.3 * median,
                "share_over_0_5_mm": 0.61,
                "share_over_0_5_low": 0.55,
                "share_over_0_5_high": 0.67,
                "share_over_1_0_mm": 0.22,
                "share_over_1_0_low": 0.17,
                "share_over_1_0_high": 0.28,
                "lognormal_median_mm": median * 1.02,
                "lognormal_sigma": 0.6,
                "nominal_mm": {"P0442": 1.016, "P0456": 0.508}.get(group),
                "share_over_nominal": {"P0442": 0.31, "P0456": 0.52}.get(group),
                "share_over_nominal_low": {"P0442": 0.24, "P0456": 0.46}.get(group),
                "share_over_nominal_high": {"P0442": 0.38, "P0456": 0.58}.get(group),
                "nominal_agreement": {"P0442": "smaller", "P0456": "cannot_say"}.get(group),
                "reason": "more than half are too tight to tell" if missing else None,
            }
        )
    return framed(TABLES["mart.leak_size"], rows)


def leak_size_curve() -> pl.DataFrame:
    rows = []
    for by, group, shift in (
        ("all", "all", 1.0),
        ("model", "Halden Orrin", 1.4),
        ("trouble_code", "P0456", 0.6),
        ("stage", "routine", 0.8),
    ):
        for d in np.geomspace(0.2, 4, 26):
            p = float(stats.lognorm.cdf(d, 0.6, scale=0.65 * shift))
            rows.append(
                {
                    "by": by,
                    "group": group,
                    "diameter_mm": float(d),
                    "interval_low_mm": float(d) * 0.96,
                    "share_at_most": round(p, 3),
                    "low": max(0, p - 0.06),
                    "high": min(1, p + 0.06),
                    "lognormal_share": p,
                }
            )
        rows.append(
            {
                "by": by,
                "group": group,
                "diameter_mm": float("inf"),
                "interval_low_mm": 4.0,
                "share_at_most": 1.0,
            }
        )
    return framed(TABLES["mart.leak_size_curve"], rows)


def trace_result(rng: np.random.Generator, hostile: bool) -> pl.DataFrame:
    rows = []
    for i in range(600):
        verdict = VERDICTS[
            int(rng.choice(10, p=[0.42, 0.26, 0.08, 0.06, 0.04, 0.04, 0.02, 0.02, 0.02, 0.04]))
        ]
        rows.append(
            {
                "trace_id": f"R{i:04d}",
                "job_id": f"J{i // 2:05d}",
                "vehicle_id": f"V{i % 300}",
                "stage": ("before_repair", "after_repair", "routine")[i % 3],
                "verdict": verdict,
                "quality": float(rng.uniform(0.3, 1)),
                "discharge_coefficient": 0.61,
                "discharge_at_hold": 0.6,
                "n_samples": 900,
                "evidence": HOSTILE
                if hostile
                else "Vacuum reached 2.6 kPa and lost 310 Pa in 40 s of hold: a leak of 0.62 mm (0.55 to 0.71 mm).",
                "suspects": ["fuel_cap", "vapor_line"] if verdict == "leak" else [],
            }
        )
    return framed(TABLES["mart.trace_result"], rows)


def source_vent(hostile: bool) -> pl.DataFrame:
    """One source whose vent command is believed, one whose is not."""
    names = (HOSTILE if hostile else "north_bay", "south_bay")
    rows = [
        {"source_id": name, "n_told": n, "n_vacuum_under_open_vent": n_open, "is_vent_doubted": is_doubted}
        for name, n, n_open, is_doubted in zip(names, (212, 48), (9, 41), (False, True), strict=True)
    ]
    return framed(TABLES["mart.source_vent"], rows)


def source_pressure(hostile: bool) -> pl.DataFrame:
    """One source whose pressures are believed, one whose are in kilopascals."""
    names = (HOSTILE if hostile else "north_bay", "south_bay")
    rows = [
        {
            "source_id": name,
            "n_drawn": n,
            "n_vehicles": n // 3,
            "greatest_span_pa": span,
            "n_compared": n - 4,
            "span_ratio": ratio,
            "rate_ratio": 1.1 * ratio,
            "is_pressure_doubted": is_doubted,
        }
        for name, n, span, ratio, is_doubted in zip(
            names, (180, 36), (3712.5, 3.64), (1.02, 0.001), (False, True), strict=True
        )
    ]
    return framed(TABLES["mart.source_pressure"], rows)


def source_zero(hostile: bool) -> pl.DataFrame:
    """One source whose open tanks read zero, one whose barometer is reduced to sea level."""
    names = (HOSTILE if hostile else "north_bay", "south_bay")
    rows = [
        {
            "source_id": name,
            "n_told": n,
            "n_vehicles": n // 3,
            "median_zero_pa": zero,
            "n_far_off": far,
            "is_zero_doubted": is_doubted,
        }
        for name, n, zero, far, is_doubted in zip(
            names, (180, 36), (-3.5, -5210.0), (1, 35), (False, True), strict=True
        )
    ]
    return framed(TABLES["mart.source_zero"], rows)
