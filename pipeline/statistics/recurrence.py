"""How often does it come back on the same unit? Mean cumulative function with robust variance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.grouping import Codes, Floats, distinct, group_rows, place_among, running_total
from pipeline.statistics.intervals import normal_quantile

#: A variance below this share of the squared mean is rounding dust of 0.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class MeanCumulative:
    """Mean cumulative number of events per unit; one row per group and distinct event age, in that order.

    `n_at_risk` units and `n_events` [1] at the age; `mean`, `standard_error`, `low`, `high` [events per unit].
    """

    group: NDArray[Any]
    age: Floats
    n_at_risk: Floats
    n_events: Floats
    mean: Floats
    standard_error: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class _Units:
    """Usable units: group, start and end of observation."""

    code: Codes
    entry: Floats
    end: Floats


@dataclass(frozen=True)
class _Steps:
    """Distinct event ages of each group; `times` are those of all groups together."""

    group: Codes
    age: Floats
    starts: Codes
    n_at_risk: Floats
    n_events: Floats
    mean: Floats
    expected_weight: Floats
    times: Floats

    def keys(self) -> Codes:
        return _key(self.group, self.age, self.times)


def mean_cumulative_function(
    end: ArrayLike,
    event_unit: ArrayLike,
    event_age: ArrayLike,
    groups: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    level: float = 0.95,
) -> MeanCumulative:
    """Estimate the mean cumulative number of events per unit of each group.

    Parameters
    ----------
    end : (n,) age at which observation of each unit ended [any one unit], > 0.
    event_unit : (m,) row number 0..n-1 of the unit that had each event.
    event_age : (m,) age at the event [same unit]; outside (entry, end] it was not observed and is left out.
    groups : (n,) labels of the units; None: one group.
    entry : (n,) age at which observation began [same unit], >= 0; None: 0, events at age 0 included.
    level : confidence level, 0..1.

    Returns
    -------
    MeanCumulative : steps at the event ages; no rows for a group without events. The standard error is NaN
        from the first event on at which a single unit was at risk, whose step adds to the mean and nothing to the
        variance; and where all units had the same: that shows no spread, it proves none.

    Notes
    -----
    M(t) = sum over ages s <= t of d(s)/n(s); Var M(t) = sum over units of (sum over s <= t of (d_i(s) -
    d(s)/n(s))/n(s) while at risk)^2, which allows for units that differ; bounds M exp(-+ z se/M). A unit whose
    observation ends at an age is at risk there.
    Source: J. Lawless, C. Nadeau, Technometrics 37 (1995) 158-168; W. Nelson, Technometrics 37 (1995) 147-157.

    >>> mcf = mean_cumulative_function([10, 20], [0, 0, 1], [5, 8, 15])
    >>> mcf.mean.tolist(), mcf.n_at_risk.tolist()
    ([0.5, 1.0, 2.0], [2.0, 2.0, 1.0])
    """
    z = normal_quantile(level)
    stop = np.atleast_1d(np.asarray(end, float))
    start = np.zeros(len(stop)) if entry is None else np.broadcast_to(np.asarray(entry, float), stop.shape)
    grouping = group_rows(groups, len(stop))
    used = (start >= 0) & (start < stop) & np.isfinite(stop) & (grouping.codes >= 0)
    unit, age = np.asarray(event_unit, np.int64), np.asarray(event_age, float)
    seen = used[unit] & (age <= stop[unit]) & ((age > start[unit]) | ((start[unit] == 0) & (age == 0)))
    unit, age = unit[seen], age[seen]
    if not len(unit):
        none = np.zeros(0)
        return MeanCumulative(grouping.labels[:0], none, none, none, none, none, none, none)
    # Observed from 0 on includes 0 itself.
    begin = np.where(start == 0, -1.0, start)
    units = _Units(np.where(used, grouping.codes, -1), begin, stop)
    steps = _steps(units, unit, age, grouping.n_groups)
    variance = _robust_variance(units, steps, unit, age)
    shows_spread = ~_after_one_alone(steps) & (variance > _ROUNDING * steps.mean**2)
    error = np.sqrt(np.where(shows_spread, variance, np.nan))
    spread = np.exp(z * error / np.where(steps.mean > 0, steps.mean, 1.0))
    label = grouping.labels[steps.group]
    return MeanCumulative(
        label,
        steps.age,
        steps.n_at_risk,
        steps.n_events,
        steps.mean,
        error,
        steps.mean / spread,
        steps.mean * spread,
    )


def greatest_age_with(end: ArrayLike, entry: ArrayLike, least: float) -> float:
    """Find the greatest age at which at least so many units were under observation.

    Parameters
    ----------
    end : (n,) age at which observation of each unit ended [any one unit]; a unit is under observation there.
    entry : (n,) age after which it began [same unit].
    least : number of units [1], > 0.

    Returns
    -------
    Age [same unit]; NaN where never so many were.

    Notes
    -----
    A mean cumulative function adds d/n at each age: where n is small one event moves it by much, and it is highest
    just after such an event. Read it where enough units are left.

    >>> greatest_age_with([10, 20, 30], [0, 0, 0], 2)
    20.0
    """
    stop, start = np.sort(np.asarray(end, float)), np.sort(np.asarray(entry, float))
    # The number falls only after an end, so that it is highest there.
    n_at_end = np.searchsorted(start, stop, "left") - np.searchsorted(stop, stop, "left")
    enough = stop[n_at_end >= least]
    return float(enough[-1]) if len(enough) else float("nan")


def _after_one_alone(steps: _Steps) -> NDArray[np.bool_]:
    """Tell the steps of a group from the first on at which a single unit was at risk; rows by group and age."""
    n_alone = np.cumsum(steps.n_at_risk <= 1)
    is_first = np.diff(steps.group, prepend=-1) != 0
    before = np.where(is_first, n_alone - (steps.n_at_risk <= 1), 0)
    return n_alone > np.maximum.accumulate(before)


def _key(group: Codes, age: Floats, times: Floats) -> Codes:
    """Whole number that orders (group, age); `times` are all distinct event ages, `age` one or more of them."""
    return group * (len(times) + 1) + place_among(times, age)


def _key_after(group: Codes, age: Floats, times: Floats) -> Codes:
    """Key of the first event age after `age`."""
    return group * (len(times) + 1) + place_among(times, age, "right")


def _steps(units: _Units, unit: Codes, age: Floats, n_groups: int) -> _Steps:
    times, _ = distinct(age)
    keys, which = distinct(_key(units.code[unit], age, times))
    n_events = np.bincount(which, minlength=len(keys))
    group, rank = np.divmod(keys, len(times) + 1)
    starts = np.searchsorted(group, np.arange(n_groups + 1))
    member = units.code >= 0
    # Entered strictly before the age, not ended strictly before it.
    entered = np.sort(_key_after(units.code[member], units.entry[member], times))
    ended = np.sort(_key_after(units.code[member], units.end[member], times))
    whole = group * (len(times) + 1)
    n = (np.searchsorted(entered, keys, "right") - np.searchsorted(entered, whole)).astype(float)
    n -= np.searchsorted(ended, keys, "right") - np.searchsorted(ended, whole)
    rate = n_events / n
    return _Steps(
        group,
        times[rank] if len(times) else age,
        starts,
        n,
        n_events.astype(float),
        running_total(rate, starts),
        running_total(rate / n, starts),
        times,
    )


def _robust_variance(units: _Units, steps: _Steps, unit: Codes, age: Floats) -> Floats:
    """Sum over units of squared residuals, without a table of units by ages.

    Residual of a unit: G - Q, with Q the running sum of d/n^2 up to now or its end, and G its own running sum
    of 1/n over its events plus Q at its entry. Sums over units still at risk need only sums of G and G^2.
    """
    keys = steps.keys()
    order = np.lexsort((age, unit))
    unit, age = unit[order], age[order]
    step = np.searchsorted(keys, _key(units.code[unit], age, steps.times))
    weight = 1.0 / steps.n_at_risk[step]

    member = units.code >= 0
    code = np.where(member, units.code, 0)
    # First step after entry, first step after the end: from there on a unit counts, or no longer does.
    joins = np.searchsorted(keys, _key_after(code, units.entry, steps.times))
    leaves = np.searchsorted(keys, _key_after(code, units.end, steps.times))
    q_at_entry = _before(steps.expected_weight, joins, steps.starts[code])
    q_at_end = _before(steps.expected_weight, leaves, steps.starts[code])

    own = np.cumsum(weight)
    first = np.searchsorted(unit, unit)
    g_before = q_at_entry[unit] + own - weight - np.where(first > 0, own[first - 1], 0.0)
    g_at_end = q_at_entry + np.bincount(unit, weight, len(units.end))

    n_steps, last = len(keys), steps.starts[code + 1]
    here, gone = member & (joins < last), member & (leaves < last)

    def running(at_join: Floats, at_event: Floats, at_leave: Floats) -> Floats:
        change = np.bincount(joins[here], at_join[here], n_steps).astype(float)
        change += np.bincount(step, at_event, n_steps)
        return running_total(change + np.bincount(leaves[gone], at_leave[gone], n_steps), steps.starts)

    nothing = np.zeros(len(unit))
    sum_g = running(q_at_entry, weight, -g_at_end)
    sum_g2 = running(q_at_entry**2, 2 * g_before * weight + weight**2, -(g_at_end**2))
    left = running(0 * q_at_entry, nothing, (g_at_end - q_at_end) ** 2)
    q = steps.expected_weight
    return sum_g2 - 2 * q * sum_g + steps.n_at_risk * q**2 + left


def _before(running: Floats, step: Codes, start: Codes) -> Floats:
    """Running sum just before a step of a group; 0 before its first."""
    if not len(running):
        return np.zeros(len(step))
    return np.where(step > start, running[np.maximum(step - 1, 0)], 0.0)
