"""How does the negative binomial likelihood change with its dispersion? Exact down to dispersion 0.

Written with digamma the score loses all digits as the dispersion nears 0, where it decides whether a group
is over-dispersed at all; here each part keeps nearly full precision over the whole range.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from pipeline.statistics.grouping import Floats

#: Below this dispersion Euler-Maclaurin is exact to 1e-14 and digamma is not.
_SMALL = 0.05
#: B(2k) / (2k) for k = 1..5: the Bernoulli numbers of the Euler-Maclaurin sum.
_BERNOULLI = (1 / 12, -1 / 120, 1 / 252, -1 / 240, 1 / 132)


def dispersion_score(dispersion: Floats, x: Floats, mu: Floats) -> Floats:
    """Differentiate the log-likelihood of each count by the dispersion.

    Parameters
    ----------
    dispersion : (n,) [1], >= 0: variance = mu + dispersion mu^2.
    x : (n,) counts [1], >= 0.
    mu : (n,) expected counts [1], > 0.

    Returns
    -------
    (n,) score: sum over j < x of j/(1 + f j) + ln(1 + f mu)/f^2 - (x + 1/f) mu/(1 + f mu), f the dispersion;
    at f = 0 it is ((x - mu)^2 - x)/2.

    Notes
    -----
    Source: J. F. Lawless, Negative binomial and mixed Poisson regression, Canad. J. Statist. 15 (1987) 209-225.

    >>> dispersion_score(np.array([0.0]), np.array([3.0]), np.array([2.0])).tolist()
    [-1.0]
    """
    return _rising_part(dispersion, x) + mu**2 * _log_part(dispersion * mu) - x * mu / (1 + dispersion * mu)


def log_likelihood(dispersion: Floats, x: Floats, mu: Floats) -> Floats:
    """Log-likelihood of each count without the terms that hold neither dispersion nor mu.

    Parameters and range as in `dispersion_score`; dispersion 0 is the Poisson limit.

    >>> log_likelihood(np.array([0.0]), np.array([3.0]), np.array([1.0])).tolist()
    [-1.0]
    """
    f = np.where(dispersion > 0, dispersion, 1.0)
    a = 1.0 / f
    mixed = special.gammaln(x + a) - special.gammaln(a) + x * np.log(f) - (x + a) * np.log1p(f * mu)
    # ln Gamma(x + a) - ln Gamma(a) cancels for large a; there the rising product is summed by its integral.
    near_poisson = (
        _log_rising(dispersion, x) - x * np.log1p(dispersion * mu) - mu * _log1p_ratio(dispersion * mu)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(dispersion > _SMALL, mixed, near_poisson) + np.where(x > 0, x * np.log(mu), 0.0)


def _rising_part(f: Floats, x: Floats) -> Floats:
    """Sum over j < x of j / (1 + f j)."""
    small = f <= _SMALL
    g = np.where(small, 1.0, f)
    large_value = x / g - (special.digamma(x + 1 / g) - special.digamma(1 / g)) / g**2
    u = f * x
    end = 1.0 / (1.0 + u)
    total = x**2 * _integral_part(u) - 0.5 * x * end
    for k, b in enumerate(_BERNOULLI, start=1):
        total = total + b * np.where(small, f, 0.0) ** (2 * k - 2) * (end ** (2 * k) - 1.0)
    return np.where(small, total, large_value)


def _log_rising(f: Floats, x: Floats) -> Floats:
    """Sum over j < x of ln(1 + f j), for small f."""
    u = f * x
    end = 1.0 / (1.0 + u)
    integral = x * ((1 + u) * _log1p_ratio(u) - 1.0)
    total = integral - 0.5 * np.log1p(u)
    for k, b in enumerate(_BERNOULLI, start=1):
        total = total + b / (2 * k - 1) * np.where(f <= _SMALL, f, 0.0) ** (2 * k - 1) * (
            end ** (2 * k - 1) - 1.0
        )
    return total


def _integral_part(u: Floats) -> Floats:
    """(u - ln(1+u)) / u^2, which is 1/2 at 0."""
    near = np.where(u > 0.05, 0.0, u)
    series = sum((-near) ** k / (k + 2) for k in range(14))
    safe = np.where(u > 0.05, u, 1.0)
    return np.where(u > 0.05, (safe - np.log1p(safe)) / safe**2, series)


def _log_part(u: Floats) -> Floats:
    """(ln(1+u) - u/(1+u)) / u^2, which is 1/2 at 0."""
    near = np.where(u > 0.05, 0.0, u)
    series = sum((-near) ** k * (k + 1) / (k + 2) for k in range(14))
    safe = np.where(u > 0.05, u, 1.0)
    return np.where(u > 0.05, (np.log1p(safe) - safe / (1 + safe)) / safe**2, series)


def _log1p_ratio(u: Floats) -> Floats:
    """ln(1+u) / u, which is 1 at 0."""
    safe = np.where(u > 0, u, 1.0)
    return np.where(u > 0, np.log1p(safe) / safe, 1.0)
