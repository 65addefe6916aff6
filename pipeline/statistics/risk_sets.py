"""Who was at risk when? The table that every survival estimate is computed from, for all groups at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.statistics.grouping import Codes, Floats, Grouping, distinct, group_rows


@dataclass(frozen=True)
class RiskSets:
    """One row per distinct exit time of each group, in order of group and time.

    `group` is the number of the group in `grouping.labels`; group g has rows starts[g]..starts[g+1]-1.
    `n_at_risk` and `n_events` [1] hold at `time`. `unit`, `entry`, `end` and `row` are of the units that could be
    used: group number, entry and exit time, and the row of the table at which each left.
    """

    grouping: Grouping
    unit: Codes
    entry: Floats
    end: Floats
    row: Codes
    group: Codes
    starts: Codes
    time: Floats
    n_at_risk: Floats
    n_events: Floats

    @property
    def labels(self) -> NDArray[Any]:
        return self.grouping.labels

    @property
    def n_units(self) -> Floats:
        return np.bincount(self.unit, minlength=self.grouping.n_groups).astype(float)

    def at_risk(self, at: float) -> Floats:
        """Count each group's units at risk at one time [1]."""
        present = (self.end >= at) & ((self.entry < at) | (self.entry <= 0))
        return np.bincount(self.unit[present], minlength=self.grouping.n_groups).astype(float)

    def last_step(self, codes: Codes, at: Floats) -> Codes:
        """Find each group's last row with time <= at; -1 where there is none."""
        times = np.unique(self.time)
        width = len(times) + 1
        steps = self.group * width + np.searchsorted(times, self.time) + 1
        wanted = codes * width + np.searchsorted(times, at, side="right")
        row = np.searchsorted(steps, wanted, side="right") - 1
        return np.where((codes >= 0) & (row >= self.starts[np.maximum(codes, 0)]), row, -1)


def risk_sets(
    time: ArrayLike, event: ArrayLike, groups: ArrayLike | None = None, entry: ArrayLike | None = None
) -> RiskSets:
    """Count events and units at risk at every exit time of every group.

    Parameters
    ----------
    time : (n,) follow-up [any one unit], >= 0.
    event : (n,) True where the follow-up ended with the event, False where it was cut off (censored).
    groups : (n,) labels, or None for one group.
    entry : (n,) time at which a unit came under observation [same unit]; None: at the origin. A unit that
        entered at 0 is at risk from 0 on, a later one after its entry: (entry, time].

    Returns
    -------
    RiskSets : a row without a time, event or group, with time < 0 or with entry >= time (entry > 0) is not used.

    Notes
    -----
    At tied times events come before censorings: a unit censored at t is at risk at t.

    >>> table = risk_sets([2, 3, 3], [True, True, False])
    >>> table.time.tolist(), table.n_at_risk.tolist(), table.n_events.tolist()
    ([2.0, 3.0], [3.0, 2.0], [1.0, 1.0])
    """
    end, flag = np.atleast_1d(np.asarray(time, float)), np.atleast_1d(np.asarray(event, float))
    end, flag = np.broadcast_arrays(end, flag)
    start = np.zeros(len(end)) if entry is None else np.broadcast_to(np.asarray(entry, float), end.shape)
    grouping = group_rows(groups, len(end))
    used = (end >= 0) & np.isfinite(end) & np.isfinite(flag) & (grouping.codes >= 0)
    used &= (start <= 0) | (start < end)
    code, end, is_event, start = grouping.codes[used], end[used], flag[used] != 0, start[used]

    times, rank = distinct(end)
    width = len(times) + 1
    keys, which = distinct(code * width + rank)
    group, step = np.divmod(keys, width)
    n_exits = np.bincount(which, minlength=len(keys))
    n_events = np.bincount(which, weights=is_event, minlength=len(keys)).astype(float)
    starts = np.searchsorted(group, np.arange(grouping.n_groups + 1))

    exits_so_far = np.concatenate([[0], np.cumsum(n_exits)])
    exited_before = exits_so_far[:-1] - exits_so_far[starts[group]]
    if (start <= 0).all():
        entered_before = np.bincount(code, minlength=grouping.n_groups)[group]
    else:
        # Entered before t: entry strictly below t, or at the origin.
        entry_rank = np.where(start <= 0, 0, np.searchsorted(times, start, side="right"))
        entry_keys = np.sort(code * width + entry_rank)
        entered_before = np.searchsorted(entry_keys, keys, side="right") - np.searchsorted(
            entry_keys, group * width
        )
    at_risk = (entered_before - exited_before).astype(float)
    return RiskSets(grouping, code, start, end, which, group, starts, times[step], at_risk, n_events)
