"""Compiled least squares of one hold: six unknowns, with beliefs, solved by Cholesky's factors."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.traces.compiled import Floats, compiled, summing

#: NumPy's numbers, see `compiled.ZERO`.
_PLACES: Any = np.arange(6)
LEVEL, VAPOR, LEAK, UNDER, HEAT, LOG_TAU = _PLACES
N_UNKNOWN = 6
_LAST = N_UNKNOWN - 1


@compiled
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
    is_last_free: bool,
    precision: Floats,
    pull: Floats,
    normal: Floats,
    right: Floats,
    weighted: Floats,
) -> None:
    """Fill normal = X W X' + precision (lower half) and right = X W y + pull, and turn y into W y.

    Parameters
    ----------
    design : X, unknowns x bins. target, weight : y and W of m bins. is_last_free : the last row of X is not 0.
    precision, pull : beliefs, as precision and precision times mean. weighted : scratch for m bins.
    """
    for i in range(m):
        target[i] *= weight[i]
    for j in range(N_UNKNOWN):
        right[j] = pull[j]
        for k in range(j + 1):
            normal[j, k] = precision[j, k]
        if j == _LAST and not is_last_free:
            continue
        row, total = design[j], 0.0
        for i in range(m):
            weighted[i] = row[i] * weight[i]
            total += row[i] * target[i]
        right[j] += total
        for k in range(j + 1):
            other, total = design[k], 0.0
            for i in range(m):
                total += weighted[i] * other[i]
            normal[j, k] += total


@compiled
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


@compiled
def whiten(factor: Floats, row: Floats, n: int) -> None:
    """Turn the first n elements of `row` by the inverse of a Cholesky factor as `solve` leaves it.

    Of unknowns x whose covariance's inverse has this factor, row' x and other' x then have row' other for covariance.
    """
    for j in range(n):
        total = row[j]
        for k in range(j):
            total -= factor[j, k] * row[k]
        row[j] = total * factor[j, j]


@compiled
def shared_by(row: Floats, other: Floats, n: int) -> float:
    """Return the sum of products of the first n elements: a covariance, of rows that were turned by `whiten`."""
    out = 0.0
    for j in range(n):
        out += row[j] * other[j]
    return out


@compiled
def spread_of(factor: Floats, row: Floats, n: int, room: Floats) -> float:
    """Return the standard deviation of row' x, x having the covariance whose inverse has this Cholesky factor, and only
    its first n elements being unknown."""
    room[:] = row
    whiten(factor, room, n)
    return np.sqrt(shared_by(room, room, n))


@compiled
def distance(mean: Floats, precision: Floats, pull: Floats) -> float:
    """Return how far the unknowns lie from the beliefs, in squared standard deviations, up to a constant."""
    out = 0.0
    for j in range(N_UNKNOWN):
        out -= 2 * pull[j] * mean[j]
        for k in range(N_UNKNOWN):
            out += mean[j] * precision[max(j, k), min(j, k)] * mean[k]
    return out


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
