"""An independent computation of leak_size, its curve and repair_check, from recordings already judged.

Leak sizes: the nonparametric maximum likelihood of diameters known to lie in (L, R], by a slow EM certified by its
optimality condition (Turnbull 1976; Gentleman and Geyer 1994). Nothing of `pipeline`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from tests.end_to_end.oracle import EVAP_CODES
from tests.end_to_end.raw_lake import Records


def intervals(results: pd.DataFrame) -> pd.DataFrame:
    """Give (L, R] [mm] of every recording that judges a leak: tight (0, R], gross (L, inf), else (L, R]."""
    judged = results[results["verdict"].isin(["holds", "leak", "gross_leak"])].copy()
    low, high, form = (judged[c] for c in ("leak_diameter_low_mm", "leak_diameter_high_mm", "leak_censoring"))
    judged["left"] = np.where(form == "left", 0.0, np.floor(low * 100 + 1e-9) / 100)
    judged["right"] = np.where(form == "right", np.inf, np.ceil(high * 100 - 1e-9) / 100)
    return judged[judged["left"].notna() & judged["right"].notna()]


def support(left: np.ndarray, right: np.ndarray) -> list[tuple[float, float]]:
    """Find the innermost intervals: an L directly followed by an R; at one point R comes before L."""
    ends = sorted({(l, 1) for l in left} | {(r, 0) for r in right})
    return [(a[0], b[0]) for a, b in zip(ends, ends[1:], strict=False) if a[1] == 1 and b[1] == 0]


def npmle(left: np.ndarray, right: np.ndarray) -> tuple[list[tuple[float, float]], np.ndarray]:
    """Give the innermost intervals and their masses; the largest slope of the likelihood must be one."""
    places = support(left, right)
    fits = np.array([(left <= p) & (q <= right) for p, q in places]).T.astype(float)
    mass = np.full(len(places), 1 / len(places))
    for _ in range(400):
        mass = mass * (fits / (fits @ mass)[:, None]).mean(0)
    # the EM is slow near the edge: finish by a quadratic program's active set (Newton on the support)
    for _ in range(2000):
        d = fits @ mass
        slope = (fits / d[:, None]).mean(0)
        if slope.max() < 1 + 1e-10 and mass[slope < 1 - 1e-6].max(initial=0) < 1e-10:
            break
        mass = mass * slope
        mass[mass < 1e-14] = 0
        keep = np.flatnonzero((mass > 1e-6) | (slope > 1))
        mass = _newton(fits, mass, keep)
    slope = (fits / (fits @ mass)[:, None]).mean(0)
    assert slope.max() < 1 + 1e-5, slope.max()
    return places, mass


def _newton(fits: np.ndarray, mass: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Take one projected Newton step of the log likelihood on the masses in `keep`, halved until it gains."""
    f = fits[:, keep] / (fits @ mass)[:, None]
    # min over w >= 0 of |f w - 2|^2, then normed: the quadratic about the present masses (Wang 2007)
    w, _ = optimize.nnls(f, np.full(len(f), 2.0), maxiter=50 * len(keep) + 50)
    new = np.zeros_like(mass)
    new[keep] = w / w.sum()
    before = np.log(fits @ mass).sum()
    for _ in range(30):
        if (fits @ new > 0).all() and np.log(fits @ new).sum() >= before:
            return new
        new = (new + mass) / 2
    return mass


def share_at_most(places: list[tuple[float, float]], mass: np.ndarray, x: float) -> tuple[float, float]:
    """Give the least and the greatest share of sizes at most x that the masses allow."""
    least = sum(m for (_, q), m in zip(places, mass, strict=True) if q <= x)
    most = sum(m for (p, _), m in zip(places, mass, strict=True) if p < x)
    return float(least), float(most)


def lognormal(left: np.ndarray, right: np.ndarray) -> tuple[float, float]:
    """Fit ln(diameter) ~ normal to intervals: mean and standard deviation."""
    a, b = np.log(np.maximum(left, 1e-300)), np.log(right)

    def worse(p: np.ndarray) -> float:
        s = math.exp(p[1])
        x, y = (a - p[0]) / s, (b - p[0]) / s
        up = x > 0  # work in the tail where differences keep their digits
        chance = np.where(up, stats.norm.sf(x) - stats.norm.sf(y), stats.norm.cdf(y) - stats.norm.cdf(x))
        return -np.log(np.maximum(chance, 1e-300)).sum()

    best = min(
        (
            optimize.minimize(
                worse, [m, s], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 5000}
            )
            for m in (-1.0, 0.5)
            for s in (-0.7, 0.5)
        ),
        key=lambda r: r.fun,
    )
    return float(best.x[0]), math.exp(best.x[1])


def groups(records: Records, results: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """Put the recordings into groups: all, by model, component, EVAP code and stage."""
    judged = intervals(results)
    register = {v["vehicle_id"]: v for v in records.vehicles}
    jobs = {j["job_id"]: j for j in records.jobs}
    makes = pd.DataFrame(records.vehicles).groupby("model")["make"].nunique()
    found: dict[tuple[str, str], list[int]] = {}
    for i, row in judged.iterrows():
        v, j = register[row["vehicle_id"]], jobs.get(row["job_id"])
        name = f"{v['make']} {v['model']}" if makes[v["model"]] > 1 else v["model"]
        keys = [("all", "all"), ("stage", row["stage"])]
        if row["stage"] == "before_repair":
            keys += [("model", name)]
        if j is not None and row["stage"] == "before_repair":
            keys += [("component", j["component"])]
            keys += [("trouble_code", c) for c in sorted(set(j["trouble_codes"] or []) & EVAP_CODES)]
        for key in keys:
            found.setdefault(key, []).append(i)
    return {key: judged.loc[rows] for key, rows in found.items()}


# --- repairs and their recordings ------------------------------------------------------------------------------
def pairs(records: Records, traces: list[dict[str, Any]], results: pd.DataFrame) -> pd.DataFrame:
    """Find for each repair its last judged recordings before and after."""
    verdict = results.set_index("trace_id")["verdict"].to_dict()
    rows = []
    for job in records.jobs:
        if job["action"] == "none" or job["component"] == "none_found":
            continue
        row = {k: job[k] for k in ("job_id", "shop_id", "vehicle_id", "component", "action")}
        for side in ("before", "after"):
            mine = [
                t
                for t in traces
                if t["job_id"] == job["job_id"]
                and t["stage"] == f"{side}_repair"
                and verdict.get(t["trace_id"], "not_judged") != "not_judged"
            ]
            last = max(mine, key=lambda t: (t["recorded_at"], t["trace_id"]), default=None)
            row[f"{side}_trace_id"] = last["trace_id"] if last else None
            row[f"{side}_verdict"] = verdict[last["trace_id"]] if last else None
        rows.append(row)
    return pd.DataFrame(rows)
