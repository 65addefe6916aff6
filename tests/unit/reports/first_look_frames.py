"""Made-up places to look at first, in order, for every model and code."""

from __future__ import annotations

import polars as pl

from tests.unit.reports.frame_of_table import MODELS, PARTS, TABLES, framed

MINUTES = (10.0, 15.0, 5.0, 20.0, 30.0, 10.0, 10.0, 20.0)


def first_look() -> pl.DataFrame:
    rows = []
    groups = [(*pair, code) for pair in (("*", "*"), *MODELS) for code in ("*", "P0442", "P0455")]
    for i, (make, model, code) in enumerate(groups):
        finds = [(7 * i + 5 * j) % 11 for j in range(len(PARTS))]
        shares = [(n + 0.125) / (sum(finds) + 1) for n in finds]
        order = sorted(range(len(PARTS)), key=lambda j: -shares[j] / MINUTES[j])
        for rank, j in enumerate(order, 1):
            spent = [sum(MINUTES[k] for k in order[: at + 1]) for at in range(len(order))]
            rows.append(
                {
                    "make": make,
                    "model": model,
                    "trouble_code": code,
                    "rank": rank,
                    "component": PARTS[j],
                    "probability": shares[j],
                    "low": shares[j] * 0.7,
                    "high": 1 - (1 - shares[j]) * 0.9,
                    "n_found": finds[j],
                    "n_jobs": sum(finds),
                    "minutes_to_check": MINUTES[j],
                    "order_score": shares[j] / MINUTES[j] * 60,
                    "found_by_then": sum(shares[k] for k in order[:rank]),
                    "minutes_by_then": spent[rank - 1],
                    "expected_minutes": sum(shares[k] * t for k, t in zip(order, spent, strict=True)),
                }
            )
    return framed(TABLES["mart.first_look"], rows)
