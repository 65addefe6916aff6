"""The lists behind the owner's counts, computed apart: loops over records, nothing of `pipeline`."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from tests.end_to_end.oracle import (
    Window,
    comebacks_of,
    day,
    followed_repairs,
    is_repair,
    wilson,
)
from tests.end_to_end.raw_lake import Records


def comeback(records: Records, window: Window, checks: pd.DataFrame) -> pd.DataFrame:
    """Compute mart.comeback; `checks` is mart.repair_check, for what recordings say."""
    known = checks.set_index("job_id")
    rows = []
    for _, repair in followed_repairs(records, window).iterrows():
        if not repair["came_back"]:
            continue
        again, visit = _next_visit(repair, records)
        told = [j["currency"] for j in visit if j["currency"] is not None]
        currency = told[0] if len(set(told)) == 1 else None
        is_costed = currency is not None and len(told) == len(visit)
        rows.append(
            {
                "job_id": repair["job_id"],
                "shop_id": repair["shop_id"],
                "technician_id": repair["technician_id"],
                "vehicle_id": repair["vehicle_id"],
                "make": repair["make"],
                "model": repair["model"],
                "component": repair["component"],
                "action": repair["action"],
                "closed_on": str(day(repair["closed_at"]).date()),
                "comeback_job_id": again["job_id"],
                "days": (day(again["opened_at"]) - day(repair["closed_at"])).days,
                "comeback_shop_id": again["shop_id"],
                "is_same_component": any(
                    is_repair(j) and j["component"] == repair["component"] for j in visit
                ),
                "verified": known.loc[repair["job_id"], "verified"],
                "evidence_agrees": known.loc[repair["job_id"], "evidence_agrees"],
                "labor_h": _total(visit, "labor_h"),
                "parts_cost": _total(visit, "parts_cost") if is_costed else math.nan,
                "currency": currency,
            }
        )
    return pd.DataFrame(rows)


def _next_visit(repair: Any, records: Records) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Find the job as which a repair came back, and every line of the vehicle opened at that instant."""
    again = min(comebacks_of(repair, records.jobs), key=lambda j: j["job_id"])
    same = ("vehicle_id", "opened_at")
    return again, [j for j in records.jobs if all(j[k] == again[k] for k in same)]


def _total(visit: list[dict[str, Any]], name: str) -> float:
    values = [j[name] for j in visit]
    return math.nan if None in values else sum(values)


def repeated_failure(records: Records, window: Window) -> pd.DataFrame:
    """Compute mart.repeated_failure."""
    flagged = {i for again in followed_repairs(records, window)["same_again"] for i in again}
    register = {v["vehicle_id"]: v for v in records.vehicles}
    failures: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for job in records.jobs:
        if is_repair(job) and window.holds(job["opened_at"]):
            failures.setdefault((job["vehicle_id"], job["component"]), []).append(job)
    rows = []
    for (vehicle_id, component), jobs in failures.items():
        if len(jobs) < 3:
            continue
        jobs.sort(key=lambda j: (j["opened_at"], j["job_id"]))
        rows.append(
            {
                "vehicle_id": vehicle_id,
                "make": register[vehicle_id]["make"],
                "model": register[vehicle_id]["model"],
                "component": component,
                "n_failures": len(jobs),
                "n_comebacks": sum(j["job_id"] in flagged for j in jobs),
                "n_shops": len({j["shop_id"] for j in jobs}),
                "first_on": str(day(jobs[0]["opened_at"]).date()),
                "last_on": str(day(jobs[-1]["opened_at"]).date()),
                "last_job_id": jobs[-1]["job_id"],
                "last_shop_id": jobs[-1]["shop_id"],
            }
        )
    return pd.DataFrame(rows)


def against_evidence(checks: pd.DataFrame) -> pd.DataFrame:
    """Compute mart.against_evidence from mart.repair_check."""
    told = checks[checks["evidence_agrees"].isin(["yes", "no"])]
    groups = [("all", "all", told), *(("shop", shop, part) for shop, part in told.groupby("shop_id"))]
    rows = []
    for by, group, part in groups:
        n, k = len(part), int((part["evidence_agrees"] == "no").sum())
        low, high = wilson(k, n)
        row = {"by": by, "group": group, "n_told": n, "n_against": k}
        rows += [row | {"share_against": k / n, "low": low, "high": high}] if n else []
    return pd.DataFrame(rows)
