"""Current status: the turbine wheels of W. Nelson, Applied Life Data Analysis (1982), p. 409.

432 wheels, each inspected once for a crack; data as carried by SAS and R ("turbine"). The lognormal fit is that of
R's survreg (mu 3.699908, sigma 0.719886, log-likelihood not compared).
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.statistics.current_status import isotonic_shares, ratio_limit, status_quantiles
from pipeline.statistics.status_curve import status_curves

HOURS = (4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46)
CRACKED = (0, 4, 2, 7, 5, 9, 9, 6, 22, 21, 21)
INSPECTED = (39, 53, 33, 73, 30, 39, 42, 13, 34, 40, 36)
SHARES = (
    0,
    0.069767,
    0.069767,
    0.095890,
    0.166667,
    0.222222,
    0.222222,
    0.461538,
    0.581081,
    0.581081,
    0.583333,
)


def test_the_nonparametric_estimate_is_the_isotonic_regression() -> None:
    """Levels of the pool-adjacent-violators solution of the wheels."""
    assert isotonic_shares(CRACKED, INSPECTED) == pytest.approx(SHARES, abs=1e-6)


def test_quantiles_are_where_the_isotonic_curve_first_reaches_them() -> None:
    """0.2 is first reached at 26 (hundred) hours, 0.5 at 38; 0.9 is not reached."""
    found = status_quantiles(HOURS, CRACKED, INSPECTED, shares=(0.2, 0.5, 0.9))
    assert found.size.value[0, :2].tolist() == [26, 38]
    assert np.isnan(found.size.value[0, 2])
    assert "not reached" in found.reason[0, 2]
    assert (found.n[0], found.n_shows[0]) == (432, 106)


def test_the_lognormal_curve_of_one_group_is_maximum_likelihood() -> None:
    """R survreg on the same left- and right-censored wheels: mu 3.699908 (se 0.070834), sigma 0.719886."""
    fit = status_curves(HOURS, CRACKED, INSPECTED)
    a, b = fit.coefficient[0]
    assert fit.center - a / b == pytest.approx(3.699908, abs=2e-5)
    assert 1 / b == pytest.approx(0.719886, abs=2e-5)
    median = fit.quantile([0.5])
    se = np.log(median.high / median.low)[0, 0] / (2 * 1.959964)
    assert se == pytest.approx(0.070834, rel=0.02)  # expected information here, observed information in R


def test_the_limit_of_the_likelihood_ratio() -> None:
    """M. Banerjee, J. A. Wellner, Ann. Stat. 29 (2001): 2.26916 at 95 % (recalled from memory)."""
    assert ratio_limit(0.95) == 2.26916
    assert ratio_limit(0.9) < ratio_limit(0.92) < ratio_limit(0.95)
