"""Sums, means and extremes of many groups in one pass over the samples."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.traces.phases import Flags, Floats, Ints


def count_by(group: Ints, n_groups: int, mask: Flags) -> Ints:
    """Return the number of marked samples of each group."""
    return np.bincount(group[mask], minlength=n_groups)


def mean_by(group: Ints, n_groups: int, value: Floats, mask: Flags) -> Floats:
    """Return the mean of the marked samples of each group; nan where there is none."""
    chosen = group[mask]
    n = np.bincount(chosen, minlength=n_groups)
    total = np.bincount(chosen, value[mask], minlength=n_groups)
    return np.divide(total, n, out=np.full(n_groups, np.nan), where=n > 0)


def least_by(group: Ints, n_groups: int, value: Floats, mask: Flags) -> Floats:
    """Return the least marked value of each group (groups in order, not falling); nan where there is none."""
    chosen, picked = group[mask], value[mask]
    out = np.full(n_groups, np.nan)
    if len(chosen):
        first = np.flatnonzero(np.append(True, chosen[1:] != chosen[:-1]))
        out[chosen[first]] = np.minimum.reduceat(picked, first)
    return out


def most_by(group: Ints, n_groups: int, value: Floats, mask: Flags) -> Floats:
    """Return the greatest marked value of each group; nan where there is none."""
    return -least_by(group, n_groups, -value, mask)


def median_by(group: Ints, n_groups: int, value: Floats, mask: Flags) -> Floats:
    """Return the median of the marked, finite samples of each group; nan where there is none."""
    use = mask & np.isfinite(value)
    frame = pl.DataFrame({"g": group[use], "x": value[use]}).group_by("g").agg(pl.col("x").median())
    out = np.full(n_groups, np.nan)
    out[frame["g"].to_numpy()] = frame["x"].to_numpy()
    return out


def line_by(
    group: Ints, n_groups: int, x: Floats, y: Floats, mask: Flags
) -> tuple[Floats, Floats, Floats, Floats]:
    """Fit y = a + slope x to the marked samples of each group by least squares.

    Returns
    -------
    slope, its standard error (as if samples were independent), the residual's standard deviation and R^2;
    nan below three samples or where x does not vary.
    """
    use = mask & np.isfinite(x) & np.isfinite(y)
    g = group[use]
    n = np.bincount(g, minlength=n_groups)
    with np.errstate(all="ignore"):
        mx = np.bincount(g, x[use], minlength=n_groups) / n
        my = np.bincount(g, y[use], minlength=n_groups) / n
        dx, dy = x[use] - mx[g], y[use] - my[g]
        sxx = np.bincount(g, dx * dx, minlength=n_groups)
        sxy = np.bincount(g, dx * dy, minlength=n_groups)
        syy = np.bincount(g, dy * dy, minlength=n_groups)
        slope = np.where((n >= 3) & (sxx > 0), sxy / sxx, np.nan)
        rest = np.maximum(syy - slope * sxy, 0)
        sd = np.sqrt(rest / (n - 2))
        r2 = np.where(syy > 0, 1 - rest / syy, np.nan)
        return slope, sd / np.sqrt(sxx), sd, np.where(np.isfinite(slope), r2, np.nan)
