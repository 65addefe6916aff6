"""Is a group further from its expectation than chance and ordinary differences explain? Funnel limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from pipeline.statistics.grouping import Floats
from pipeline.statistics.intervals import Bounds, normal_quantile

#: Levels of the inner and the outer pair of limits.
INNER, OUTER = 0.95, 0.998
#: Share of groups at each end whose z is pulled in before over-dispersion is measured.
WINSORISED = 0.1
#: Fewer groups than this tell nothing of how much ordinary groups differ.
FEWEST_GROUPS = 3
#: Among more groups than this none weighs enough to be left out of its own limits.
MANY_GROUPS = 200


@dataclass(frozen=True)
class Dispersion:
    """How much ordinary groups differ: `phi` mean squared z [1], `tau2` variance of sqrt(O/E) beyond chance [1]."""

    phi: float
    tau2: float


@dataclass(frozen=True)
class Funnel:
    """Limits on observed/expected [1] and where each group lies; one value per group.

    `position`: inside, above, below (the 95 % limits), beyond_above, beyond_below (the 99.8 % limits); None
    where nothing was expected or fewer than three groups are compared. `z` is the over-dispersed deviation,
    `p_value` how often an ordinary group would be so far off, two-sided; `tau2` [1] is what the group was
    judged by.
    """

    ratio: Floats
    inner: Bounds
    outer: Bounds
    position: NDArray[np.object_]
    z: Floats
    p_value: Floats
    tau2: Floats


@dataclass(frozen=True)
class SurvivalFunnel:
    """The same limits and positions, said of the share without the event: more events lie `below`."""

    inner: Bounds
    outer: Bounds
    position: NDArray[np.object_]


def funnel(observed: ArrayLike, expected: ArrayLike, *, allows_dispersion: bool = True) -> Funnel:
    """Set funnel limits about each group's expectation, widened for over-dispersion, and place the group.

    Parameters
    ----------
    observed : (n,) events [1], whole, >= 0.
    expected : (n,) events [1], > 0; otherwise the group gets NaN and no position. All groups that were
        compared belong here, not one by one.
    allows_dispersion : False where the groups are no draw of many alike (repairs proved and not proved): how far
        they differ is then the question itself, and the limits are those of chance alone.

    Returns
    -------
    Funnel : per group. A limit holds the over-dispersed normal limit and the exact Poisson limit, whichever
        is wider: neither ordinary differences nor a handful of events accuse anybody.

    Notes
    -----
    y = sqrt(O/E), s^2 = 1/(4E), z = (y - 1)/s; normal limits y = 1 -+ q sqrt(s^2 + tau^2). tau^2 of a group is
    measured on the *other* groups about their own mean (with up to 200 groups), so that a bad group among few
    cannot widen its own limits. With fewer than three groups it cannot be known: 0, and nobody is placed.
    Source: D. Spiegelhalter, Statistics in Medicine 24 (2005) 1185-1202 and Quality and Safety in Health Care
    14 (2005) 347-351. Leaving the group itself out, and the Poisson limit beside, are ours.

    >>> funnel([10, 9, 11, 10, 40], [16, 16, 16, 16, 16]).position.tolist()
    ['inside', 'inside', 'inside', 'inside', 'beyond_above']
    """
    o, e = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, float)) for v in (observed, expected)))
    usable = (o >= 0) & (e > 0) & np.isfinite(o + e)
    o, e = np.where(usable, o, np.nan), np.where(usable, e, np.nan)
    raw = 2 * (np.sqrt(o) - np.sqrt(e))
    tau2 = np.full(e.shape, np.nan)
    tau2[usable] = _tau2_of_others(o[usable], e[usable]) if allows_dispersion else 0.0
    z = raw / np.sqrt(1 + 4 * e * tau2)
    inner, outer = _limits(e, tau2, INNER), _limits(e, tau2, OUTER)
    ratio = o / e
    placed = (
        _position(ratio, inner, outer) if usable.sum() >= FEWEST_GROUPS else np.full(e.shape, None, object)
    )
    return Funnel(ratio, inner, outer, placed, z, _p_value(o, e, z), tau2)


def student_p_value(z: ArrayLike, n_groups: int) -> Floats:
    """Return how often z is so far off when its scale was measured on the other groups, two-sided.

    Parameters
    ----------
    z : (n,) over-dispersed deviation [1].
    n_groups : groups that were compared.

    Notes
    -----
    Student's t with n_groups - 2 degrees of freedom (at least 1), as for an externally studentized residual:
    R. Cook, S. Weisberg, Residuals and Influence in Regression (1982) section 2.2.1. Among 20 ordinary stations
    normal tails accused somebody in 1 of 20 simulated programs, these in 1 of 60.

    >>> float(student_p_value(2.0, 10).round(4))
    0.0805
    """
    return np.asarray(2 * stats.t.sf(np.abs(np.asarray(z, float)), max(n_groups - 2, 1)))


def as_survival(limits: Funnel, expected_survival: ArrayLike) -> SurvivalFunnel:
    """Say a funnel on events as one on the share without the event.

    Parameters
    ----------
    limits : funnel on observed/expected events of n groups.
    expected_survival : (n,) share without the event that the group's mix leads to expect, 0..1.

    Returns
    -------
    SurvivalFunnel : (n,) limits 0..1; many events lie `below`.

    Notes
    -----
    A group with r times the expected events has, under proportional hazards, the share S^r where S is
    expected: the limits are S^(limit on r).

    >>> said = as_survival(funnel([40, 9, 9], [16, 16, 16]), [0.9])
    >>> said.position.tolist()[0], float(said.inner.low[0].round(4)), float(said.inner.high[0].round(4))
    ('beyond_below', 0.8493, 0.9425)
    """
    share = np.atleast_1d(np.asarray(expected_survival, float))
    share = np.where((share > 0) & (share <= 1), share, np.nan)
    inner, outer = (Bounds(share**pair.high, share**pair.low) for pair in (limits.inner, limits.outer))
    mirrored = {
        "above": "below",
        "below": "above",
        "beyond_above": "beyond_below",
        "beyond_below": "beyond_above",
    }
    position = np.array([mirrored.get(word, word) for word in limits.position], object)
    return SurvivalFunnel(inner, outer, position)


def over_dispersion(
    z: ArrayLike, weights: ArrayLike, winsorised: float = WINSORISED, is_consistent: bool = False
) -> Dispersion:
    """Measure how much groups differ beyond chance.

    Parameters
    ----------
    z : (n,) standardized deviations [1].
    weights : (n,) 1/s^2 of what z standardizes [1], > 0.
    winsorised : share of groups at each end whose z is set to that quantile, 0..0.5.
    is_consistent : divide phi by its mean under chance alone, which winsorising (at 0.1) lowers to about 0.7;
        without this tau2 comes out too small and limits accuse too many.

    Returns
    -------
    Dispersion : phi and tau2 (0 for fewer than two groups).

    Notes
    -----
    phi = mean z^2; tau2 = max(0, (I phi - (I - 1)) / (sum w - sum w^2 / sum w)); without winsorising it is the
    DerSimonian-Laird moment estimate.
    Source: D. Spiegelhalter, Quality and Safety in Health Care 14 (2005) 347-351. The correction is ours.

    >>> over_dispersion([-2.0, 2.0], [1.0, 1.0], winsorised=0.0)
    Dispersion(phi=4.0, tau2=7.0)
    """
    deviation, w = np.asarray(z, float), np.asarray(weights, float)
    n = len(deviation)
    if n < 2:
        return Dispersion(float("nan"), 0.0)
    ends = np.quantile(deviation, [winsorised, 1 - winsorised])
    phi = float(np.mean(np.clip(deviation, *ends) ** 2))
    if is_consistent:
        phi /= _phi_under_chance(n)
    spread = w.sum() - (w**2).sum() / w.sum()
    return Dispersion(phi, max(0.0, float((n * phi - (n - 1)) / spread)) if spread > 0 else 0.0)


def _tau2_of_others(o: Floats, e: Floats) -> Floats:
    if len(o) < FEWEST_GROUPS:
        return np.zeros(len(o))
    if len(o) > MANY_GROUPS:
        return np.full(len(o), _dispersion(o, e).tau2)
    others = ~np.eye(len(o), dtype=bool)
    return np.array([_dispersion(o[kept], e[kept]).tau2 for kept in others])


def _dispersion(o: Floats, e: Floats) -> Dispersion:
    """Over-dispersion about these groups' own mean: a bad group left out has also raised what was expected."""
    own = e * o.sum() / e.sum() if o.sum() > 0 else e
    return over_dispersion(2 * (np.sqrt(o) - np.sqrt(own)), 4 * own, is_consistent=True)


def _phi_under_chance(n: int) -> float:
    """Mean square of n standard normal deviates winsorised at 10 % (type 7 quantiles), to about 0.005.

    Exact in the limit: 0.8 - 2 c f(c) + 0.2 c^2 = 0.6787 with f the normal density, c its 90 % point; the
    finite ones by simulation.
    """
    few = {2: 0.819, 3: 0.766, 4: 0.739, 5: 0.728, 6: 0.722, 7: 0.721, 8: 0.720, 9: 0.721, 10: 0.722}
    return few.get(n, 0.6787 + 0.46 / n)


def _limits(e: Floats, tau2: Floats, level: float) -> Bounds:
    low, high = _normal_limits(e, tau2, level)
    tail = (1 - level) / 2
    return Bounds(
        np.minimum(low, stats.poisson.ppf(tail, e) / e), np.maximum(high, stats.poisson.ppf(1 - tail, e) / e)
    )


def _normal_limits(e: Floats, tau2: Floats, level: float) -> Bounds:
    half = normal_quantile(level) * np.sqrt(1 / (4 * e) + tau2)
    return Bounds(np.maximum(0.0, 1 - half) ** 2, (1 + half) ** 2)


def _position(ratio: Floats, inner: Bounds, outer: Bounds) -> NDArray[np.object_]:
    rules = [np.isnan(ratio), ratio > outer.high, ratio < outer.low, ratio > inner.high, ratio < inner.low]
    words = ["", "beyond_above", "beyond_below", "above", "below"]
    placed = np.select(rules, words, "inside").astype(object)
    placed[np.isnan(ratio)] = None
    return placed


def _p_value(o: Floats, e: Floats, z: Floats) -> Floats:
    exact = 2 * np.minimum(stats.poisson.sf(o - 1, e), stats.poisson.cdf(o, e))
    return np.minimum(1.0, np.maximum(exact, 2 * stats.norm.sf(np.abs(z))))
