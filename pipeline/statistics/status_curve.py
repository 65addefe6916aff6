"""How does the share that shows a state rise with size, in many groups at once? Pooled lognormal curves.

Each unit is looked at once (current status): the share is Phi(a + b ln x), which says that the units' own
thresholds are lognormal. Groups differ: their (a, b) are drawn from one normal law, so a group with few units
leans on the others (partial pooling), and a group with none takes their mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from pipeline.statistics.grouping import Codes, Floats, group_rows
from pipeline.statistics.intervals import Estimate, normal_quantile

NO_UNITS = "no unit was looked at"
ALL_ALIKE = "all units look alike, at every size"
NO_RISE = "the share does not rise with size, or rises at one size: no curve fits"

_MOST_STEPS = 100
_MOST_ROUNDS = 80
#: Spread of (a, b) between groups at the start of the search [1].
_FIRST_SPREAD = 0.1
#: Slopes b [per ln(size)] beyond which no lognormal is meant.
_SLOPES = (1e-3, 50.0)


@dataclass(frozen=True)
class StatusCurves:
    """Curve of each group: `coefficient` (n_groups, 2) = (a, b) about `center` [ln size], its covariance.

    `pooled` (2,) is the mean of the groups; `reason` ("" where there are curves) holds for all of them.
    """

    groups: NDArray[Any]
    n: Floats
    center: float
    coefficient: Floats
    covariance: Floats
    pooled: Floats
    reason: str

    def share(self, group: ArrayLike, size: ArrayLike, level: float = 0.95) -> Estimate:
        """Estimate the share at `size` (m,) in the groups with index `group` (m,); -1: a group never seen."""
        chosen = np.asarray(group, np.int64)
        where = np.stack([np.ones(len(chosen)), _log(size) - self.center], axis=1)
        own, spread = self._own(chosen)
        middle = np.sum(where * own, axis=1)
        half = self._reach(level) * np.sqrt(np.einsum("mi,mij,mj->m", where, spread, where))
        return Estimate(*(special.ndtr(v) for v in (middle, middle - half, middle + half)))

    def quantile(self, shares: ArrayLike, level: float = 0.95) -> Estimate:
        """Estimate the size at which each share (k,) is reached: (n_groups, k), bounds by the delta method."""
        z = special.ndtri(np.atleast_1d(np.asarray(shares, float)))[None, :]
        a, b = self.coefficient[:, :1], self.coefficient[:, 1:]
        log_size = (z - a) / b
        slope = np.stack([np.broadcast_to(-1 / b, log_size.shape), -log_size / b], axis=-1)
        half = self._reach(level) * np.sqrt(np.einsum("gki,gij,gkj->gk", slope, self.covariance, slope))
        with np.errstate(over="ignore"):
            return Estimate(*(np.exp(self.center + v) for v in (log_size, log_size - half, log_size + half)))

    def _reach(self, level: float) -> float:
        """Quantile of the bounds: Student's t, since the spread rests on few groups; normal for one group."""
        if len(self.groups) < 2:
            return normal_quantile(level)
        return float(stats.t.isf((1 - level) / 2, len(self.groups) - 1))

    def _own(self, chosen: Codes) -> tuple[Floats, Floats]:
        if not len(self.coefficient):
            return np.full((len(chosen), 2), np.nan), np.full((len(chosen), 2, 2), np.nan)
        known = chosen >= 0
        spread = np.cov(self.coefficient.T, bias=True) + self.covariance.mean(axis=0)
        own = np.where(known[:, None], self.coefficient[chosen], self.pooled)
        return own, np.where(known[:, None, None], self.covariance[chosen], spread)


@dataclass(frozen=True)
class _Rows:
    codes: Codes
    n_groups: int
    where: Floats
    shows: Floats
    looked: Floats

    def total(self, values: Floats) -> Floats:
        return np.bincount(self.codes, values, self.n_groups).astype(float)


def status_curves(
    size: ArrayLike, n_shows: ArrayLike, n: ArrayLike, groups: ArrayLike | None = None
) -> StatusCurves:
    """Fit a lognormal curve to each group, pooled toward the others.

    Parameters
    ----------
    size : (m,) [any one unit], > 0; rows with 0 or inf say nothing to a curve in ln(size) and are left out.
    n_shows, n : (m,) units looked at there that show the state, and all of them [1].
    groups : (m,) labels; None: one group, which has no others to lean on.

    Returns
    -------
    StatusCurves : NaN with a reason where no curve fits all groups together.

    Notes
    -----
    share = Phi(a + b (ln x - center)); (a, b) of a group ~ N(mean, T). One group: maximum likelihood. Several:
    mean and T by EM with a prior that keeps T off zero (its square root: T = S / (groups - 1)), each group's
    (a, b) at its posterior mode with the normal approximation there (Laplace); the covariance adds what is not
    known of the mean, and bounds take Student's t with groups - 1 degrees of freedom.
    Source: W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data (1998), sections 8.2, 8.3 (current
    status is left and right censoring); N. M. Laird, J. H. Ware, Biometrics 38 (1982) 963-974 (EM); Y. Chung
    and others, J. Educ. Behav. Stat. 40 (2015) 136-157 (the prior; recalled from memory).
    """
    x, shows, looked = (np.atleast_1d(np.asarray(v, float)) for v in (size, n_shows, n))
    group = group_rows(groups, len(x))
    told = (group.codes >= 0) & (looked > 0) & (shows >= 0) & (shows <= looked) & (x > 0) & np.isfinite(x)
    total = np.bincount(group.codes[told], looked[told], group.n_groups).astype(float)
    log_x = np.log(x[told])
    reason = _why_none(shows[told], looked[told])
    if reason:
        return _no_curves(group.labels, total, reason)
    center = float(
        np.average(log_x, weights=looked[told] * (0.05 + np.minimum(shows[told], looked[told] - shows[told])))
    )
    where = np.stack([np.ones(len(log_x)), log_x - center])
    rows = _Rows(group.codes[told], group.n_groups, where, shows[told], looked[told])
    one = _Rows(np.zeros(len(log_x), np.int64), 1, where, rows.shows, rows.looked)
    mean, spread = _one_curve(one)
    if mean is None:
        return _no_curves(group.labels, total, NO_RISE)
    if group.n_groups == 1:
        return StatusCurves(group.labels, total, center, mean[None], spread[None], mean, "")
    try:
        own, spread, mean = _many_curves(rows, mean)
    except np.linalg.LinAlgError:  # the spread between groups runs off: too few looks to tell them apart
        return _no_curves(group.labels, total, NO_RISE)
    usable = np.isfinite(own).all() and (_SLOPES[0] < own[:, 1]).all() and (own[:, 1] < _SLOPES[1]).all()
    if not usable:
        return _no_curves(group.labels, total, NO_RISE)
    return StatusCurves(group.labels, total, center, own, spread, mean, "")


def _log(size: ArrayLike) -> Floats:
    with np.errstate(divide="ignore"):
        return np.log(np.atleast_1d(np.asarray(size, float)))


def _why_none(shows: Floats, looked: Floats) -> str:
    if not len(shows):
        return NO_UNITS
    return ALL_ALIKE if shows.sum() in (0, looked.sum()) else ""


def _no_curves(labels: NDArray[Any], total: Floats, reason: str) -> StatusCurves:
    g = len(labels)
    blank = np.full((g, 2), np.nan)
    return StatusCurves(labels, total, np.nan, blank, np.full((g, 2, 2), np.nan), np.full(2, np.nan), reason)


def _one_curve(rows: _Rows) -> tuple[Floats | None, Floats]:
    """Maximize the likelihood of one curve by Fisher scoring, each step halved until it helps."""
    own = np.zeros((1, 2))
    score, information = _score(rows, own)
    for _ in range(_MOST_STEPS):
        try:
            step = np.linalg.solve(information[0], score[0])
        except np.linalg.LinAlgError:
            return None, information[0]
        while _likelihood(rows, own + step) < _likelihood(rows, own) - 1e-9 and np.abs(step).max() > 1e-12:
            step = step / 2
        own = own + step
        score, information = _score(rows, own)
        if np.abs(step).max() < 1e-11:
            break
    if not _SLOPES[0] < own[0, 1] < _SLOPES[1]:
        return None, information[0]
    try:
        return own[0], np.linalg.inv(information[0])
    except np.linalg.LinAlgError:
        return None, information[0]


def _many_curves(rows: _Rows, mean: Floats) -> tuple[Floats, Floats, Floats]:
    """Find mean and spread of the groups' curves by EM; one scoring step of each group to a round."""
    spread = np.eye(2) * _FIRST_SPREAD
    own = np.tile(mean, (rows.n_groups, 1))
    for _ in range(_MOST_ROUNDS):
        precision = np.linalg.inv(spread)
        score, information = _score(rows, own)
        posterior = np.linalg.inv(information + precision)
        step = np.einsum("gij,gj->gi", posterior, score - (own - mean) @ precision)
        own = own + np.clip(step, -1.0, 1.0)
        moved = float(np.abs(step).max())
        mean = own.mean(axis=0)
        apart = own - mean
        new = (apart[:, :, None] * apart[:, None, :] + posterior).sum(axis=0) / (rows.n_groups - 1)
        change = float(np.abs(new - spread).max())
        spread = new + np.eye(2) * 1e-9
        if moved < 1e-9 and change < 1e-6:
            break
    leans = posterior @ precision
    of_mean = np.linalg.inv(np.linalg.inv(spread + np.linalg.inv(information + 1e-9 * np.eye(2))).sum(axis=0))
    return own, posterior + leans @ of_mean @ leans.transpose(0, 2, 1), mean


def _score(rows: _Rows, own: Floats) -> tuple[Floats, Floats]:
    """Score (g, 2) and expected information (g, 2, 2) of each group's curve."""
    eta = np.clip(np.sum(own[rows.codes].T * rows.where, axis=0), -30, 30)
    density = np.exp(-0.5 * eta**2) / np.sqrt(2 * np.pi)
    above, below = special.ndtr(eta), special.ndtr(-eta)
    pull = (rows.shows * below - (rows.looked - rows.shows) * above) * density / (above * below)
    weight = rows.looked * density**2 / (above * below)
    score = np.stack([rows.total(pull * w) for w in rows.where], axis=1)
    cells = [[rows.total(weight * v * w) for w in rows.where] for v in rows.where]
    return score, np.array(cells).transpose(2, 0, 1)


def _likelihood(rows: _Rows, own: Floats) -> float:
    eta = np.sum(own[rows.codes].T * rows.where, axis=0)
    return float(
        np.sum(rows.shows * special.log_ndtr(eta) + (rows.looked - rows.shows) * special.log_ndtr(-eta))
    )
