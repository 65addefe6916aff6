"""Which rows belong together? Every estimator of this floor works on all groups in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Grouping:
    """Rows with their group: `labels[codes[i]]` is the group of row i; code -1 is a row without one."""

    labels: NDArray[Any]
    codes: Codes

    @property
    def n_groups(self) -> int:
        return len(self.labels)

    def total(self, values: ArrayLike) -> Floats:
        """Sum `values` over the rows of each group (exact for counts below 2**53)."""
        member = self.codes >= 0
        weights = np.broadcast_to(np.asarray(values, float), self.codes.shape)
        return np.bincount(self.codes[member], weights[member], minlength=self.n_groups).astype(float)


def group_rows(groups: ArrayLike | None, n_rows: int) -> Grouping:
    """Number the groups of rows.

    Parameters
    ----------
    groups : (n_rows,) labels of any one type, or None for a single group; None and NaN inside the array
        mean "no group".
    n_rows : number of rows.

    Returns
    -------
    Grouping : labels sorted and distinct; codes 0..n_groups-1, -1 for a row without a group.

    Raises
    ------
    ValueError : when `groups` is not one label per row.

    >>> group_rows(["b", "a", None, "b"], 4).codes.tolist()
    [1, 0, -1, 1]
    """
    if groups is None:
        return Grouping(np.array(["all"]), np.zeros(n_rows, np.int64))
    labels = np.asarray(groups)
    if labels.shape != (n_rows,):
        raise ValueError(f"{n_rows} rows need as many group labels; got shape {labels.shape}")
    known = _is_known(labels)
    named, inverse = distinct(labels[known])
    codes = np.full(n_rows, -1, np.int64)
    codes[known] = inverse
    return Grouping(named, codes)


def distinct(values: NDArray[Any]) -> tuple[NDArray[Any], Codes]:
    """Return the distinct values in order, and the place of each value among them.

    The same as `np.unique` with its inverse, without its sort of all rows: objects are looked up, and whole numbers
    that lie close together are counted.

    >>> [v.tolist() for v in distinct(np.array([30.0, 10.0, 30.0]))]
    [[10.0, 30.0], [1, 0, 1]]
    """
    if values.dtype == object:
        words = sorted(set(values.tolist()))
        place = dict(zip(words, range(len(words)), strict=True))
        return np.array(words, object), np.fromiter(map(place.__getitem__, values), np.int64, len(values))
    low = _lowest_of_dense(values)
    if low is None:
        named, inverse = np.unique(values, return_inverse=True)
        return named, inverse.astype(np.int64)
    offset = values.astype(np.int64) - low
    present = np.zeros(int(offset.max()) + 1, bool)
    present[offset] = True
    return (np.flatnonzero(present) + low).astype(values.dtype), (np.cumsum(present) - 1)[offset]


def place_among(times: Floats, values: Floats, side: Literal["left", "right"] = "left") -> Codes:
    """Count the times below each value (left), or not above it (right).

    The same as `np.searchsorted(times, values, side)`, read from a table where the times are whole numbers that lie
    close together.

    >>> place_among(np.array([10.0, 30.0]), np.array([10.0, 10.5, 31.0])).tolist()
    [0, 1, 2]
    """
    low = _lowest_of_dense(times, len(values))
    if low is None:
        return np.searchsorted(times, values, side)
    span = int(times[-1]) - low
    below = np.cumsum(np.bincount(times.astype(np.int64) - low + 1, minlength=span + 3))
    within = np.maximum(np.fmin(values, low + span + 1), low - 1)
    first = np.ceil(within) if side == "left" else np.floor(within) + 1
    return below[np.maximum(first - low, 0.0).astype(np.int64)]


def total_up_to(row_keys: Codes, weight: Floats, keys: Codes) -> Floats:
    """Sum the weights of the rows whose key is at most each of `keys`; all keys are >= 0."""
    largest = int(max(row_keys.max(initial=0), keys.max(initial=0)))
    if largest <= 4 * len(row_keys) + 1000:
        up_to: Floats = np.cumsum(np.bincount(row_keys, weight, largest + 1)).astype(float)
        return up_to[keys]
    order = np.argsort(row_keys, kind="stable")
    running = np.concatenate([[0.0], np.cumsum(weight[order])])
    return running[np.searchsorted(row_keys[order], keys, "right")]


def _lowest_of_dense(values: NDArray[Any], n_rows: int = 0) -> int | None:
    """Return the smallest of whole numbers whose range is not much wider than they are many; None for others."""
    if values.dtype.kind not in "iuf" or not len(values):
        return None
    low, high = float(values.min()), float(values.max())
    if not (abs(low) < 2**52 and abs(high) < 2**52 and high - low <= 4 * max(len(values), n_rows) + 1000):
        return None
    return int(low) if values.dtype.kind != "f" or bool((np.floor(values) == values).all()) else None


def _is_known(labels: NDArray[Any]) -> NDArray[np.bool_]:
    if labels.dtype == object:
        return np.array([x is not None and x == x for x in labels], bool)
    if labels.dtype.kind == "f":
        return ~np.isnan(labels)
    return np.ones(labels.shape, bool)


def running_total(values: Floats, starts: Codes) -> Floats:
    """Accumulate `values` within each segment; `starts` holds the segments' first rows and the end."""
    return _accumulate(np.add, values, starts)


def running_product(values: Floats, starts: Codes) -> Floats:
    """Multiply up `values` within each segment; `starts` as in `running_total`."""
    return _accumulate(np.multiply, values, starts)


def _accumulate(operation: np.ufunc, values: Floats, starts: Codes) -> Floats:
    out = np.empty(len(values))
    for first, end in pairwise(starts):
        operation.accumulate(values[first:end], out=out[first:end])
    return out
