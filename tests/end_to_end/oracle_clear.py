"""An independent computation of monitor_after_clear: isotonic regression, its quantiles, and likelihood-ratio bounds.

Each vehicle is looked at once, complete or not complete: current-status data. Bounds invert the likelihood ratio of
F(x) = share; Banerjee and Wellner (2001), Annals of Statistics 29, 1699-1731. Nothing of `pipeline`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from scipy import optimize
from scipy.special import xlog1py, xlogy

from tests.end_to_end.oracle_inspections import Visit, cycles_of
from tests.end_to_end.oracle_stations import _copied
from tests.end_to_end.raw_lake import Records

#: 0.95 quantile of the limit of the likelihood ratio (Banerjee and Wellner 2001; from memory), and the
#: widening that DEVELOPERS.md states.
CRITICAL = 2.26916 * 1.2
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
        monitors = (
            [m for *of, m in shows if tuple(of) == model] if visit.supported is None else visit.supported
        )
        for monitor in monitors:
            for counter, (column, end) in COUNTERS.items():
                x = visit.record[column]
                if x is not None:
                    reading = (
                        math.inf if x >= end else _binned(float(x)) if counter == "distance_km" else float(x)
                    )
                    found[*model, monitor, counter].append((reading, monitor not in visit.not_ready))
    return dict(found)


def _binned(km: float) -> float:
    """Take whole kilometers below 200, and steps of 1 % from there on (DEVELOPERS.md)."""
    return float(math.floor(km)) if km < 200 else round(math.exp(round(math.log(km) * 100) / 100), 1)


@dataclass
class Curve:
    """Distinct readings, vehicles complete and looked at there, and the share complete by isotonic regression."""

    points: np.ndarray
    done: np.ndarray
    seen: np.ndarray
    share: np.ndarray


def isotonic(looked: list[Look]) -> Curve:
    x, is_done = np.array(looked, float).T
    points, place = np.unique(x, return_inverse=True)
    done, seen = np.bincount(place, is_done), np.bincount(place).astype(float)
    return Curve(points, done, seen, _rising(done, seen))


def _rising(done: np.ndarray, seen: np.ndarray) -> np.ndarray:
    return optimize.isotonic_regression(done / seen, weights=seen).x if len(seen) else seen


def reading_at(curve: Curve, share: float) -> float:
    """Find the smallest reading at which the share is reached; nan where it never is, or only beyond the counter."""
    reached = curve.points[curve.share >= share - 1e-12]
    return float(reached[0]) if len(reached) and np.isfinite(reached[0]) else math.nan


def _log_likelihood(curve: Curve, share: np.ndarray) -> float:
    return float((xlogy(curve.done, share) + xlog1py(curve.seen - curve.done, -share)).sum())


def bounds_at(curve: Curve, share: float) -> tuple[float, float]:
    """Give the least and the greatest reading that the likelihood ratio allows; 0 and nan where it sets no bound.

    The curve may cross `share` between points i - 1 and i when no more than CRITICAL is lost by it.
    """
    n, best = len(curve.points), _log_likelihood(curve, curve.share)
    allowed = []
    for i in range(n + 1):
        below = np.minimum(_rising(curve.done[:i], curve.seen[:i]), share)
        above = np.maximum(_rising(curve.done[i:], curve.seen[i:]), share)
        if 2 * (best - _log_likelihood(curve, np.concatenate([below, above]))) <= CRITICAL:
            allowed.append(i)
    edges = np.array([0.0, *curve.points, math.inf])
    edges[np.isinf(edges)] = math.nan
    return float(edges[allowed[0]]), float(edges[allowed[-1] + 1])
