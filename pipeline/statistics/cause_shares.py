"""How likely is each cause in one cell of a table (a model under a code), given all the other cells?"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import special

from pipeline.statistics.grouping import Codes, Floats
from pipeline.statistics.intervals import normal_quantile

#: What is expected of a cell is worth one event at the least, as the prior of the whole is.
_LEAST_PRECISION = 1.0
#: Intra-class correlations that are weighed, evenly spaced as logits: from 1e-6 (cells alike) to that precision.
_CORRELATIONS = special.expit(np.linspace(-13.8, 0.0, 61))


class Shares(NamedTuple):
    """Share of each cause in each cell, (n, k) each: posterior mean with the bounds of its marginal."""

    mean: Floats
    low: Floats
    high: Floats


class CauseShares(NamedTuple):
    """Shares in the cells of a table, in its rows, in its columns, and in the whole of it (1, k)."""

    cells: Shares
    rows: Shares
    columns: Shares
    whole: Shares


def cause_shares(
    cells: Floats,
    row: Codes,
    column: Codes,
    rows: Floats,
    columns: Floats,
    whole: Floats,
    level: float = 0.95,
) -> CauseShares:
    """Estimate the shares of k causes in every cell of a table with rows (models) and columns (codes).

    Parameters
    ----------
    cells : (n, k) events [1] of each cause in each cell.
    row, column : (n,) row and column of each cell.
    rows : (r, k) events of each row, whatever their column: at least the events of any of its cells.
    columns : (c, k) the same of each column.
    whole : (k,) events of each cause, each once.
    level : level of the marginal bounds, 0..1.

    Returns
    -------
    CauseShares : shares of a cell sum to 1.

    Raises
    ------
    ValueError : level outside 0..1.

    Notes
    -----
    Counts of a cell are Dirichlet-multinomial about what the rest of the table lets expect: for a row or a column
    the whole without it; for a cell the shares of its column elsewhere, times the ratio of what its row has seen in
    other columns to what those columns' shares let expect of it (row and column independent given the cause). How
    far cells scatter about that, the intra-class correlation 1/(1 + precision), is its posterior mean under a uniform
    prior, and what the expectation itself is uncertain by is added to it. The bounds leave out the uncertainty of that
    one number: 95 % bounds of shares over 5 % held the truth in 91 to 95 % in simulated fleets of 1 to 200 models
    whose cells differ, and in 98 % where they do not. The whole has the prior 1/k for each cause.
    Source: J. E. Mosimann, Biometrika 49 (1962) 65-82 (distribution, correlation); J. O. Berger, J. M. Bernardo,
    D. Sun, Bayesian Analysis 10 (2015) 189-221 (prior 1/k).
    """
    normal_quantile(level)
    k = len(whole)
    of_rows, _ = _about_the_whole(rows, whole, level)
    of_columns, column_precision = _about_the_whole(columns, whole, level)
    expected, own = _crossed(cells, row, column, columns, whole, column_precision)
    correlation = intra_class_correlation(cells, expected, own)
    return CauseShares(
        _posterior(cells, expected, _precision(correlation + own), level),
        of_rows,
        of_columns,
        _posterior(whole[None, :], np.full((1, k), 1.0 / k), np.ones(1), level),
    )


def _crossed(
    cells: Floats, row: Codes, column: Codes, columns: Floats, whole: Floats, column_precision: float
) -> tuple[Floats, Floats]:
    """What the other cells let expect of each: its column's shares, times how its row departs from its columns' shares.

    Returns the expected shares (n, k) and how uncertain they are, as a correlation (n,).
    """
    elsewhere = whole - cells + 1.0 / len(whole)
    elsewhere = elsewhere / elsewhere.sum(axis=1, keepdims=True)
    others = columns[column] - cells
    column_weight = others.sum(axis=1) + column_precision
    in_column = (others + column_precision * elsewhere) / column_weight[:, None]
    due = cells.sum(axis=1, keepdims=True) * in_column
    seen_of_row, due_of_row = _total(cells, row), _total(due, row)
    n_of_row = due_of_row.sum(axis=1, keepdims=True)
    row_correlation = intra_class_correlation(
        seen_of_row, due_of_row / np.maximum(n_of_row, 1.0), 1.0 / (1.0 + n_of_row[:, 0])
    )
    row_precision = 1.0 / row_correlation - 1.0
    shift = (seen_of_row[row] - cells + row_precision * elsewhere) / (
        due_of_row[row] - due + row_precision * elsewhere
    )
    expected = in_column * shift
    row_weight = n_of_row[row, 0] - cells.sum(axis=1) + row_precision
    own = 1.0 / (1.0 + column_weight) + 1.0 / (1.0 + row_weight)
    return expected / expected.sum(axis=1, keepdims=True), own


def _total(values: Floats, group: Codes) -> Floats:
    """Sum rows of values group by group."""
    totals = np.zeros((int(group.max(initial=-1)) + 1, values.shape[1]))
    np.add.at(totals, group, values)
    return totals


def intra_class_correlation(counts: Floats, expected: Floats, uncertainty: Floats) -> float:
    """Weigh how far counts scatter about what was expected: posterior mean of the correlation of two events of a cell.

    Parameters
    ----------
    counts : (n, k) events [1].
    expected : (n, k) shares that were expected, each row sums to 1.
    uncertainty : (n,) correlation that stems from not knowing the expectation better [1], >= 0.

    Returns
    -------
    Correlation [1], 0..0.5, under a uniform prior; 0.25 without a cell of two events.
    """
    told = counts.sum(axis=1) > 1
    counts, expected, uncertainty = counts[told], expected[told], uncertainty[told]
    fit = np.array(
        [log_likelihood(counts, expected, _precision(r + uncertainty)).sum() for r in _CORRELATIONS]
    )
    weight = np.exp(fit - fit.max()) * _CORRELATIONS * (1.0 - _CORRELATIONS)
    return float(np.sum(weight * _CORRELATIONS) / np.sum(weight))


def log_likelihood(counts: Floats, expected: Floats, precision: Floats) -> Floats:
    """Log-probability of each row of counts, without the multinomial coefficient: Dirichlet-multinomial.

    counts, expected : (n, k); precision : (n,) sum of the Dirichlet parameters, > 0.

    >>> round(float(log_likelihood(np.array([[2.0, 1.0]]), np.array([[0.5, 0.5]]), np.array([2.0]))[0]), 6)
    -2.484907
    """
    cell, cause = np.nonzero(counts)
    alpha = precision[cell] * expected[cell, cause]
    rising = special.gammaln(alpha + counts[cell, cause]) - special.gammaln(alpha)
    n = counts.sum(axis=1)
    return (
        special.gammaln(precision) - special.gammaln(precision + n) + np.bincount(cell, rising, len(counts))
    )


def _about_the_whole(counts: Floats, whole: Floats, level: float) -> tuple[Shares, float]:
    """Shares of rows or columns about the whole without them, and the precision with which they scatter."""
    prior = 1.0 / len(whole)
    rest = whole - counts + prior
    n_rest = rest.sum(axis=1)
    expected = rest / n_rest[:, None]
    own = 1.0 / (1.0 + n_rest)
    correlation = intra_class_correlation(counts, expected, own)
    return _posterior(counts, expected, _precision(correlation + own), level), 1.0 / correlation - 1.0


def _precision(correlation: Floats) -> Floats:
    return np.maximum(1.0 / correlation - 1.0, _LEAST_PRECISION)


def _posterior(counts: Floats, expected: Floats, precision: Floats, level: float) -> Shares:
    alpha = precision[:, None] * expected + counts
    rest = alpha.sum(axis=1, keepdims=True) - alpha
    tail = (1.0 - level) / 2.0
    mean = alpha / (alpha + rest)
    # The mean of a rare cause, or of almost the only one, may lie beyond a quantile of its own law: that bound is
    # widened to hold it.
    low = np.minimum(special.betaincinv(alpha, rest, tail), mean)
    high = np.maximum(special.betainccinv(alpha, rest, tail), mean)
    return Shares(mean, np.where(low < 1e-12, 0.0, low), high)
