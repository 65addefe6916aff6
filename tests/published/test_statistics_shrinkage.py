"""Gamma-Poisson empirical Bayes against published examples and statsmodels."""

import numpy as np
import pytest
from scipy import optimize, special, stats
from statsmodels.discrete.discrete_model import NegativeBinomial

from pipeline.statistics.shrinkage import gamma_poisson

# D. Gaver, I. O'Muircheartaigh, Technometrics 29 (1987) 1-15: ten pumps, failures and thousand hours [public
# text, ten copies]; fit by scipy [two libraries with statsmodels on the 4-digit exposures].
PUMP_FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
PUMP_KH = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
PUMP_KH_4 = [94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48]


def test_claims_of_efron_and_hastie():
    """B. Efron, T. Hastie, Computer Age Statistical Inference (2016) Table 6.1: counts [public text], nu 0.70,
    sigma 0.31, posterior means .164 .398 .633 .87 1.10 1.34 1.57 [recalled]; 6 digits by scipy."""
    claims = np.repeat(np.arange(8), [7840, 1317, 239, 42, 14, 4, 4, 1])
    fit = gamma_poisson(claims, np.ones(len(claims)))
    assert float(fit.shape[0]) == pytest.approx(0.701512, abs=6e-7)
    assert float(1 / fit.rate[0]) == pytest.approx(0.305559, abs=6e-7)
    means = [float(fit.mean[claims == k][0]) for k in range(7)]
    assert means == pytest.approx([0.1642, 0.3982, 0.6323, 0.8663, 1.1004, 1.3344, 1.5685], abs=6e-5)
    likelihood = stats.nbinom.logpmf(claims, fit.shape[0], fit.rate[0] / (fit.rate[0] + 1)).sum()
    assert likelihood == pytest.approx(-5348.039960, abs=6e-7)


def test_pumps():
    """Shape, rate, ten shrunk rates, and the posterior limits of pumps 1, 2 and 10."""
    fit = gamma_poisson(PUMP_FAILURES, PUMP_KH)
    assert (float(fit.shape[0]), float(fit.rate[0])) == pytest.approx((0.822965, 1.261653), abs=6e-7)
    want = [0.0609, 0.1075, 0.0908, 0.1165, 0.5880, 0.6069, 0.7886, 0.7886, 1.4347, 1.9405]
    assert fit.mean == pytest.approx(np.array(want), abs=6e-5)
    limits = np.stack([fit.low, fit.high], axis=1)[[0, 1, 9]]
    assert limits == pytest.approx(np.array([[0.0219, 0.1195], [0.0112, 0.3102], [1.2277, 2.8138]]), abs=6e-5)
    t = np.array(PUMP_KH)
    likelihood = stats.nbinom.logpmf(PUMP_FAILURES, fit.shape[0], fit.rate[0] / (fit.rate[0] + t)).sum()
    assert likelihood == pytest.approx(-32.257836, abs=6e-7)


def test_pumps_equal_statsmodels():
    """With 4-digit exposures: statsmodels' NB2 regression with offset has the same shape and mean."""
    fit = gamma_poisson(PUMP_FAILURES, PUMP_KH_4)
    assert (float(fit.shape[0]), float(fit.rate[0])) == pytest.approx((0.822269, 1.258955), abs=2e-6)
    model = NegativeBinomial(PUMP_FAILURES, np.ones((10, 1)), loglike_method="nb2", offset=np.log(PUMP_KH_4))
    const, alpha = model.fit(disp=0, maxiter=500).params
    assert (float(fit.shape[0]), float(fit.rate[0])) == pytest.approx(
        (1 / alpha, 1 / alpha / np.exp(const)), rel=1e-4
    )


def test_gradient_is_zero_and_bounds_match_an_independent_optimum():
    """A direct maximization in (ln shape, ln rate), polished on the digamma gradient, agrees to 1e-8."""
    rng = np.random.default_rng(11)
    t = rng.uniform(0.3, 60, 40)
    x = rng.poisson(rng.gamma(1.4, 0.09, 40) * t)

    def gradient(log_params):
        a, b = np.exp(log_params)
        by_a = special.digamma(x + a) - special.digamma(a) + np.log(b) - np.log(b + t)
        by_b = a / b - (x + a) / (b + t)
        return [a * by_a.sum(), b * by_b.sum()]

    root = optimize.root(gradient, [0.0, 2.0], tol=1e-14)
    a, b = np.exp(root.x)
    fit = gamma_poisson(x, t)
    assert float(fit.shape[0]) == pytest.approx(a, rel=1e-8)
    assert float(fit.rate[0]) == pytest.approx(b, rel=1e-8)
    assert fit.low == pytest.approx(stats.gamma.ppf(0.025, x + a, scale=1 / (t + b)), rel=1e-8)
    assert fit.high == pytest.approx(stats.gamma.ppf(0.975, x + a, scale=1 / (t + b)), rel=1e-8)
