"""What would an ordinary group have had with the same mix of work? Indirect standardization."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.grouping import Flags, Floats, Grouping, group_rows
from pipeline.statistics.risk_sets import risk_sets
from pipeline.statistics.survival import cumulative_hazard, kaplan_meier


@dataclass(frozen=True)
class Standardized:
    """Observed and expected of each group of `groups`, for the group's own mix of strata.

    `n` units [1], `observed` and `expected` events [1], `expected_survival` 0..1: mean over the units of
    their stratum's share without the event at the horizon.
    """

    groups: NDArray[Any]
    n: Floats
    observed: Floats
    expected: Floats
    expected_survival: Floats


class UnitExpectations(NamedTuple):
    """Each unit's event within the horizon, its expectation, and its stratum's share without the event there."""

    happened: Flags
    expected: Floats
    survival: Floats

    def in_groups(self, group: Grouping) -> Standardized:
        """Compare groups of the units."""
        n = group.total(np.ones(len(self.expected)))
        return Standardized(
            group.labels,
            n,
            group.total(self.happened),
            group.total(self.expected),
            _mean(self.survival, group, n),
        )


def expected_of_units(
    time: ArrayLike, event: ArrayLike, strata: ArrayLike, horizon: float
) -> UnitExpectations:
    """Expect each unit's events within a horizon, given its stratum and follow-up; its groups add up.

    Parameters
    ----------
    time : (n,) follow-up [any one unit], >= 0.
    event : (n,) True where it ended with the event; an event at exactly the horizon counts, later ones do not.
    strata : (n,) label of what makes units alike in their risk; none missing.
    horizon : end of follow-up [unit of `time`].

    Returns
    -------
    UnitExpectations : (n,) each. Over all units together expected equals observed.

    Notes
    -----
    Expected events of a unit: Nelson-Aalen cumulative hazard of its stratum at its own follow-up (cut at the
    horizon); expected survival: Kaplan-Meier of its stratum at the horizon. The strata's curves come from all
    units, those of the group that is compared included.
    Source: N. Breslow, N. Day, Statistical Methods in Cancer Research II (1987) section 2.3; P. Andersen et
    al., Statistical Models Based on Counting Processes (1993) section IV.1.

    >>> units = expected_of_units([5, 90, 90, 90], [1, 0, 1, 0], ["s"] * 4, 90)
    >>> fit = units.in_groups(group_rows(["a", "a", "b", "b"], 4))
    >>> fit.observed.tolist(), fit.expected.round(4).tolist(), fit.expected_survival.round(4).tolist()
    ([1.0, 1.0], [0.8333, 1.1667], [0.5, 0.5])
    """
    end, flag = np.asarray(time, float), np.asarray(event, float)
    cut, happened = np.minimum(end, horizon), (flag != 0) & (end <= horizon)
    table = risk_sets(cut, happened, strata)
    survival = kaplan_meier(cut, happened, strata, at=horizon).survival
    return UnitExpectations(happened, cumulative_hazard(table)[table.row], survival[table.unit])


def expected_counts(
    counts: ArrayLike, exposure: ArrayLike, strata: ArrayLike, groups: ArrayLike
) -> Standardized:
    """Compare groups by counts over exposure, given each row's stratum.

    Parameters
    ----------
    counts : (n,) events [1], >= 0.
    exposure : (n,) [any one unit; trials, years, vehicles], >= 0.
    strata, groups : (n,) labels.

    Returns
    -------
    Standardized : per group; `n` is its exposure; `expected_survival` is 1 - expected/exposure where the events
        are shares of the exposure, NaN where that lies outside 0..1.

    Notes
    -----
    Expected = sum over strata of the rate of all rows together times the group's exposure.
    Source: S. Selvin, Statistical Analysis of Epidemiologic Data (2004), indirect adjustment.

    >>> expected_counts([3, 1], [10, 10], ["s", "s"], ["a", "b"]).expected.tolist()
    [2.0, 2.0]
    """
    x, t = np.broadcast_arrays(np.asarray(counts, float), np.asarray(exposure, float))
    by_group, by_stratum = group_rows(groups, len(x)), group_rows(strata, len(x))
    used = (x >= 0) & (t >= 0) & np.isfinite(x + t) & (by_group.codes >= 0) & (by_stratum.codes >= 0)
    group = Grouping(by_group.labels, by_group.codes[used])
    stratum = Grouping(by_stratum.labels, by_stratum.codes[used])
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = (stratum.total(x[used]) / stratum.total(t[used]))[stratum.codes]
        expected = np.where(t[used] > 0, rate, 0.0) * t[used]
        n, total = group.total(t[used]), group.total(expected)
        without = np.where(n > 0, 1.0 - total / n, np.nan)
    share = np.where((without >= 0) & (without <= 1), without, np.nan)
    return Standardized(by_group.labels, n, group.total(x[used]), total, share)


def _mean(values: Floats, group: Grouping, n: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(n > 0, group.total(values) / n, np.nan)
