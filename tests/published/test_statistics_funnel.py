"""Over-dispersion against published formulas and a meta-analysis."""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.statistics.funnel import over_dispersion

# Six units of the test data of a public R package; phi and tau^2 by numpy, quantile type 7 [one computation].
OBSERVED = np.array([100, 150, 180, 80, 120, 225.0])
EXPECTED = np.array([108, 112, 165, 95, 100, 220.0])
PEARSON = (OBSERVED - EXPECTED) / np.sqrt(EXPECTED)
SQUARE_ROOT = 2 * (np.sqrt(OBSERVED) - np.sqrt(EXPECTED))
LOGARITHM = np.sqrt(EXPECTED) * np.log(OBSERVED / EXPECTED)
DISPERSION = [
    (PEARSON, EXPECTED, 0.0, 3.555191, 0.025070),
    (PEARSON, EXPECTED, 0.1, 2.536057, 0.015683),
    (SQUARE_ROOT, 4 * EXPECTED, 0.0, 3.222418, 0.005501),
    (SQUARE_ROOT, 4 * EXPECTED, 0.1, 2.327178, 0.003440),
    (LOGARITHM, EXPECTED, 0.0, 2.948033, 0.019478),
]

# G. Colditz et al., JAMA 271 (1994) 698-702: BCG vaccine, 13 trials (cases and others, vaccinated and not).
BCG = np.array(
    [
        [4, 119, 11, 128],
        [6, 300, 29, 274],
        [3, 228, 11, 209],
        [62, 13536, 248, 12619],
        [33, 5036, 47, 5761],
        [180, 1361, 372, 1079],
        [8, 2537, 10, 619],
        [505, 87886, 499, 87892],
        [29, 7470, 45, 7232],
        [17, 1699, 65, 1600],
        [186, 50448, 141, 27197],
        [5, 2493, 3, 2338],
        [27, 16886, 29, 17825],
    ],
    float,
)


@pytest.mark.parametrize(("z", "weights", "winsorised", "phi", "tau2"), DISPERSION)
def test_dispersion_of_six_units(z, weights, winsorised, phi, tau2):
    """phi and tau^2 of three transformations, with and without winsorising."""
    got = over_dispersion(z, weights, winsorised)
    assert (got.phi, got.tau2) == pytest.approx((phi, tau2), abs=6e-7)


def test_tau2_is_dersimonian_laird_of_the_bcg_trials():
    """About the weighted mean tau^2 is the meta-analyst's: Q 152.2330 [public test file], tau^2 0.308760
    [two computations]; statsmodels' DerSimonian-Laird agrees."""
    n1, n2 = BCG[:, 0] + BCG[:, 1], BCG[:, 2] + BCG[:, 3]
    y = np.log(BCG[:, 0] / n1 * n2 / BCG[:, 2])
    variance = 1 / BCG[:, 0] - 1 / n1 + 1 / BCG[:, 2] - 1 / n2
    w = 1 / variance
    got = over_dispersion((y - (w * y).sum() / w.sum()) * np.sqrt(w), w, winsorised=0.0)
    assert got.phi * 13 == pytest.approx(152.233008, abs=6e-7)
    assert got.phi == pytest.approx(11.710231, abs=6e-7)
    assert got.tau2 == pytest.approx(0.308760, abs=6e-7)
    assert got.tau2 == pytest.approx(combine_effects(y, variance, method_re="dl").tau2, rel=1e-9)
