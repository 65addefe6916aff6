"""Made-up lives of parts, their curves and forecasts."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from tests.unit.reports.frame_of_table import MODELS, PARTS, TABLES, framed, garwood

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
                    "q_constant": 0.6 if pattern in ("random", "unclear") else 0.0011 if i != 2 else 0.08,
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


def replacement_unit() -> pl.DataFrame:
    """Replacements of one part of one model fail more often than first units; of one there is nothing to compare."""
    rows = []
    for make, model in MODELS[:3]:
        for j, part in enumerate(PARTS[:3]):
            is_bad, is_alone = (model, j) == ("Orrin", 1), (model, j) == ("Mole", 2)
            n = 24 if is_bad else 3 + j
            low, high = garwood(n, 90.0)
            rows.append(
                {
                    "make": make,
                    "model": model,
                    "component": part,
                    "n_failures_first": 20 + j,
                    "unit_years_first": 900.0,
                    "rate_first": 22.0,
                    "rate_first_low": 14.0,
                    "rate_first_high": 35.0,
                    "n_failures_replacement": n,
                    "unit_years_replacement": 90.0,
                    "rate_replacement": 1000 * n / 90,
                    "rate_replacement_low": low,
                    "rate_replacement_high": high,
                    "n_failures_compared": n,
                    "failures_expected": None if is_alone else 6.0,
                    "rate_ratio": None if is_alone else n / 6.0,
                    "rate_ratio_low": None if is_alone else n / 12.0,
                    "rate_ratio_high": None if is_alone else n / 3.0,
                    "p_value": None if is_alone else 1e-5 if is_bad else 0.4,
                    "q_value": None if is_alone else 2e-4 if is_bad else 0.7,
                    "stands_out": is_bad,
                    "reason": "rate_ratio: nothing compared" if is_alone else None,
                }
            )
    return framed(TABLES["mart.replacement_unit"], rows)


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
            "read_to_days": 1500,
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
