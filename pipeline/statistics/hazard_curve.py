"""What do the failures say without any formula? The cumulative hazard by age, to hold a fitted curve against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.grouping import (
    Codes,
    Floats,
    distinct,
    group_rows,
    place_among,
    running_total,
    total_up_to,
)
from pipeline.statistics.intervals import normal_quantile


@dataclass(frozen=True)
class HazardCurve:
    """One row per group and distinct age at failure, in that order.

    `n_at_risk`, `n_events` [1] at the age; `hazard`, `low`, `high`: failures per unit from `since` (the age at
    which the group's first unit came under observation) to the age [1].
    """

    group: NDArray[Any]
    age: Floats
    since: Floats
    n_at_risk: Floats
    n_events: Floats
    hazard: Floats
    low: Floats
    high: Floats


def hazard_curve(
    age: ArrayLike,
    event: ArrayLike,
    groups: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    counts: ArrayLike | None = None,
    level: float = 0.95,
) -> HazardCurve:
    """Estimate the cumulative hazard of each group by age, late entries allowed.

    Parameters
    ----------
    age, event, groups, entry, counts, level : as in `pipeline.statistics.life.weibull_life`.

    Returns
    -------
    HazardCurve : no rows for a group without failures. At an age where every unit at risk fails the sum goes on,
        unlike a survival curve, which would be 0 from there on.

    Notes
    -----
    H(t) = sum of d/n over ages at failure up to t; Var = sum of d/n^2; bounds H exp(-+ z se/H). Units entered at e
    are at risk on (e, age].
    Source: O. Aalen, Annals of Statistics 6 (1978) 701-726; J. Klein, M. Moeschberger, Survival Analysis (2003)
    sections 4.2 and 4.6.

    >>> c = hazard_curve([2, 3, 3], [1, 1, 0])
    >>> c.hazard.round(6).tolist(), c.n_at_risk.tolist()
    ([0.333333, 0.833333], [3.0, 2.0])
    """
    z = normal_quantile(level)
    end, flag = np.broadcast_arrays(np.atleast_1d(np.asarray(age, float)), np.asarray(event, float))
    began = np.zeros(len(end)) if entry is None else np.broadcast_to(np.asarray(entry, float), end.shape)
    weight = np.ones(len(end)) if counts is None else np.broadcast_to(np.asarray(counts, float), end.shape)
    grouping = group_rows(groups, len(end))
    used = (began >= 0) & (began < end) & np.isfinite(end) & np.isfinite(flag) & (grouping.codes >= 0)
    code, end, began, weight = grouping.codes[used], end[used], began[used], weight[used]
    failed = (flag[used] != 0) & (weight > 0)
    since = np.full(grouping.n_groups, np.inf)
    np.minimum.at(since, code, began)

    times, _ = distinct(end[failed])
    width = len(times) + 1
    keys, which = distinct(code[failed] * width + place_among(times, end[failed]))
    n_events = np.bincount(which, weight[failed], len(keys)).astype(float)
    group, rank = np.divmod(keys, width)
    entered = total_up_to(code * width + place_among(times, began, "right"), weight, keys)
    # Gone before an age: ended strictly before it.
    gone = total_up_to(code * width + place_among(times, end, "right"), weight, keys)
    before = _weight_below(code, weight, group)
    n_at_risk = (entered - before) - (gone - before)
    starts = np.searchsorted(group, np.arange(grouping.n_groups + 1))
    hazard = running_total(n_events / n_at_risk, starts)
    spread = np.exp(z * np.sqrt(running_total(n_events / n_at_risk**2, starts)) / hazard)
    label, at = grouping.labels[group], times[rank] if len(times) else end[:0]
    return HazardCurve(label, at, since[group], n_at_risk, n_events, hazard, hazard / spread, hazard * spread)


def _weight_below(code: Codes, weight: Floats, group: Codes) -> Floats:
    totals = np.concatenate([[0.0], np.cumsum(np.bincount(code, weight, minlength=1))])
    return totals[group]
