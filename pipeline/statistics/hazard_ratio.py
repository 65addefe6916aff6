"""How much more often does it happen with than without, other things being equal? Stratified Cox regression."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, sparse, stats

from pipeline.statistics.grouping import Codes, Floats, group_rows
from pipeline.statistics.intervals import Estimate, normal_quantile

NO_EVENTS = "no events to compare"
NOBODY_ELSE = "nobody was at risk besides those with the event"
NO_MAXIMUM = "a covariate separates those with events from those without, or repeats another"
_MAX_STEPS = 40
#: A log hazard ratio beyond this has no finite best value.
_LARGEST = 15.0


@dataclass(frozen=True)
class CoxFit:
    """Hazard ratio of each covariate with bounds and p-value (Wald); `n`, `n_events` used [1]; `reason` or ""."""

    hazard_ratio: Estimate
    log_ratio: Floats
    standard_error: Floats
    p_value: Floats
    log_likelihood: float
    n: int
    n_events: int
    reason: str


class _Step(NamedTuple):
    value: float
    score: Floats
    information: Floats


@dataclass(frozen=True)
class _Table:
    """Rows ordered by stratum and falling time; a block is one time of one stratum, a death one event of a block.

    `block` of each row; `first` row of each block; `stratum` of each block; `death_block` and `death_share`
    (0, 1/d, ..., (d-1)/d) of each event.
    """

    x: Floats | sparse.csr_array
    event: Floats
    block: Codes
    first: Codes
    stratum_starts: Codes
    death_block: Codes
    death_share: Floats


def cox_regression(
    time: ArrayLike,
    event: ArrayLike,
    covariates: ArrayLike | sparse.sparray,
    strata: ArrayLike | None = None,
    level: float = 0.95,
) -> CoxFit:
    """Fit proportional hazards within strata by partial likelihood.

    Parameters
    ----------
    time : (n,) follow-up [any one unit], >= 0; a row without a time, event, covariate or stratum is left out.
    event : (n,) True where the follow-up ended with the event.
    covariates : (n, p) values; a column of zeros and ones for a yes or no. Sparse: time and memory grow with
        what is stored, not with n p.
    strata : (n,) labels; each stratum has a baseline of its own; None: one stratum.
    level : confidence level, 0..1.

    Returns
    -------
    CoxFit : NaN and a reason where there are no events or the likelihood has no finite maximum.

    Notes
    -----
    Ties by B. Efron's approximation, l = sum over events of x b - sum over l = 0..d-1 of
    ln(S0 - (l/d) D0), with S0, D0 the sums of exp(x b) over those at risk and over those with the event at that
    time. Newton's method with halved steps. One pass over (stratum, time) blocks: cost grows with rows, not with
    rows times events.
    Source: D. Cox, J. R. Stat. Soc. B 34 (1972) 187-220; B. Efron, J. Am. Stat. Assoc. 72 (1977) 557-565.

    >>> fit = cox_regression([1, 2, 3, 4, 5, 6], [1, 1, 1, 1, 1, 0], [[1], [0], [1], [0], [1], [0]])
    >>> round(float(fit.log_ratio[0]), 4)
    0.6321
    """
    z = normal_quantile(level)
    table = _tabulate(time, event, covariates, strata)
    n, p = table.x.shape
    n_events = int(table.event.sum())
    beta, reason = np.zeros(p), ""
    step = _at(table, beta) if _compares(table) else None
    if step is None:
        reason = NOBODY_ELSE if n_events else NO_EVENTS
    else:
        beta, step, reason = _climb(table, beta, step)
    if reason or step is None:
        none = np.full(p, np.nan)
        return CoxFit(Estimate(none, none, none), none, none, none, float("nan"), n, n_events, reason)
    error = np.sqrt(np.diag(linalg.inv(step.information)))
    ratio = Estimate(*(np.exp(beta + sign * z * error) for sign in (0, -1, 1)))
    p_value = 2 * stats.norm.sf(np.abs(beta / error))
    return CoxFit(ratio, beta, error, p_value, step.value, n, n_events, "")


def _tabulate(
    time: ArrayLike, event: ArrayLike, covariates: ArrayLike | sparse.sparray, strata: ArrayLike | None
) -> _Table:
    t, d = np.asarray(time, float), np.asarray(event, float)
    x = _columns(covariates)
    stratum = group_rows(strata, len(t)).codes
    used = np.isfinite(t) & np.isfinite(d) & np.isfinite(x.sum(axis=1)) & (stratum >= 0)
    t, d, x, stratum = t[used], (d[used] != 0).astype(float), x[used], stratum[used]
    order = np.lexsort((-t, stratum))
    t, d, x, stratum = t[order], d[order], x[order], stratum[order]
    is_new = np.ones(len(t), bool)
    is_new[1:] = (t[1:] != t[:-1]) | (stratum[1:] != stratum[:-1])
    first, block = np.flatnonzero(is_new), np.cumsum(is_new) - 1
    of_block = stratum[first]
    n_strata = int(of_block[-1]) + 1 if len(of_block) else 0
    starts = np.searchsorted(of_block, np.arange(n_strata + 1))
    n_deaths = np.bincount(block, d, len(first)).astype(np.int64)
    death_block = np.repeat(np.arange(len(first)), n_deaths)
    place = np.arange(len(death_block)) - np.repeat(np.cumsum(n_deaths) - n_deaths, n_deaths)
    share = place / n_deaths[death_block]
    if isinstance(x, np.ndarray) and len(t):
        # Far from 0 the second derivatives would be small differences of large numbers.
        x = x - x.mean(axis=0)
    return _Table(x, d, block, first, starts, death_block, share)


def _columns(covariates: ArrayLike | sparse.sparray) -> Floats | sparse.csr_array:
    if sparse.issparse(covariates):
        return sparse.csr_array(covariates, dtype=float)
    x = np.asarray(covariates, float)
    return x[:, None] if x.ndim == 1 else x


def _compares(table: _Table) -> bool:
    """Whether anybody without the event is at risk when somebody has it."""
    if not table.event.any():
        return False
    at_risk = _running(table, _sizes(table, np.ones(len(table.event))))[:, 0]
    n_deaths = np.bincount(table.death_block, minlength=len(table.first))
    return bool(np.any((n_deaths > 0) & (at_risk > n_deaths)))


def _at(table: _Table, beta: Floats) -> _Step:
    """Partial log-likelihood, its first derivatives, and minus its second ones."""
    linear = table.x @ beta
    # Hazards of all rows times one factor change nothing; about 1 on average they neither over- nor underflow.
    linear = linear - linear.mean()
    weight = np.exp(linear)
    at_risk, at_risk_x = _running(table, _sizes(table, weight)), _running(table, _blocks(table, weight))
    dying, dying_x = _sizes(table, table.event * weight), _blocks(table, table.event * weight)
    b, share = table.death_block, table.death_share
    s0 = at_risk[b, 0] - share * dying[b, 0]
    value = float(table.event @ linear - np.log(s0).sum())
    n_blocks = len(table.first)

    def per_block(values: Floats) -> Floats:
        return np.bincount(b, values, n_blocks).astype(float)

    every, own = per_block(1 / s0), per_block(share / s0)
    score = table.x.T @ table.event - (every @ at_risk_x - own @ dying_x)
    later = _running(table, every[:, None], backward=True)[:, 0]
    times_at_risk = later[table.block] - table.event * own[table.block]
    second = _dense(table.x.T @ (sparse.diags_array(weight * times_at_risk) @ table.x))
    # The squares of the means, summed over the deaths of a block, without a row for each of them.
    crossed = at_risk_x.T @ (per_block(share / s0**2)[:, None] * dying_x)
    squares = at_risk_x.T @ (per_block(1 / s0**2)[:, None] * at_risk_x) - crossed - crossed.T
    squares += dying_x.T @ (per_block((share / s0) ** 2)[:, None] * dying_x)
    return _Step(value, score, second - squares)


def _sizes(table: _Table, values: Floats) -> Floats:
    """Sum of values in each block, as a column."""
    return np.add.reduceat(values, table.first)[:, None]


def _blocks(table: _Table, weight: Floats) -> Floats:
    """Sum of weighted covariates in each block."""
    n = len(weight)
    in_block = sparse.csr_array((weight, np.arange(n), np.append(table.first, n)), (len(table.first), n))
    return _dense(in_block @ table.x)


def _dense(values: Floats | sparse.sparray) -> Floats:
    return np.asarray(values) if isinstance(values, np.ndarray) else values.toarray()


def _running(table: _Table, values: Floats, backward: bool = False) -> Floats:
    """Add up blocks within each stratum, from its latest time on, or from its earliest."""
    out = np.empty_like(values)
    for start, end in zip(table.stratum_starts[:-1], table.stratum_starts[1:], strict=True):
        part = values[start:end]
        out[start:end] = np.cumsum(part[::-1], axis=0)[::-1] if backward else np.cumsum(part, axis=0)
    return out


def _climb(table: _Table, beta: Floats, step: _Step) -> tuple[Floats, _Step, str]:
    """Go uphill by Newton's steps, halved while they lead down."""
    for _ in range(_MAX_STEPS):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", linalg.LinAlgWarning)  # singular but for rounding
                move = linalg.solve(step.information, step.score, assume_a="pos")
        except (linalg.LinAlgError, linalg.LinAlgWarning):
            return beta, step, NO_MAXIMUM
        if np.max(np.abs(move), initial=0.0) < 1e-10:
            return beta, step, ""
        for halving in range(30):
            trial = beta + move / 2**halving
            if np.max(np.abs(trial)) > _LARGEST:
                return beta, step, NO_MAXIMUM
            found = _at(table, trial)
            if found.value >= step.value - 1e-12 * abs(step.value):
                break
        beta, step = trial, found
    return beta, step, NO_MAXIMUM
