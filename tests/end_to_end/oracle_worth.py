"""An independent computation of proof_worth: Cox regression within shops, ties by Efron, by Newton's method.

Written from the contract and DEVELOPERS.md ("Worth of proof"); nothing of `pipeline`.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pandas as pd
from scipy import stats

from tests.end_to_end.oracle import Window, comebacks_of, followed_repairs, kaplan_meier
from tests.end_to_end.raw_lake import Records

COMPARISONS = {
    "proved_or_not": ("verified", ["proved"], ["not_proved", "disproved", "no_trace"]),
    "proved_or_no_recording": ("verified", ["proved"], ["no_trace"]),
    "with_or_against_evidence": ("evidence_agrees", ["yes"], ["no"]),
}


def cox(
    time: np.ndarray, event: np.ndarray, x: np.ndarray, strata: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Fit a stratified Cox regression with Efron's ties: coefficients and their covariance."""
    beta = np.zeros(x.shape[1])
    for _ in range(60):
        slope, bend = np.zeros(len(beta)), np.zeros((len(beta), len(beta)))
        risk = np.exp(x @ beta)
        for s in np.unique(strata):
            for t in np.unique(time[(strata == s) & event]):
                at = (strata == s) & (time >= t)
                dead = (strata == s) & (time == t) & event
                d = int(dead.sum())
                s0, s1 = risk[at].sum(), risk[at] @ x[at]
                s2 = (x[at] * risk[at][:, None]).T @ x[at]
                d0, d1 = risk[dead].sum(), risk[dead] @ x[dead]
                d2 = (x[dead] * risk[dead][:, None]).T @ x[dead]
                slope += x[dead].sum(0)
                for tied in np.arange(d) / d:
                    z0, z1, z2 = s0 - tied * d0, s1 - tied * d1, s2 - tied * d2
                    slope -= z1 / z0
                    bend += z2 / z0 - np.outer(z1, z1) / z0**2
        step = np.linalg.lstsq(bend, slope, rcond=None)[0]
        beta = beta + step * min(1.0, 5 / max(np.abs(step).max(), 1e-12))
        if np.abs(step).max() < 1e-10:
            break
    return beta, np.linalg.pinv(bend)


def usable(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out shops, components and models without a comeback, until none is left."""
    while True:
        n = len(frame)
        for column in ("shop_id", "component", "make_model"):
            frame = frame[frame.groupby(column)["came_back"].transform("sum") > 0]
        if len(frame) == n:
            return frame


def hazard_ratio(frame: pd.DataFrame) -> dict[str, float]:
    """Give ratio, bounds, p (Wald), and the repairs and comebacks that it rests on."""
    part = usable(frame)
    dummies = pd.get_dummies(part[["component", "make_model"]], drop_first=True).to_numpy(float)
    x = np.column_stack([part["is_with"].to_numpy(float), dummies])
    time, event = part["time"].to_numpy(float), part["came_back"].to_numpy(bool)
    beta, cov = cox(time, event, x, part["shop_id"].to_numpy())
    se, z = math.sqrt(cov[0, 0]), stats.norm.ppf(0.975)
    return {
        "hazard_ratio": math.exp(beta[0]),
        "hazard_ratio_low": math.exp(beta[0] - z * se),
        "hazard_ratio_high": math.exp(beta[0] + z * se),
        "p_value": float(2 * stats.norm.sf(abs(beta[0]) / se)),
        "n_used": len(part),
        "n_comebacks_used": int(part["came_back"].sum()),
    }


def sides(records: Records, window: Window, checks: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """List the followed repairs of each comparison, those on the first side marked."""
    repairs = followed_repairs(records, window)
    repairs["make_model"] = repairs["make"] + "\t" + repairs["model"]
    known = checks.set_index("job_id")
    found = {}
    for name, (column, first, second) in COMPARISONS.items():
        word = repairs["job_id"].map(known[column])
        both = repairs[word.isin(first + second)].copy()
        both["is_with"] = word[both.index].isin(first)
        found[name] = both
    return found


def plain(frame: pd.DataFrame) -> dict[str, float]:
    """Give counts and Kaplan-Meier shares of both sides."""
    row: dict[str, float] = {}
    for side, part in (("with", frame[frame["is_with"]]), ("without", frame[~frame["is_with"]])):
        row[f"n_repairs_{side}"], row[f"n_comebacks_{side}"] = len(part), int(part["came_back"].sum())
        n_followed = int(part["is_followed"].sum())
        row[f"n_followed_{side}"] = n_followed
        share = kaplan_meier(part["time"], part["came_back"], n_followed) if len(part) else (math.nan,) * 3
        names = (f"first_time_fix_{side}", f"first_time_fix_{side}_low", f"first_time_fix_{side}_high")
        row |= dict(zip(names, share, strict=True))
    return row


def costs(records: Records, frame: pd.DataFrame) -> dict[str, float | str | None]:
    """Give labor and parts cost of the visits that repairs came back as: all lines of one instant, none unknown."""
    jobs = {j["job_id"]: j for j in records.jobs}
    labor, paid = [], []
    for job_id in frame.loc[frame["came_back"], "job_id"]:
        again = comebacks_of(jobs[job_id], records.jobs)[0]
        visit = (again["vehicle_id"], again["opened_at"])
        lines = [j for j in records.jobs if (j["vehicle_id"], j["opened_at"]) == visit]
        hours = [j.get("labor_h") for j in lines]
        money = [(j.get("currency"), j.get("parts_cost")) for j in lines]
        if None not in hours:
            labor.append(sum(hours))
        if not any(None in pair for pair in money) and len({word for word, _ in money}) == 1:
            paid.append((money[0][0], sum(cost for _, cost in money)))
    ranked = Counter(word for word, _ in paid)
    currency = min(ranked, key=lambda word: (-ranked[word], word), default=None)
    known = [cost for word, cost in paid if word == currency]
    return {
        "n_labor_known": len(labor),
        "labor_h_per_comeback": float(np.mean(labor)) if labor else math.nan,
        "n_cost_known": len(known),
        "currency": currency,
        "parts_cost_per_comeback": float(np.mean(known)) if known else math.nan,
    }
