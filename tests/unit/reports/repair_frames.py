"""Made-up rates, repairs and their checks."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.unit.reports.frame_of_table import MODELS, PARTS, SHOPS, TABLES, framed, garwood, wilson


def failure_rate(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i, (make, model) in enumerate(MODELS):
        years = 60.0 + 95 * i
        for j, part in enumerate(PARTS):
            base = 0.012 + 0.006 * j
            recurring = (model, part) == ("Orrin", "purge_valve") or (model, part) == ("Mole", "canister")
            n = int(rng.poisson(years * base * (9 if recurring else 1)))
            low, high = garwood(n, years)
            rate = 1000 * n / years
            shrunk = 1000 * (n + 3) / (years + 3 / base)
            p = 1e-9 * (1 + j) if recurring else float(rng.uniform(0.03, 1))
            rows.append(
                {
                    "make": make,
                    "model": model,
                    "component": part,
                    "n_failures": n,
                    "n_comebacks": n // 7,
                    "n_vehicles": 30 + 40 * i,
                    "vehicle_years": years,
                    "vehicle_km": years * 17_000.0,
                    "n_vehicles_km": 20 + 35 * i,
                    "rate_per_1000_vehicle_years": rate,
                    "low": low,
                    "high": high,
                    "shrunk_rate": shrunk,
                    "shrunk_low": shrunk * 0.7,
                    "shrunk_high": shrunk * 1.35,
                    "rate_ratio": rate / (1000 * base),
                    "p_value": p,
                    "q_value": min(1.0, 20 * p),
                    "is_recurring": recurring,
                    "q_value_without_comebacks": min(1.0, 30 * p),
                    "is_recurring_without_comebacks": recurring and i != 1,
                    "n_failures_km": n,
                    "rate_per_million_km": rate / 17,
                    "low_per_million_km": low / 17,
                    "high_per_million_km": high / 17,
                }
            )
    return framed(TABLES["mart.failure_rate"], rows)


def failure_split() -> pl.DataFrame:
    """Two groups stand out: a model year of one model, and a fleet over all models, beside which none failed."""
    rows = []
    for by, groups in (("model_year", ("2016", "2019")), ("fleet", ("coast", "valley"))):
        for make, model in (*MODELS[:3], *([("*", "*")] if by == "fleet" else [])):
            for part in PARTS[:4]:
                for i, group in enumerate(groups):
                    is_year = (model, part, group) == ("Orrin", "purge_valve", "2019")
                    is_fleet = (model, part, group) == ("*", "vent_valve", "coast")
                    n, years = (31 if is_year or is_fleet else 4 + i), 120.0
                    low, high = garwood(n, years)
                    rows.append(
                        {
                            "by": by,
                            "make": make,
                            "model": model,
                            "component": part,
                            "group": group,
                            "n_failures": n,
                            "n_vehicles": 40 + i,
                            "vehicle_years": years,
                            "rate_per_1000_vehicle_years": 1000 * n / years,
                            "low": low,
                            "high": high,
                            "n_failures_compared": n - 1,
                            "failures_expected": 0.0 if is_fleet else 9.5 if is_year else 5.0,
                            "rate_ratio": None if is_fleet else (n - 1) / (9.5 if is_year else 5.0),
                            "rate_ratio_low": 2.1 if is_year or is_fleet else 0.2,
                            "rate_ratio_high": None if is_fleet else 4.4,
                            "p_value": 1e-6 if is_year else 1e-5 if is_fleet else 0.6,
                            "q_value": 2e-5 if is_year else 4e-4 if is_fleet else 0.9,
                            "stands_out": is_year or is_fleet,
                            "n_vehicles_left_out": 3 if by == "fleet" else 0,
                        }
                    )
    return framed(TABLES["mart.failure_split"], rows)


def fix_row(by: str, group: str, n: int, back: int, funnel: str | None = None) -> dict[str, Any]:
    low, high = wilson(n - back, n)
    naive = 1 - back / int(n * 0.9)
    spread = 0.32 / np.sqrt(n)
    limits = (
        {
            "expected": 0.93,
            "n_comebacks_expected": 0.07 * n,
            "funnel": funnel,
            "funnel_low": max(0, 0.93 - 2 * spread),
            "funnel_high": min(1, 0.93 + 2 * spread),
            "funnel_beyond_low": max(0, 0.93 - 3.1 * spread),
            "funnel_beyond_high": min(1, 0.93 + 3.1 * spread),
        }
        if funnel
        else {}
    )
    return {
        "by": by,
        "group": group,
        "n_repairs": n,
        "n_comebacks": back,
        "n_followed": int(n * 0.9),
        "first_time_fix": 1 - back / n,
        "low": low,
        "high": high,
        "first_time_fix_naive": naive,
        "first_time_fix_naive_low": naive * 0.9,
        "first_time_fix_naive_high": 1 - (1 - naive) * 0.9,
    } | limits


def first_time_fix(rng: np.random.Generator) -> pl.DataFrame:
    rows = [fix_row("all", "all", 2431, 187)]
    for i, shop in enumerate(SHOPS):
        n = 20 + 27 * i
        place = {"shop-06": "beyond_below", "shop-11": "above", "shop-09": "below"}.get(shop, "inside")
        share = {"beyond_below": 0.24, "below": 0.115, "above": 0.03}.get(place, 0.07)
        rows.append(fix_row("shop", shop, n, round(n * share), place))
    for by, groups in (
        ("component", PARTS),
        ("model", tuple(f"{m} {n}" for m, n in MODELS)),
        ("verified", ("proved", "not_proved", "disproved", "no_trace")),
        ("evidence", ("yes", "no", "cannot_say")),
        ("technician", tuple(f"T{n}" for n in range(101, 119))),
    ):
        for group in groups:
            n = int(rng.integers(12, 400))
            rows.append(fix_row(by, group, n, int(rng.binomial(n, 0.08)), "inside"))
    return framed(TABLES["mart.first_time_fix"], rows)


def repair_check(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i in range(900):
        verified = ("proved", "not_proved", "disproved", "no_trace")[
            int(rng.choice(4, p=[0.45, 0.2, 0.07, 0.28]))
        ]
        rows.append(
            {
                "job_id": f"J{i:05d}",
                "shop_id": SHOPS[i % len(SHOPS)],
                "vehicle_id": f"V{i % 300}",
                "component": PARTS[i % 8],
                "action": "replaced",
                "verified": verified,
                "evidence_agrees": ("yes", "no", "cannot_say")[i % 3],
                "technician_id": f"T{101 + i % 18}",
                "make": "Halden",
                "model": "Orrin",
                "opened_on": date(2023, 1, 1) + timedelta(days=i),
                "before_verdict": "no_vacuum",
                "suspects": ["purge_valve", "vapor_line"],
            }
        )
    return framed(TABLES["mart.repair_check"], rows)


def comeback() -> pl.DataFrame:
    """187 of the 2431 repairs of `first_time_fix`, every third to another shop; the last one tells little."""
    rows = [
        {
            "job_id": f"J{i:05d}",
            "shop_id": SHOPS[i % 14],
            "technician_id": f"T{101 + i % 18}",
            "vehicle_id": f"V{i % 300}",
            "make": "Halden",
            "model": "Orrin",
            "component": PARTS[i % 8],
            "action": "replaced",
            "closed_on": date(2024, 1, 1) + timedelta(days=i),
            "comeback_job_id": f"J{i + 500:05d}",
            "days": i % 91,
            "comeback_shop_id": SHOPS[(i + (i % 3 == 0)) % 14],
            "is_same_component": i % 2 == 0,
            "verified": "no_trace",
            "evidence_agrees": "cannot_say",
            "labor_h": 1.25,
            "parts_cost": 84.5,
            "currency": "USD",
        }
        for i in range(187)
    ]
    unknown = ("technician_id", "labor_h", "parts_cost", "currency")
    rows[-1] |= dict.fromkeys(unknown)
    return framed(TABLES["mart.comeback"], rows)


def against_evidence() -> pl.DataFrame:
    rows = []
    for by, group, n, against in (("all", "all", 600, 300), *(("shop", s, 40, 20) for s in SHOPS)):
        low, high = wilson(against, n)
        rows.append(
            {"by": by, "group": group, "n_told": n, "n_against": against, "share_against": against / n}
            | {"low": low, "high": high}
        )
    return framed(TABLES["mart.against_evidence"], rows)


def repeated_failure() -> pl.DataFrame:
    """30 pairs on 15 vehicles; one of them failed ten times."""
    rows = [
        {
            "vehicle_id": f"V{i // 2}",
            "make": "Vantry",
            "model": "Mole",
            "component": PARTS[i % 2],
            "n_failures": 10 if i == 17 else 3 + i % 3,
            "n_comebacks": 2,
            "n_shops": 2,
            "first_on": date(2023, 2, 3),
            "last_on": date(2024, 1, 1) + timedelta(days=i),
            "last_job_id": f"J{i:05d}",
            "last_shop_id": "shop-04",
        }
        for i in range(30)
    ]
    return framed(TABLES["mart.repeated_failure"], rows)


def proof_worth() -> pl.DataFrame:
    first = {
        "comparison": "proved_or_not",
        "n_repairs_with": 400,
        "n_comebacks_with": 14,
        "first_time_fix_with": 0.965,
        "first_time_fix_with_low": 0.94,
        "first_time_fix_with_high": 0.98,
        "n_followed_with": 380,
        "n_repairs_without": 500,
        "n_comebacks_without": 60,
        "n_followed_without": 470,
        "first_time_fix_without": 0.88,
        "first_time_fix_without_low": 0.85,
        "first_time_fix_without_high": 0.905,
        "hazard_ratio": 0.3,
        "hazard_ratio_low": 0.2,
        "hazard_ratio_high": 0.55,
        "p_value": 0.0004,
        "n_used": 880,
        "n_comebacks_used": 74,
        "comebacks_avoided": 42.0,
        "comebacks_avoided_low": 27.0,
        "comebacks_avoided_high": 48.0,
        "n_labor_known": 70,
        "labor_h_per_comeback": 1.5,
        "hours_avoided": 63.0,
        "hours_avoided_low": 40.5,
        "hours_avoided_high": 72.0,
        "n_cost_known": 60,
        "currency": "USD",
        "parts_cost_per_comeback": 80.0,
        "parts_cost_avoided": 3360.0,
        "parts_cost_avoided_low": 2160.0,
        "parts_cost_avoided_high": 3840.0,
    }
    second = {name: first[name] for name in first if "repairs" in name or "fix" in name} | {
        "comparison": "with_or_against_evidence",
        "n_comebacks_with": 0,
        "n_comebacks_without": 9,
        "reason": "no comeback on one of the two sides",
    }
    return framed(TABLES["mart.proof_worth"], [first, second])


def proof_curve() -> pl.DataFrame:
    rows = [
        {
            "comparison": comparison,
            "side": side,
            "day": day,
            "n_at_risk": 400 - day,
            "share_without_comeback": 1 - day * drop,
            "low": 1 - day * drop * 1.5 if day else None,
            "high": 1 - day * drop * 0.6 if day else None,
        }
        for comparison in ("proved_or_not", "with_or_against_evidence")
        for side, drop in (("with", 0.0004), ("without", 0.0013))
        for day in range(0, 91, 5)
    ]
    return framed(TABLES["mart.proof_curve"], rows)
