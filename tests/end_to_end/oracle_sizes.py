"""An independent computation of leak_size, its curve and repair_check, from recordings already judged.

Leak sizes: the nonparametric maximum likelihood of diameters known to lie in (L, R], certified by its optimality
condition (Turnbull 1976; Gentleman and Geyer 1994). Nothing of `pipeline`.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from tests.end_to_end.oracle import EVAP_CODES
from tests.end_to_end.raw_lake import Records


def intervals(results: pd.DataFrame) -> pd.DataFrame:
    """Give (L, R] [mm] of every recording that judges a leak: tight (0, R], gross (L, inf), else (L, R].

    Ends are rounded outward to 0.01 mm (DEVELOPERS.md).
    """
    judged = results[results["verdict"].isin(["holds", "leak", "gross_leak"])].copy()
    low, high, form = (judged[c] for c in ("leak_diameter_low_mm", "leak_diameter_high_mm", "leak_censoring"))
    judged["left"] = np.where(form == "left", 0.0, np.floor(low * 100 + 1e-9) / 100)
    judged["right"] = np.where(form == "right", np.inf, np.ceil(high * 100 - 1e-9) / 100)
    return judged[judged["left"].notna() & judged["right"].notna()]


def support(left: np.ndarray, right: np.ndarray) -> list[tuple[float, float]]:
    """Find the innermost intervals: an L directly followed by an R; at one point R comes before L."""
    ends = sorted({(x, 1) for x in left} | {(x, 0) for x in right})
    return [(a[0], b[0]) for a, b in pairwise(ends) if a[1] == 1 and b[1] == 0]


def npmle(left: np.ndarray, right: np.ndarray) -> tuple[list[tuple[float, float]], np.ndarray]:
    """Give the innermost intervals and their masses; certified: no slope of the likelihood is above one.

    Each step is the least-squares problem about the present masses (Y. Wang, J. R. Stat. Soc. B 69, 2007), halved
    until the likelihood gains.
    """
    places = support(left, right)
    fits = np.array([(left <= p) & (q <= right) for p, q in places]).T.astype(float)
    mass = np.full(len(places), 1 / len(places))
    for _ in range(2000):
        f = fits / (fits @ mass)[:, None]
        if f.mean(0).max() < 1 + 1e-9:
            break
        step, _ = optimize.nnls(f, np.full(len(f), 2.0), maxiter=100 * len(places))
        new = step / step.sum()
        for _ in range(30):
            if (fits @ new).min() > 0 and np.log((fits @ new) / (fits @ mass)).sum() >= 0:
                break
            new = (new + mass) / 2
        for _ in range(
            20
        ):  # steps of the EM: what the least squares left without mass but needs some gets it back
            new = (new + 1e-12) * (fits / (fits @ new)[:, None]).mean(0)
        mass = new / new.sum()
    assert (fits / (fits @ mass)[:, None]).mean(0).max() < 1 + 1e-6
    return places, mass


def share_at_most(places: list[tuple[float, float]], mass: np.ndarray, x: float) -> tuple[float, float]:
    """Give the least and the greatest share of sizes at most x that the masses allow."""
    least = sum(m for (_, q), m in zip(places, mass, strict=True) if q <= x)
    most = sum(m for (p, _), m in zip(places, mass, strict=True) if p < x)
    return float(least), float(most)


def told_steps(places: list[tuple[float, float]], mass: np.ndarray, part: pd.DataFrame) -> list[int]:
    """List the innermost intervals with mass that the recordings tell an upper end of.

    The last has none where more than half of its mass is of recordings that are known only to be larger.
    """
    steps = [i for i, m in enumerate(mass) if m > 1e-4]
    gross = part.loc[np.isinf(part["right"]), "left"]
    last = steps[-1]
    above = [sum(mass[i] for i in steps if places[i][0] >= low) for low in gross]
    is_open = sum(mass[last] / a for a in above) > mass[last] * len(part) * 0.500001 or np.isinf(
        places[last][1]
    )
    return steps[:-1] if is_open else steps


def median(places: list[tuple[float, float]], mass: np.ndarray, steps: list[int]) -> float:
    """Go evenly through the interval in which half is reached; nan where it starts at 0 or lies beyond the steps."""
    share = np.cumsum(mass)
    for i in steps:
        (left, right), before = places[i], share[i] - mass[i]
        if share[i] >= 0.5 - 1e-7:
            if left <= 0:
                return math.nan
            if abs(share[i] - 0.5) < 1e-7:  # half exactly: midway to the next interval with mass
                following = [places[j][0] for j in range(i + 1, len(mass)) if mass[j] > 1e-6]
                return (right + following[0]) / 2
            return left + (right - left) * (0.5 - before) / mass[i]
    return math.nan


def lognormal(left: np.ndarray, right: np.ndarray) -> tuple[float, float]:
    """Fit ln(diameter) ~ normal to intervals: mean and standard deviation."""
    with np.errstate(divide="ignore"):
        a, b = np.log(left), np.log(right)

    def worse(p: np.ndarray) -> float:
        x, y = ((v - p[0]) / math.exp(p[1]) for v in (a, b))
        turned = np.where(x > 0, -1, 1)  # differences keep their digits in the lower tail
        low, high = np.minimum(turned * x, turned * y), np.maximum(turned * x, turned * y)
        return -np.log(np.maximum(stats.norm.cdf(high) - stats.norm.cdf(low), 1e-300)).sum()

    options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 5000}
    fits = (optimize.minimize(worse, [m, 0.0], method="Nelder-Mead", options=options) for m in (-1.0, 0.7))
    best = min(fits, key=lambda fit: fit.fun)
    return float(best.x[0]), math.exp(best.x[1])


def groups(records: Records, results: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """Put the recordings into groups: all, by stage, and those before a repair by model, component and EVAP code."""
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
