"""Interval-censored sizes against published examples, closed forms and surpyval."""

from itertools import pairwise

import numpy as np
import pytest
import surpyval
from lifelines import KaplanMeierFitter
from scipy import optimize, stats

from pipeline.statistics.censored_sizes import median, share_over, size_distribution
from pipeline.statistics.lognormal import lognormal_fit

INF = np.inf

# D. Finkelstein, R. Wolfe, Biometrics 41 (1985) 933-945, Table 4: months to cosmetic deterioration, (L, R].
RT = [
    (0, 5),
    (0, 7),
    (0, 8),
    (4, 11),
    (5, 11),
    (5, 12),
    (6, 10),
    (7, 14),
    (7, 16),
    (11, 15),
    (11, 18),
    (17, 25),
]
RT += [(17, 25), (18, 26), (19, 35), (25, 37), (26, 40), (27, 34), (36, 44), (36, 48), (37, 44)]
RT += [(a, INF) for a in (15, 17, 18, 22, 24, 24, 32, 33, 34, 36, 36, 37, 37, 37, 38, 40, 45)] + [
    (46, INF)
] * 8
RCT = [(8, 12), (0, 5), (30, 34), (0, 22), (5, 8), (24, 31), (12, 20), (10, 17), (17, 27), (8, 21), (17, 23)]
RCT += [
    (33, 40),
    (4, 9),
    (24, 30),
    (16, 24),
    (13, 39),
    (14, 19),
    (19, 32),
    (4, 8),
    (11, 13),
    (16, 20),
    (30, 36),
]
RCT += [(18, 25), (16, 24), (18, 24), (17, 26), (16, 60), (15, 22), (35, 39), (11, 17), (44, 48), (22, 32)]
RCT += [(11, 20), (14, 17), (10, 35)] + [
    (a, INF) for a in (13, 11, 31, 11, 13, 34, 34, 13, 35, 32, 23, 21, 48)
]

# Masses: own EM with optimality check, surpyval, R [two libraries]; RT curve 0.954 0.920 0.832 0.761 0.668 0.586
# 0.467 in J. Klein, M. Moeschberger, example 5.2 [recalled].
RT_MASS = {(4, 5): 0.046347, (6, 7): 0.033363, (7, 8): 0.088667, (11, 12): 0.070753, (24, 25): 0.092646}
RT_MASS |= {(33, 34): 0.081786, (38, 40): 0.120880, (46, 48): 0.465558}
RCT_MASS = {(4, 5): 0.043283, (5, 8): 0.043283, (11, 12): 0.069206, (16, 17): 0.145398, (18, 19): 0.141095}
RCT_MASS |= {
    (19, 20): 0.115746,
    (24, 25): 0.099865,
    (30, 31): 0.070881,
    (35, 36): 0.160831,
    (44, 48): 0.055206,
}
RCT_MASS |= {(48, 60): 0.055206}

# W. Nelson, Applied Life Data Analysis (1982) p. 409: 432 turbine wheels, each inspected once [public].
HOURS = np.array([4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46.0])
CRACKED = np.array([0, 4, 2, 7, 5, 9, 9, 6, 22, 21, 21.0])
WHEELS = np.array([39, 53, 33, 73, 30, 39, 42, 13, 34, 40, 36.0])

# W. Nelson (1982) p. 415: 167 turbine parts on one inspection schedule [public].
ENDS = [0, 6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48, INF]
PARTS = [5, 16, 12, 18, 18, 2, 6, 17, 73]

# Censored lognormal: R survreg [two or more libraries]. mu, sigma, log-likelihood, se mu, se ln sigma.
LOGNORMAL = {
    "parts": (4.026854, 0.998525, -311.914784, 0.089975, 0.087308),
    "wheels": (3.699908, 0.719886, -190.731549, 0.070834, 0.123185),
    "RT": (3.749886, 1.308630, -64.586933, 0.252779, 0.193114),
    "RCT": (3.081584, 0.630475, -76.550983, 0.100007, 0.131139),
}


def binomial_ratio_bounds(k, n, level=0.95):
    """All p with 2 (l(k/n) - l(p)) <= chi2: the closed form of our bounds when every size is known."""
    limit = stats.chi2.ppf(level, 1)

    def excess(p):
        return 2 * (stats.binom.logpmf(k, n, k / n) - stats.binom.logpmf(k, n, p)) - limit

    low = 0.0 if k == 0 else optimize.brentq(excess, 1e-12, k / n)
    return low, 1.0 if k == n else optimize.brentq(excess, k / n, 1 - 1e-12)


@pytest.mark.parametrize(
    ("data", "want", "value"), [(RT, RT_MASS, -58.06002195), (RCT, RCT_MASS, -65.63696491)]
)
def test_breast_cosmesis_masses(data, want, value):
    """Masses of the innermost intervals, the log-likelihood, and the certificate."""
    sizes = size_distribution(*np.array(data, float).T)
    got = {
        (int(a), int(b)): m for a, b, m in zip(sizes.left, sizes.right, sizes.mass, strict=True) if m > 1e-6
    }
    assert set(got) == set(want)
    assert [got[k] for k in want] == pytest.approx(list(want.values()), abs=6e-7)
    assert sizes.log_likelihood == pytest.approx(value, abs=6e-9)
    assert sizes.gap < 1e-9


def test_certificate_holds_at_every_possible_interval():
    """Karush-Kuhn-Tucker, computed here from the definition: no interval would gain by having more mass."""
    low, high = np.array(RCT, float).T
    sizes = size_distribution(low, high)
    inside = (low[:, None] <= sizes.left) & (sizes.right <= high[:, None])
    probability = inside @ sizes.mass
    points = np.unique(np.concatenate([low, high[np.isfinite(high)]]))
    for a, b in pairwise(points):
        covers = (low <= a) & (b <= high)
        assert (covers / probability).sum() <= len(low) * (1 + 1e-9)
    assert (inside / probability[:, None]).sum(axis=0) == pytest.approx(
        np.full(len(sizes.mass), len(low)), rel=1e-9
    )


def test_published_rt_curve():
    """S after each interval, to the digits of Klein and Moeschberger [recalled]."""
    sizes = size_distribution(*np.array(RT, float).T)
    want = [0.954, 0.920, 0.832, 0.761, 0.668, 0.586, 0.466]
    assert (1 - sizes.share_at_most)[:7] == pytest.approx(np.array(want), abs=6e-4)


def test_surpyval_agrees():
    """surpyval's Turnbull with the Kaplan-Meier option (its default is another estimator)."""
    low, high = np.array(RT, float).T
    other = surpyval.Turnbull.fit(xl=low, xr=high, turnbull_estimator="Kaplan-Meier")
    sizes = size_distribution(low, high)
    at = [5, 7, 8, 12, 25, 34, 40]
    ours = [1 - float(sizes.mass[sizes.right <= x].sum()) for x in at]
    assert ours == pytest.approx([float(other.sf([x])[0]) for x in at], abs=5e-6)


def test_lifelines_treats_intervals_as_closed():
    """The trap that keeps lifelines out of this estimate: with shared ends its curve is another one, and
    equals ours once every lower end is nudged upward."""
    low, high = np.array(RT, float).T

    def after_44(lower):
        return float(
            KaplanMeierFitter()
            .fit_interval_censoring(lower, high, tol=1e-9)
            .survival_function_.iloc[:, 0][44]
        )

    ours = 1 - float(size_distribution(low, high).share_at_most[-2])
    assert after_44(low) == pytest.approx(0.4600, abs=5e-4)
    assert after_44(np.where(low > 0, low + 1e-9, 0)) == pytest.approx(ours, abs=1e-5)


def test_turbine_wheels_are_isotonic_regression():
    """Seen once against a threshold: the NPMLE is the pooled-adjacent-violators fit (scipy), to 1e-6."""
    low, high = np.concatenate([0 * HOURS, HOURS]), np.concatenate([HOURS, INF * HOURS])
    sizes = size_distribution(low, high, np.concatenate([CRACKED, WHEELS - CRACKED]))
    want = [
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
    ]
    got = np.array([float(sizes.mass[sizes.right <= h].sum()) for h in HOURS])
    assert got == pytest.approx(np.array(want), abs=6e-7)
    assert got == pytest.approx(optimize.isotonic_regression(CRACKED / WHEELS, weights=WHEELS).x, abs=1e-9)


def test_turbine_parts_closed_form():
    """On one schedule F is the cumulative share; its bounds are the binomial likelihood-ratio bounds."""
    sizes = size_distribution(ENDS[:-1], ENDS[1:], PARTS)
    want = [0.029940, 0.125749, 0.197605, 0.305389, 0.413174, 0.425150, 0.461078, 0.562874]
    assert sizes.share_at_most[:8] == pytest.approx(np.array(want), abs=6e-7)
    bounds = np.array([binomial_ratio_bounds(k, 167) for k in np.cumsum(PARTS)[:8]])
    assert sizes.low[:8] == pytest.approx(bounds[:, 0], abs=1e-6)
    assert sizes.high[:8] == pytest.approx(bounds[:, 1], abs=1e-6)


def test_known_sizes_have_binomial_bounds_and_the_order_statistics_median():
    """Forty known sizes: share over each, and the median between the 20th and 21st."""
    x = np.arange(1.0, 41.0)
    sizes = size_distribution(x, x)
    for k in (1, 5, 20, 39):
        share = share_over(sizes, float(k))
        low, high = binomial_ratio_bounds(40 - k, 40)
        assert tuple(share[:3]) == pytest.approx((1 - k / 40, low, high), abs=1e-6)
    middle = median(sizes)
    inside = [
        k for k in range(1, 40) if binomial_ratio_bounds(k, 40)[1] >= 0.5 >= binomial_ratio_bounds(k, 40)[0]
    ]
    assert middle.value == pytest.approx(20.5)
    assert (middle.low, middle.high) == pytest.approx((inside[0], inside[-1] + 1), abs=1e-9)


def lognormal_data(name):
    if name == "parts":
        return np.array(ENDS[:-1]), np.array(ENDS[1:]), np.array(PARTS, float)
    if name == "wheels":
        low, high = np.concatenate([0 * HOURS, HOURS]), np.concatenate([HOURS, INF * HOURS])
        return low, high, np.concatenate([CRACKED, WHEELS - CRACKED])
    low, high = np.array(RT if name == "RT" else RCT, float).T
    return low, high, np.ones(len(low))


@pytest.mark.parametrize("name", LOGNORMAL)
def test_censored_lognormal(name):
    """mu, sigma, log-likelihood and standard errors of R survreg, read back from our bounds."""
    mu, sigma, value, se_mu, se_log_sigma = LOGNORMAL[name]
    fit = lognormal_fit(*lognormal_data(name))
    assert float(fit.mu[0]) == pytest.approx(mu, abs=6e-7)
    assert float(fit.sigma.value[0]) == pytest.approx(sigma, abs=6e-7)
    assert float(fit.log_likelihood[0]) == pytest.approx(value, abs=6e-7)
    z2 = 2 * stats.norm.ppf(0.975)
    assert float(np.log(fit.median.high / fit.median.low)[0]) / z2 == pytest.approx(se_mu, abs=6e-7)
    assert float(np.log(fit.sigma.high / fit.sigma.low)[0]) / z2 == pytest.approx(se_log_sigma, abs=6e-7)


def test_four_lognormals_in_one_pass():
    """Grouped, the four fits are what they are alone."""
    parts = [lognormal_data(name) for name in LOGNORMAL]
    labels = np.repeat(list(LOGNORMAL), [len(p[0]) for p in parts])
    fit = lognormal_fit(*(np.concatenate(column) for column in zip(*parts, strict=True)), groups=labels)
    got = dict(zip(fit.groups.tolist(), fit.mu.tolist(), strict=True))
    assert [got[k] for k in LOGNORMAL] == pytest.approx([v[0] for v in LOGNORMAL.values()], abs=6e-7)
