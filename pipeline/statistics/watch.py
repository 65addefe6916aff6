"""Is something new starting, when even the usual level must be learned? Likelihood CUSUM with a paid-for limit."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.statistics.grouping import Codes, Floats

#: Head start as a share of the limit. Half of it, as is usual where charts are few, would let e^(h/2) in e^h charts
#: signal by chance; a quarter costs next to nothing.
HEAD_SHARE = 0.25


class Usual(NamedTuple):
    """What each series led to expect before each count: gamma shape [1], rate [1], and expected count [1]."""

    shape: Floats
    rate: Floats
    expected: Floats


class Limit(NamedTuple):
    """Limit and head start of a chart [nats], and the mean run length [periods] it at least has without a change."""

    limit: float
    head_start: float
    run_length: float


class Chart(NamedTuple):
    """CUSUM of each series: `value` [events] after every count, and whether it signals there."""

    value: Floats
    is_signal: NDArray[np.bool_]


def usual_level(counts: ArrayLike, expected: ArrayLike, shape: ArrayLike, rate: ArrayLike) -> Usual:
    """Learn the level of each series from what came before.

    Parameters
    ----------
    counts : (n, periods) events [1], >= 0.
    expected : (n, periods) events [1] of a series of ordinary level, >= 0.
    shape, rate : (n,) gamma prior of the level, > 0.

    Returns
    -------
    Usual : (n, periods) posterior from all earlier periods, none of the present one; expected = e a/b.

    >>> usual_level([[2, 0]], [[1.0, 1.0]], [1.0], [1.0]).expected.tolist()
    [[1.0, 1.5]]
    """
    x, e = np.asarray(counts, float), np.asarray(expected, float)
    a = np.asarray(shape, float)[:, None] + np.cumsum(x, axis=1) - x
    b = np.asarray(rate, float)[:, None] + np.cumsum(e, axis=1) - e
    return Usual(a, b, e * a / b)


def log_ratio(counts: ArrayLike, expected: ArrayLike, usual: Usual, ratio: float) -> Floats:
    """Weigh a level raised by `ratio` against the usual one, period by period.

    Parameters
    ----------
    counts, expected : as in `usual_level`.
    usual : from `usual_level`.
    ratio : rise to look for, > 1.

    Returns
    -------
    (n, periods) log-likelihood ratio [nats].

    Notes
    -----
    Given the past, a count is negative binomial (Poisson with a gamma level): ln r x + (a + x) ln((b + e)/(b + r e)).
    With the level known (a, b -> infinity) that is ln r (x - k), k = m (r - 1)/ln r: the increment of the Poisson
    CUSUM of J. Lucas, Technometrics 27 (1985) 129-144, in units of 1/ln r.
    """
    x, e = np.asarray(counts, float), np.asarray(expected, float)
    a, b, _ = usual
    return x * np.log(ratio) + (a + x) * (np.log(b + e) - np.log(b + ratio * e))


def paid_limit(n_charts: int, n_periods: int, chance: float) -> Limit:
    """Find the limit at which all charts together signal by chance no more often than paid for.

    Parameters
    ----------
    n_charts, n_periods : charts run and periods they run [1], >= 1.
    chance : chance of any false signal in all charts and periods, 0..1.

    Returns
    -------
    Limit : h, head start s = h/4, and a lower bound of the mean run length of one chart without a change.

    Notes
    -----
    R(i) = (1 + R(i-1)) L(i), R(0) = e^s, is at least e^C(i), and R(i) - i is a martingale without a change, whatever
    the expectations: so P(signal within M periods) <= (M + e^s) e^-h, and the mean run length is at least e^h - e^s.
    h solves n (M + e^(h/4)) e^-h = chance.
    Source: M. Pollak, Annals of Statistics 15 (1987) 749-779; G. Lorden, Annals of Mathematical Statistics 42 (1971)
    1897-1908.

    >>> found = paid_limit(100, 36, 0.05)
    >>> round(found.limit, 3), bool(found.run_length > 70000)
    (11.592, True)
    """
    target = np.log(chance) - np.log(n_charts)
    low, high = 0.0, 200.0
    for _ in range(100):
        middle = (low + high) / 2
        paid = special.logsumexp([np.log(n_periods), HEAD_SHARE * middle]) - middle
        low, high = (middle, high) if paid > target else (low, middle)
    head = HEAD_SHARE * high
    return Limit(high, head, float(np.exp(high) - np.exp(head)))


def cusum(counts: ArrayLike, reference: ArrayLike, limit: ArrayLike, head_start: ArrayLike = 0.0) -> Chart:
    """Run an upper CUSUM over each series of counts.

    Parameters
    ----------
    counts : (..., periods) events [1]; a missing count leaves the sum as it is.
    reference : k [events per period], one number or one per period where the expectation changes.
    limit : h [events], > 0: signal when the sum reaches it ("at least", not "above").
    head_start : sum to begin with [events], 0..limit; after a signal the sum starts there again.

    Returns
    -------
    Chart : same shape as `counts`.

    Notes
    -----
    C(i) = max(0, C(i-1) + x(i) - k).
    Source: J. Lucas, Technometrics 27 (1985) 129-144.

    >>> cusum([1, 3, 0, 2, 5, 4], 3, 3).value.tolist()
    [0.0, 0.0, 0.0, 0.0, 2.0, 3.0]
    """
    x = np.asarray(counts, float)
    k, h, first = (np.asarray(v, float) for v in (reference, limit, head_start))
    k = np.broadcast_to(k, x.shape)
    lead = x.shape[:-1]
    h, first = np.broadcast_to(h, lead), np.broadcast_to(first, lead)
    value, signal = np.zeros(x.shape), np.zeros(x.shape, bool)
    current = first.astype(float)
    for period in range(x.shape[-1]):
        step = x[..., period] - k[..., period]
        current = np.where(np.isnan(step), current, np.maximum(0.0, current + step))
        value[..., period], signal[..., period] = current, current >= h
        current = np.where(current >= h, first, current)
    return Chart(value, signal)


def rise_start(chart: Chart) -> Codes:
    """Find the period since which each sum has been above zero.

    Parameters
    ----------
    chart : from `cusum`, (n, periods).

    Returns
    -------
    (n, periods) first period of the rise that each period belongs to: the one after the sum was last 0 or signaled,
    or the first of all; -1 where the sum is 0.

    >>> rise_start(cusum([[1, 3, 4, 2, 5, 4]], 3, 3)).tolist()
    [[-1, -1, 2, -1, 4, 4]]
    """
    period = np.arange(chart.value.shape[1])
    ended = np.where((chart.value == 0) | chart.is_signal, period, -1)
    before = np.concatenate(
        [np.full((len(ended), 1), -1), np.maximum.accumulate(ended, axis=1)[:, :-1]], axis=1
    )
    return np.where(chart.value == 0, -1, before + 1)
