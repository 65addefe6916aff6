"""Which rows belong together? Every estimator of this floor works on all groups in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

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
    distinct, inverse = np.unique(labels[known], return_inverse=True)
    codes = np.full(n_rows, -1, np.int64)
    codes[known] = inverse
    return Grouping(distinct, codes)


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
