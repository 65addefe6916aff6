"""Is something new starting? Poisson CUSUM with a run length that is computed and not hoped for."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from pipeline.statistics.grouping import Floats

_LARGEST_LIMIT = 512
#: Mean run length [periods] beyond which the equations lose their digits; such a chart never signals by chance.
_LONGEST = 1e12


class Chart(NamedTuple):
    """CUSUM of each series: `value` [events] after every count, and whether it signals there."""

    value: Floats
    is_signal: NDArray[np.bool_]


def reference_value(in_control: ArrayLike, out_of_control: ArrayLike) -> Floats:
    """Return the count per period that a CUSUM subtracts, best for telling two means apart.

    Parameters
    ----------
    in_control, out_of_control : (n,) events per period [1], > 0 and different; otherwise NaN.

    Returns
    -------
    (n,) reference value k [events per period], between the two.

    Notes
    -----
    k = (m1 - m0)/ln(m1/m0).
    Source: J. Lucas, Counted data CUSUM's, Technometrics 27 (1985) 129-144.

    >>> reference_value([2.0], [4.0]).round(6).tolist()
    [2.88539]
    """
    low, high = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(m, float)) for m in (in_control, out_of_control))
    )
    usable = (low > 0) & (high > 0) & (low != high)
    ratio = np.where(usable, high, 2.0) / np.where(usable, low, 1.0)
    return np.where(usable, (high - low) / np.log(ratio), np.nan)


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


def run_length(
    mean: float, reference: float, limit: float, head_start: float = 0.0, per_event: int = 1
) -> float:
    """Return the mean number of periods until a CUSUM signals.

    Parameters
    ----------
    mean : events per period [1], >= 0.
    reference, limit, head_start : as in `cusum`, whole multiples of 1/per_event.
    per_event : steps into which one event is divided, >= 1.

    Returns
    -------
    Mean run length [periods]; infinite for mean 0 and beyond 1e12 periods, NaN for a missing mean.

    Raises
    ------
    ValueError : when reference, limit or head start are no multiples of 1/per_event, or the limit is not above
        the head start.

    Notes
    -----
    The sum is a Markov chain on 0, 1/q, ..., h - 1/q; the run length solves (I - P) L = 1.
    Source: J. Lucas, Technometrics 27 (1985) 129-144; D. Hawkins, Comm. Statist. Simul. 21 (1992) 1001-1020.

    >>> round(run_length(1.88, 2, 6), 4), round(run_length(1.88, 2, 6, head_start=3), 4)
    (37.2033, 29.1878)
    """
    k, h, first = (_steps(v, per_event) for v in (reference, limit, head_start))
    if not 0 <= first < h:
        raise ValueError(f"the head start {head_start} must lie below the limit {limit}")
    if np.isnan(mean) or mean < 0:
        return float("nan")
    if mean == 0:
        return float("inf")
    chain = _transitions(mean, k, h, per_event)
    length = float(np.linalg.solve(np.eye(h) - chain, np.ones(h))[first])
    return length if 0 < length < _LONGEST else float("inf")


def limit_for(mean: float, reference: float, wanted: float, is_head_started: bool = False) -> float:
    """Return the smallest whole limit with at least the wanted mean run length in control.

    Parameters
    ----------
    mean, reference : as in `run_length`; the reference a whole number above `mean`.
    wanted : mean run length without a change [periods], > 1.
    is_head_started : begin at half the limit, rounded down.

    Returns
    -------
    Limit h [events]; NaN where none up to 512 is enough or the mean is missing.

    >>> limit_for(1.0, 2, 20000.0)
    7.0
    """

    def is_enough(limit: int) -> bool:
        return run_length(mean, reference, limit, limit // 2 if is_head_started else 0) >= wanted

    high = 1
    while not is_enough(high):
        high *= 2
        if high > _LARGEST_LIMIT:
            return float("nan")
    low = high // 2 + 1
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle + 1, high)
    return float(high)


def _steps(value: float, per_event: int) -> int:
    steps = round(value * per_event)
    if abs(steps - value * per_event) > 1e-9:
        raise ValueError(f"{value} is no multiple of 1/{per_event}")
    return int(steps)


def _transitions(mean: float, k: int, h: int, per_event: int) -> Floats:
    """Chances of going from each sum below the limit to each other; column 0 takes all that ends at 0."""
    now, then = np.arange(h)[:, None], np.arange(h)[None, :]
    events, rest = np.divmod(then - now + k, per_event)
    chain = np.where((rest == 0) & (events >= 0), stats.poisson.pmf(events, mean), 0.0)
    chain[:, 0] = stats.poisson.cdf((k - np.arange(h)) // per_event, mean)
    return chain
