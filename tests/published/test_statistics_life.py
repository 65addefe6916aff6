"""Weibull life, recurrence and CUSUM run lengths against published examples and second libraries."""

import numpy as np
import pytest
from lifelines import NelsonAalenFitter, WeibullFitter
from scipy import stats

from pipeline.statistics.hazard_curve import hazard_curve
from pipeline.statistics.life import weibull_life
from pipeline.statistics.recurrence import mean_cumulative_function
from pipeline.statistics.watch import cusum
from tests.remission import RELAPSED, SIX_MP

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: ten failures, ten units censored at 500 h. Shape 1.7207,
# scale 606.5280 [public, second hand]; more digits by R, lifelines, reliability [two libraries].
NIST_FAILURES = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]

# W. Nelson, Applied Life Data Analysis (1982) p. 133: 70 engine fans, hours; + still running [public].
FANS = (
    "450 460+ 1150 1150 1560+ 1600 1660+ 1850+ 1850+ 1850+ 1850+ 1850+ 2030+ 2030+ 2030+ 2070 2070 2080 2200+"
)
FANS += " 3000+ 3000+ 3000+ 3000+ 3100 3200+ 3450 3750+ 3750+ 4150+ 4150+ 4150+ 4150+ 4300+ 4300+ 4300+ 4300+ 4600"
FANS += " 4850+ 4850+ 4850+ 4850+ 5000+ 5000+ 5000+ 6100+ 6100 6100+ 6100+ 6300+ 6450+ 6450+ 6700+ 7450+ 7800+ 7800+"
FANS += " 8100+ 8100+ 8200+ 8500+ 8500+ 8500+ 8750+ 8750 8750+ 9400+ 9900+ 10100+ 10100+ 10100+ 11500+"

# W. Nelson, Technometrics 37 (1995) 147-157: valve seats of 41 diesel engines, 48 replacements [public]: engine,
# days observed, days of replacement.
VALVE_SEATS = """
251:761 252:759 327:667:98 328:667:326,653,653 329:665 330:667:84 331:663:87 389:653:646 390:653:92 391:651
392:650:258,328,377,621 393:648:61,539 394:644:254,276,298,640 395:642:76,538 396:641:635 397:649:349,404,561
398:631 399:596 400:614:120,479 401:582:323,449 402:589:139,139 403:593 404:589:573 405:606:165,408,604
406:594:249 407:613:344,497 408:595:265,586 409:389:166,206,348 410:601 411:601:410,581 412:611 413:608 414:587
415:603:367 416:585:202,563,570 417:587 418:578 419:578 420:586 421:585 422:582
"""

# Mean cumulative function with robust standard error: R survfit and surpyval [two libraries]; no printed table seen.
MCF = [
    (61, 41, 0.024390, 0.024091),
    (139, 41, 0.219512, 0.073270),
    (258, 41, 0.390244, 0.090461),
    (404, 40, 0.683537, 0.135939),
    (581, 38, 0.984852, 0.171204),
    (604, 22, 1.059719, 0.185061),
    (646, 13, 1.320465, 0.228505),
    (653, 9, 1.542688, 0.311656),
]

# Mean run lengths of a Poisson CUSUM, without and with a head start of half the limit: printed example of a public
# package [public]; the last one agrees with R surveillance.
RUN_LENGTHS = [
    (1.88, 2, 6, 0, 37.2),
    (1.88, 2, 6, 3, 29.19),
    (1.88 + 0.9627 * 1.88**0.5, 2, 6, 0, 5.49),
    (1.88 + 0.9627 * 1.88**0.5, 2, 6, 3, 3.33),
    (1.88, 2, 7, 0, 50.45),
]


def read_fans():
    return np.array([(float(f.rstrip("+")), not f.endswith("+")) for f in FANS.split()]).T


def read_valve_seats():
    engines = [line.split(":") for line in VALVE_SEATS.split()]
    end = [float(engine[1]) for engine in engines]
    events = [
        (i, float(day)) for i, engine in enumerate(engines) if len(engine) > 2 for day in engine[2].split(",")
    ]
    unit, day = zip(*events, strict=True)
    return np.array(end), np.array(unit), np.array(day)


def test_nist_weibull():
    """Shape, scale, log-likelihood, standard errors (R: ln scale 0.2059439, ln shape 0.2918128), B10 and median."""
    fit = weibull_life(NIST_FAILURES + [500] * 10, [1] * 10 + [0] * 10)
    shape, scale = float(fit.shape.value[0]), float(fit.scale.value[0])
    assert (round(shape, 4), scale) == (pytest.approx(1.7207, abs=1.01e-4), pytest.approx(606.5280, abs=1e-3))
    assert (shape, scale) == pytest.approx((1.720797261, 606.527558), rel=2e-9)
    assert float(fit.log_likelihood[0]) == pytest.approx(-75.134618164, abs=1e-8)
    assert np.sqrt(fit.covariance[[0, 2], 0]) == pytest.approx(np.array([0.2918128, 0.2059439]), abs=6e-8)
    assert float(fit.b10.value[0]) == pytest.approx(164.0224, abs=6e-5)
    assert scale * np.log(2) ** (1 / shape) == pytest.approx(490.1738, abs=6e-5)


def test_engine_fans():
    """R 26296.845175, 1.058445850, -135.152719944; SAS prints 26.2968 kh, 1.0584 [recalled]; 95 % limits by
    reliability [one library]; constant rate 344440/12."""
    hours, failed = read_fans()
    assert (len(hours), failed.sum(), hours.sum()) == (70, 12, 344440)
    fit = weibull_life(hours, failed)
    assert (float(fit.scale.value[0]), float(fit.shape.value[0])) == pytest.approx(
        (26296.845175, 1.058445850), rel=1e-9
    )
    assert float(fit.log_likelihood[0]) == pytest.approx(-135.152719944, abs=6e-9)
    limits = [float(b[0]) for b in (fit.scale.low, fit.scale.high, fit.shape.low, fit.shape.high)]
    assert limits == pytest.approx([10552.07, 65534.45, 0.644082, 1.739386], rel=1e-6)
    rate = 12 / 344440
    constant = 12 * np.log(rate) - 12
    assert float(fit.p_constant[0]) == pytest.approx(
        stats.chi2.sf(2 * (-135.152719944 - constant), 1), rel=1e-6
    )
    assert fit.pattern()[0] == "unclear"


def test_6mp_and_control():
    """E. Freireich et al. (1963): R survreg on both arms [one library], in one grouped pass."""
    drug = [
        (6, 1),
        (6, 1),
        (6, 1),
        (6, 0),
        (7, 1),
        (9, 0),
        (10, 1),
        (10, 0),
        (11, 0),
        (13, 1),
        (16, 1),
        (17, 0),
    ]
    drug += [(19, 0), (20, 0), (22, 1), (23, 1), (25, 0), (32, 0), (32, 0), (34, 0), (35, 0)]
    control = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
    weeks, relapse = np.array(drug + [(t, 1) for t in control]).T
    fit = weibull_life(weeks, relapse, ["6-MP"] * 21 + ["control"] * 21)
    assert fit.scale.value == pytest.approx(np.array([33.765151, 9.482141]), abs=6e-7)
    assert fit.shape.value == pytest.approx(np.array([1.353735, 1.370500]), abs=6e-7)
    assert fit.log_likelihood == pytest.approx(np.array([-41.658678, -64.920108]), abs=6e-7)


def test_grouped_weibull_equals_lifelines():
    """Eight groups with late entry and survivors: lifelines one by one, to its own 1e-4."""
    rng = np.random.default_rng(83)
    group = np.repeat(np.arange(8), 400)
    life, entry = 5 * rng.weibull(0.8 + 0.2 * group), rng.uniform(0, 4, 3200) * (rng.random(3200) < 0.5)
    age = np.minimum(life, entry + 3)
    kept = life > entry
    fit = weibull_life(age[kept], (life == age)[kept], group[kept], entry[kept])
    for g in range(8):
        rows = kept & (group == g)
        other = WeibullFitter().fit(age[rows], (life == age)[rows], entry=entry[rows])
        assert (float(fit.shape.value[g]), float(fit.scale.value[g])) == pytest.approx(
            (other.rho_, other.lambda_), rel=1e-4
        )


@pytest.mark.parametrize(("day", "at_risk", "mean", "error"), MCF)
def test_valve_seats(day, at_risk, mean, error):
    """Replacements per engine with the robust (Lawless-Nadeau) standard error; engines that end on day 653 are
    at risk for the replacements of that day."""
    end, unit, when = read_valve_seats()
    assert (len(end), len(unit), end.sum()) == (41, 48, 25363)
    mcf = mean_cumulative_function(end, unit, when)
    row = int(np.flatnonzero(mcf.age == day)[0])
    assert float(mcf.n_at_risk[row]) == at_risk
    assert [float(mcf.mean[row]), float(mcf.standard_error[row])] == pytest.approx([mean, error], abs=6e-7)


def test_valve_seats_log_limits():
    """Log-transformed 95 % limits: surpyval prints the same [two libraries]."""
    mcf = mean_cumulative_function(*read_valve_seats())
    rows = [int(np.flatnonzero(mcf.age == day)[0]) for day in (404, 653)]
    want = np.array([[0.462891, 1.009358], [1.038286, 2.292129]])
    assert np.stack([mcf.low, mcf.high], axis=1)[rows] == pytest.approx(want, abs=6e-7)


@pytest.mark.parametrize(("mean", "k", "h", "head_start", "periods"), RUN_LENGTHS)
def test_cusum_run_lengths(mean, k, h, head_start, periods):
    """Simulated charts run as long as printed; a signal above the limit, not at it, would make 37.2 to 50.5."""
    rng = np.random.default_rng(109)
    signals = cusum(rng.poisson(mean, (10_000, 700)), k, h, head_start).is_signal
    assert signals.any(axis=1).all()
    assert np.mean(np.argmax(signals, axis=1) + 1) == pytest.approx(periods, rel=0.03)


def test_cusum_by_hand():
    """Ten counts [own calculation]."""
    got = cusum([1, 3, 0, 2, 5, 4, 2, 6, 1, 3], 2.885390, 5).value
    assert got[:8] == pytest.approx(
        np.array([0, 0.114610, 0, 0, 2.114610, 3.229220, 2.343830, 5.458440]), abs=6e-7
    )


def test_hazard_curve_equals_lifelines():
    """Nelson-Aalen with late entry, 6-MP weeks (Freireich et al. 1963) entered at half their time, against lifelines'
    NelsonAalenFitter; tied deaths not spread out there with `nelson_aalen_smoothing=False`."""
    weeks, died = np.array(SIX_MP, float), np.array(RELAPSED)
    entry = np.floor(weeks / 2) * (np.arange(21) % 2)
    other = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(weeks, died, entry=entry)
    curve = hazard_curve(weeks, died, None, entry)
    assert curve.hazard == pytest.approx(other.cumulative_hazard_.loc[curve.age].iloc[:, 0].to_numpy())
