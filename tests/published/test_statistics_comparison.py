"""Tests of rates and false-discovery rates against published examples and scipy."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline.statistics.comparison import benjamini_hochberg, conditional_rate_test

# Y. Benjamini, Y. Hochberg, JRSS B 57 (1995) 289-300, section 4.1 [recalled]; adjusted values by statsmodels
# and scipy [two libraries].
P_1995 = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
]
P_1995 += [0.7590, 1.0]
Q_1995 = [
    0.0015,
    0.0030,
    0.0095,
    0.035625,
    0.0603,
    0.063857,
    0.063857,
    0.0645,
    0.0765,
    0.486,
    0.581182,
    0.714875,
]
Q_1995 += [0.753231, 0.813214, 1.0]


def test_two_rates_of_gu_et_al():
    """K. Gu et al., Biometrical Journal 50 (2008) 283-298: 60/51477.5 against 30/54308.7 [recalled];
    exact conditional p by statsmodels [one library]."""
    p = conditional_rate_test([60], [51477.5], [30], [54308.7])
    assert float(p[0]) == pytest.approx(0.000675183, abs=6e-10)


def test_conditional_test_is_scipys_binomtest():
    """Vectorized, it equals scipy.stats.binomtest to 1e-12 on 1500 pairs, ties and extremes among them."""
    rng = np.random.default_rng(3)
    x = np.concatenate([rng.integers(0, 60, 1200), rng.integers(0, 4, 200), rng.integers(0, 3000, 100)])
    rest = np.concatenate([rng.integers(0, 400, 1200), rng.integers(0, 4, 200), rng.integers(0, 3000, 100)])
    t = np.where(rng.random(1500) < 0.3, 1.0, rng.uniform(0.1, 80, 1500))
    t_rest = np.where(rng.random(1500) < 0.3, 1.0, rng.uniform(0.1, 400, 1500))
    x[x + rest == 0] = 1
    got = conditional_rate_test(x, t, rest, t_rest)
    want = [
        stats.binomtest(int(k), int(k + r), a / (a + b)).pvalue
        for k, r, a, b in zip(x, rest, t, t_rest, strict=True)
    ]
    assert got == pytest.approx(np.array(want), rel=1e-12, abs=1e-300)


def test_benjamini_hochberg_1995():
    """The 15 p-values of the paper: 4 findings at 0.05, where Bonferroni has 3."""
    q = benjamini_hochberg(P_1995)
    assert q == pytest.approx(np.array(Q_1995), abs=6e-7)
    assert int((q <= 0.05).sum()) == 4
    assert int((np.array(P_1995) * 15 <= 0.05).sum()) == 3


def test_benjamini_hochberg_is_statsmodels():
    """Ties and any order: equal to statsmodels' fdr_bh."""
    p = np.random.default_rng(5).random(300).round(2)
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)
