"""An independent computation of alarms: months counted and expected, and the evidence of a raised level.

Written from DEVELOPERS.md ("Alarms") and the definition on the page; numpy alone. Only the spread between models is
not computed anew: it is read back from the levels that the table itself shows, and must be the same in all months.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import optimize

from tests.end_to_end.oracle import YEAR_DAYS, Window
from tests.end_to_end.oracle_life import Lived, weibull

CHANCE, RATIO, HEAD_START = 0.05, 2.0, 0.25


def months_of(window: Window) -> list[pd.Timestamp]:
    """List the first days of the window's months, and that of the month after."""
    last = window.last.replace(day=1) + pd.offsets.MonthBegin(1)
    return list(pd.date_range(window.first.replace(day=1), last, freq="MS"))


def limit(n_charts: int, n_months: int) -> float:
    """Solve (months + head start) charts / limit = chance for the logarithm of the limit."""
    return optimize.brentq(
        lambda x: n_charts * (n_months + math.exp(HEAD_START * x)) * math.exp(-x) - CHANCE, 1, 60
    )


def months_counted(mine: Lived, everyone: Lived, months: list[pd.Timestamp]) -> tuple[np.ndarray, np.ndarray]:
    """Count the failures of one part of one model by month, and expect them by the life over all models."""
    edges = np.array([m.toordinal() for m in months], float)
    observed, expected = np.zeros(len(months) - 1), np.zeros(len(months) - 1)
    fit = weibull(everyone.stretches())
    for (born, *_, failed), (entry, leave, _) in zip(mine.dated, mine.stretches(), strict=True):
        ages = np.clip(edges - born.toordinal(), entry, leave)
        if fit:
            k, scale = math.exp(fit.log_shape), math.exp(fit.log_scale) * YEAR_DAYS
            expected += np.diff((ages / scale) ** k)
        if failed:
            observed[np.searchsorted(edges, math.floor(leave) + born.toordinal(), "right") - 1] += 1
    return observed, expected


def spread(observed: np.ndarray, expected: np.ndarray, told: np.ndarray) -> float:
    """Read the prior's shape back from a month whose level is told: level = (shape + count) / (shape + expected)."""
    before = np.r_[0, observed.cumsum()[:-1]], np.r_[0, expected.cumsum()[:-1]]
    level = told / expected
    i = int(np.nanargmax(np.abs(np.log(level))))
    return float((before[0][i] - level[i] * before[1][i]) / (level[i] - 1))


def evidence(observed: np.ndarray, expected: np.ndarray, shape: float, most: float) -> pd.DataFrame:
    """Give each month's expectation with the level learned from earlier ones, and the CUSUM of the likelihood ratio.

    Counts are negative binomial given the earlier months; a raised level is RATIO times as high.
    """
    rows, a, b, sum_ = [], shape, shape, HEAD_START * most
    before, seen, led_to = (a, b), 0.0, 0.0
    for n, e in zip(observed, expected, strict=True):
        gain = n * math.log(RATIO) + (a + n) * math.log((b + e) / (b + RATIO * e))
        sum_ = max(0.0, sum_) + gain
        seen, led_to = seen + n, led_to + e * before[0] / before[1]
        rises = sum_ > 0
        rows.append((e * a / b, max(0.0, sum_), seen if rises else math.nan, led_to if rises else math.nan))
        a, b = a + n, b + e
        if not rises or sum_ >= most:
            before, seen, led_to = (a, b), 0.0, 0.0
        sum_ = HEAD_START * most if sum_ >= most else sum_
    return pd.DataFrame(rows, columns=["expected", "evidence", "observed_since", "expected_since"])
