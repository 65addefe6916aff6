"""An independent computation of monitor_after_clear: isotonic regression, its quantiles, and likelihood-ratio bounds.

Each vehicle is looked at once, complete or not complete: current-status data. Bounds invert the likelihood ratio of
F(x) = share; Banerjee and Wellner (2001), Annals of Statistics 29, 1699-1731. Nothing of `pipeline`.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
from scipy import optimize

from tests.end_to_end.oracle_inspections import Visit, cycles_of
from tests.end_to_end.oracle_stations import _copied
from tests.end_to_end.raw_lake import Records

#: 0.95 quantile of the limit of the likelihood ratio (Banerjee and Wellner 2001, table 1; from memory 2.2869), and the
#: widening that DEVELOPERS.md states.
CRITICAL = 2.286922 * 1.2
COUNTERS = {"distance_km": ("distance_since_clear_km", 65535), "warmups": ("warmups_since_clear", 255)}
Look = tuple[float, bool]


def looks(records: Records) -> dict[tuple[str, str, str, str], list[Look]]:
    """Give by (make, model, monitor, counter) the reading and whether the monitor was complete."""
    copied = _copied(records)
    first: dict[str, list[tuple[tuple, tuple[str, str], Visit]]] = defaultdict(list)
    shows: set[tuple[str, str, str]] = set()
    for vehicle, visits in cycles_of(records):
        model = (vehicle["make"], vehicle["model"])
        for v in visits:
            shows |= {(*model, m) for m in [*(v.supported or []), *(v.not_ready or [])]}
        r = visits[0].record
        km, warmups = r["distance_since_clear_km"], r["warmups_since_clear"]
        if visits[0].not_ready is None or (km is None and warmups is None):
            continue
        if (r["station_id"], warmups, km) in copied:
            continue
        order = (math.inf if km is None else km, math.inf if warmups is None else warmups, r["inspected_at"])
        first[vehicle["vehicle_id"]].append(((*order, r["inspection_id"]), model, visits[0]))
    found: dict[tuple[str, str, str, str], list[Look]] = defaultdict(list)
    for mine in first.values():
        _, model, visit = min(mine, key=lambda look: look[0])
        monitors = [m for *of, m in shows if tuple(of) == model] if visit.supported is None else visit.supported
        for monitor in monitors:
            for counter, (column, end) in COUNTERS.items():
                x = visit.record[column]
                if x is not None:
                    reading = math.inf if x >= end else float(x)
                    found[*model, monitor, counter].append((reading, monitor not in visit.not_ready))
    return dict(found)


def isotonic(seen: list[Look]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give distinct readings, complete and looked at there, and the share complete by isotonic regression."""
    x = np.array([a for a, _ in seen])
    points = np.unique(x)
    n = np.array([(x == p).sum() for p in points], float)
    k = np.array([sum(done for a, done in seen if a == p) for p in points], float)
    return points, k, n, optimize.isotonic_regression(k / n, weights=n).x


def reading_at(seen: list[Look], share: float) -> float:
    """Find the smallest reading at which the share is reached; nan where it never is, or only beyond the counter."""
    points, _, _, f = isotonic(seen)
    reached = points[f >= share - 1e-12]
    return float(reached[0]) if len(reached) and np.isfinite(reached[0]) else math.nan


def _log_likelihood(k: np.ndarray, n: np.ndarray, f: np.ndarray) -> float:
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = np.where(k > 0, k * np.log(f), 0.0), np.where(n - k > 0, (n - k) * np.log1p(-f), 0.0)
    return float(a.sum() + b.sum())


def ratio(seen: list[Look], share: float, i: int) -> float:
    """Give twice the log likelihood ratio against "the curve crosses `share` between points i - 1 and i"."""
    _, k, n, f = isotonic(seen)
    parts = []
    for these, bound in ((slice(None, i), np.minimum), (slice(i, None), np.maximum)):
        if len(k[these]):
            parts.append(bound(optimize.isotonic_regression(k[these] / n[these], weights=n[these]).x, share))
    return 2 * (_log_likelihood(k, n, f) - _log_likelihood(k, n, np.concatenate(parts)))


def bounds_at(seen: list[Look], share: float) -> tuple[float, float]:
    """Give the least and the greatest reading that the likelihood ratio allows; 0 and inf where it sets no bound."""
    points = isotonic(seen)[0]
    allowed = [i for i in range(len(points) + 1) if ratio(seen, share, i) <= CRITICAL]
    low = 0.0 if allowed[0] == 0 else float(points[allowed[0] - 1])
    high = math.inf if allowed[-1] == len(points) else float(points[allowed[-1]])
    return low, high
