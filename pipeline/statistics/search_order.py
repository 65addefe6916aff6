"""In which order are places looked at, so that the fault is found soonest on average?"""

from __future__ import annotations

import numpy as np

from pipeline.statistics.grouping import Codes, Floats


def search_order(probability: Floats, minutes: Floats, group: Codes) -> Codes:
    """Rank the places of each group: most probability per minute first, ties by their place in the input.

    Parameters
    ----------
    probability : (n,) chance that the fault is there [1].
    minutes : (n,) time that a look takes [min], > 0.
    group : (n,) which search a place belongs to.

    Returns
    -------
    (n,) rank in its group, from 1.

    Notes
    -----
    One fault, looks that find it, one after the other: exchanging two neighbors out of this order can only add to the
    expected time. Source: W. E. Smith, Naval Research Logistics Quarterly 3 (1956) 59-66, rule of weighted flow time.

    >>> search_order(np.array([0.6, 0.3, 0.1]), np.array([30.0, 5.0, 5.0]), np.zeros(3, int)).tolist()
    [2, 1, 3]
    """
    order = np.lexsort((np.arange(len(group)), -probability / minutes, group))
    rank = np.empty(len(group), np.int64)
    rank[order] = _place(group[order]) + 1
    return rank


def time_to_fault(probability: Floats, minutes: Floats, group: Codes, rank: Codes) -> Floats:
    """Expected time until the fault is found, for each group 0..max(group) [min]: its places looked at by rank.

    >>> p, c, g = np.array([0.6, 0.3, 0.1]), np.array([30.0, 5.0, 5.0]), np.zeros(3, int)
    >>> round(float(time_to_fault(p, c, g, search_order(p, c, g))[0]), 6)
    26.5
    """
    order = np.lexsort((rank, group))
    spent = np.cumsum(minutes[order])
    first = np.searchsorted(group[order], group[order])
    spent = spent - np.where(first > 0, spent[first - 1], 0.0)
    return np.bincount(group[order], probability[order] * spent).astype(float)


def _place(sorted_group: Codes) -> Codes:
    return np.arange(len(sorted_group)) - np.searchsorted(sorted_group, sorted_group)
