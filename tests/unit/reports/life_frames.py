"""Made-up lives of parts, their curves and forecasts."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from tests.unit.reports.frame_of_table import MODELS, PARTS, TABLES, framed

GROUPS = (("*", "*"), *MODELS)


def component_life() -> pl.DataFrame:
    rows = []
    for i, (make, model) in enumerate(GROUPS):
        for j, part in enumerate(PARTS):
            pattern = ("wear_out", "random", "early", "unclear")[j % 4]
            shape = {"wear_out": 2.1, "random": 1.04, "early": 0.6, "unclear": 1.3}[pattern]
            row = {"make": make, "model": model, "component": part, "n_vehicles": 40 + 30 * i}
            if (i, j) == (3, 7):
                rows.append(row | {"n_failures": 1, "n_returns": 0, "reason": "fewer than two failures"})
                continue
            mean = 2.0 + i + j
            rows.append(
                row
                | {
                    "n_failures": 9 + 5 * i + j,
                    "n_returns": 1,
                    "n_left_out": 0,
                    "n_replaced": 7 + 4 * i,
                    "unit_years": 300.0 + 90 * i,
                    "weibull_shape": shape,
                    "weibull_shape_low": shape * 0.8,
                    "weibull_shape_high": shape * 1.3,
                    "weibull_scale_years": 30.0 + j,
                    "weibull_scale_low_years": 22.0 + j,
                    "weibull_scale_high_years": 41.0 + j,
                    "b10_years": 6.0 + j,
                    "b10_low_years": 4.0 + j,
                    "b10_high_years": 9.0 + j,
                    "p_constant": 0.4 if pattern in ("random", "unclear") else 0.0004,
                    "pattern": pattern,
                    "n_in_service": 35 + 28 * i,
                    "failures_next_90_days": mean / 4,
                    "failures_next_90_days_low": 0,
                    "failures_next_90_days_high": int(mean / 4 + 4),
                    "failures_next_365_days": mean,
                    "failures_next_365_days_low": int(mean / 3),
                    "failures_next_365_days_high": int(2 * mean + 3),
                    "parts_for_90_days": int(mean / 4 + 2),
                    "parts_for_365_days": int(mean * 1.6 + 2),
                    "service_level": 0.95,
                }
            )
    return framed(TABLES["mart.component_life"], rows)


def component_life_curve() -> pl.DataFrame:
    rows = []
    for make, model in GROUPS[:4]:
        for j, part in enumerate(PARTS):
            for n, age in enumerate(np.geomspace(0.2, 20, 12)):
                hazard = float((age / (30 + j)) ** 1.4)
                rows.append(
                    {
                        "make": make,
                        "model": model,
                        "component": part,
                        "age_years": float(age),
                        "n_at_risk": 300 - 20 * n,
                        "n_failures": n + 1,
                        "since_years": 0.0,
                        "failures_per_unit": hazard * 1.05,
                        "low": hazard * 0.6,
                        "high": hazard * 1.8,
                        "weibull_failures_per_unit": hazard,
                    }
                )
    return framed(TABLES["mart.component_life_curve"], rows)


def recurrence() -> pl.DataFrame:
    rows = [
        {
            "make": make,
            "model": model,
            "component": part,
            "age_days": 200 * n,
            "n_at_risk": 300 - 20 * n,
            "n_failures": n,
            "failures_per_vehicle": 0.004 * n * (1 + j),
            "low": 0.002 * n * (1 + j),
            "high": 0.009 * n * (1 + j),
        }
        for make, model in GROUPS[:4]
        for j, part in enumerate(PARTS)
        for n in range(1, 9)
    ]
    return framed(TABLES["mart.recurrence"], rows)


def alarms() -> pl.DataFrame:
    """One chart signals in its last two months."""
    rows = []
    for make, model in MODELS:
        for j, part in enumerate(PARTS):
            rises = (model, part) == ("Orrin", "purge_valve")
            for n in range(12):
                evidence = 1.2 * n if rises else 0.1 * j
                since = {
                    "rising_since": date(2024, 3, 1),
                    "observed_since": 21,
                    "expected_since": 8.25,
                    "model_year": 2019 if rises and n > 9 else None,
                    "n_on_model_year": 17 if rises and n > 9 else None,
                }
                rows.append(
                    {
                        "make": make,
                        "model": model,
                        "component": part,
                        "month": date(2024, n + 1, 1),
                        "observed": 9 if rises and n > 5 else n % 3,
                        "expected": 1.1,
                        "evidence": evidence,
                        "evidence_limit": 12.0,
                        "is_signal": evidence >= 12,
                        **(since if evidence else {}),
                        "false_alarm_chance": 0.05,
                        "n_charts": 64,
                        "run_length_months": 160_000.0,
                    }
                )
    return framed(TABLES["mart.alarms"], rows)
