"""Compiled least squares of one hold: six unknowns, with beliefs, solved by Cholesky's factors."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.traces.compiled import Floats, fused, summing

#: NumPy's numbers, see `compiled.ZERO`.
_PLACES: Any = np.arange(6)
LEVEL, VAPOR, LEAK, UNDER, HEAT, LOG_TAU = _PLACES
N_UNKNOWN = 6


@fused
def add_rows(design: Floats, times: Floats, m: int, out: Floats) -> None:
    """Add design' times to the first m of `out`."""
    for j in range(N_UNKNOWN):
        row, factor = design[j], times[j]
        for i in range(m):
            out[i] += row[i] * factor


@summing
def normal_equations(
    design: Floats,
    target: Floats,
    weight: Floats,
    m: int,
    precision: Floats,
    pull: Floats,
    normal: Floats,
    right: Floats,
) -> None:
    """Fill normal = X W X' + precision (lower half) and right = X W y + pull.

    Parameters
    ----------
    design : X, unknowns x bins. target, weight : y and W of m bins. precision, pull : beliefs, as precision and
    precision times mean.
    """
    # One by one, in a single pass, the sums are had in half the time of a loop for each.
    x0, x1, x2, x3, x4, x5 = design[0], design[1], design[2], design[3], design[4], design[5]
    s00 = 0.0
    s10 = s11 = 0.0
    s20 = s21 = s22 = 0.0
    s30 = s31 = s32 = s33 = 0.0
    s40 = s41 = s42 = s43 = s44 = 0.0
    s50 = s51 = s52 = s53 = s54 = s55 = 0.0
    y0 = y1 = y2 = y3 = y4 = y5 = 0.0
    for i in range(m):
        w = weight[i]
        x = w * x0[i]
        y0 += x * target[i]
        s00 += x * x0[i]
        x = w * x1[i]
        y1 += x * target[i]
        s10 += x * x0[i]
        s11 += x * x1[i]
        x = w * x2[i]
        y2 += x * target[i]
        s20 += x * x0[i]
        s21 += x * x1[i]
        s22 += x * x2[i]
        x = w * x3[i]
        y3 += x * target[i]
        s30 += x * x0[i]
        s31 += x * x1[i]
        s32 += x * x2[i]
        s33 += x * x3[i]
        x = w * x4[i]
        y4 += x * target[i]
        s40 += x * x0[i]
        s41 += x * x1[i]
        s42 += x * x2[i]
        s43 += x * x3[i]
        s44 += x * x4[i]
        x = w * x5[i]
        y5 += x * target[i]
        s50 += x * x0[i]
        s51 += x * x1[i]
        s52 += x * x2[i]
        s53 += x * x3[i]
        s54 += x * x4[i]
        s55 += x * x5[i]
    normal[0, 0] = s00
    normal[1, 0], normal[1, 1] = s10, s11
    normal[2, 0], normal[2, 1], normal[2, 2] = s20, s21, s22
    normal[3, 0], normal[3, 1], normal[3, 2], normal[3, 3] = s30, s31, s32, s33
    normal[4, 0], normal[4, 1], normal[4, 2], normal[4, 3] = s40, s41, s42, s43
    normal[4, 4] = s44
    normal[5, 0], normal[5, 1], normal[5, 2], normal[5, 3] = s50, s51, s52, s53
    normal[5, 4], normal[5, 5] = s54, s55
    right[0], right[1], right[2], right[3], right[4], right[5] = y0, y1, y2, y3, y4, y5
    for j in range(N_UNKNOWN):
        right[j] += pull[j]
        for k in range(j + 1):
            normal[j, k] += precision[j, k]


@fused
def solve(normal: Floats, right: Floats, out: Floats) -> None:
    """Replace the lower half of `normal` by its Cholesky factor, the diagonal's elements by their inverse, and fill
    `out` with the solution."""
    for j in range(N_UNKNOWN):
        for k in range(j + 1):
            total = normal[j, k]
            for i in range(k):
                total -= normal[j, i] * normal[k, i]
            normal[j, k] = 1 / np.sqrt(max(total, 1e-300)) if j == k else total * normal[k, k]
    out[:] = right
    whiten(normal, out, N_UNKNOWN)
    for j in range(N_UNKNOWN - 1, -1, -1):
        total = out[j]
        for k in range(j + 1, N_UNKNOWN):
            total -= normal[k, j] * out[k]
        out[j] = total * normal[j, j]


@fused
def whiten(factor: Floats, row: Floats, n: int) -> None:
    """Turn the first n elements of `row` by the inverse of a Cholesky factor as `solve` leaves it.

    Of unknowns x whose covariance's inverse has this factor, row' x and other' x then have row' other for covariance.
    """
    for j in range(n):
        total = row[j]
        for k in range(j):
            total -= factor[j, k] * row[k]
        row[j] = total * factor[j, j]


@fused
def shared_by(row: Floats, other: Floats, n: int) -> float:
    """Return the sum of products of the first n elements: a covariance, of rows that were turned by `whiten`."""
    out = 0.0
    for j in range(n):
        out += row[j] * other[j]
    return out


@fused
def spread_of(factor: Floats, row: Floats, n: int, room: Floats) -> float:
    """Return the standard deviation of row' x, x having the covariance whose inverse has this Cholesky factor, and only
    its first n elements being unknown."""
    room[:] = row
    whiten(factor, room, n)
    return np.sqrt(shared_by(room, room, n))


@fused
def distance(mean: Floats, precision: Floats, pull: Floats) -> float:
    """Return how far the unknowns lie from the beliefs, in squared standard deviations, up to a constant."""
    out = 0.0
    for j in range(N_UNKNOWN):
        out -= 2 * pull[j] * mean[j]
        for k in range(N_UNKNOWN):
            out += mean[j] * precision[max(j, k), min(j, k)] * mean[k]
    return out


@summing
def moved(curve: Floats, before: Floats, weight: Floats, m: int) -> float:
    """Return how far m bins lie from where they were `before`, in squared standard errors."""
    total = 0.0
    for i in range(m):
        off = curve[i] - before[i]
        total += weight[i] * off * off
    return total


@summing
def noise_of(rest: Floats, n: Floats, m: int) -> float:
    """Return the variance of a sample that the bins' scatter means, more where neighbors scatter alike.

    Parameters
    ----------
    rest : residual of each bin's mean [Pa]; each is scaled to one sample's. n : samples of each bin.
    """
    for i in range(m):
        rest[i] *= np.sqrt(n[i])
    total, together = rest[0] * rest[0], 0.0
    for i in range(1, m):
        total += rest[i] * rest[i]
        together += rest[i] * rest[i - 1]
    alike = min(max(together / total, 0.0), 0.85) if total > 0 else 0.0
    return max(total / max(m - 3, 1) * (1 + alike) / (1 - alike), 0.01)
