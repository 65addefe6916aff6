"""The inspection programs' pressure (integrity) test (14 inches of water, 8 after two minutes) and cap limit.

Source: the 14 / 8 / 2-minute numbers are those of 40 CFR 51.357 as published in 57 FR 52950 (1992), from
memory; a manufacturer bulletin of 2000 that quotes EPA guidance says "loses more than 6 from a stabilized
14 +/- 1". The two wordings differ at the boundary, so the wording and the tolerance are parameters. Fuel cap:
40 CFR 1066.985(d)(10), read in a public mirror of the eCFR. That the ceiling of 26 is for safety is our reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from pipeline.standards.units import convert

#: [Pa] sums of floating numbers at a boundary differ by less than this
_ROUNDING_PA = 1e-6

#: [s] a source is closed by hand, and between two samples, as it is let go (judgement)
LEAST_SLACK_S, MOST_SLACK_S = 1.0, 2.0

#: [kPa] pressure of the cap test, and [cm3/min at standard conditions] the leak it may have at that pressure
CAP_TEST_KPA = 7.5
CAP_LIMIT_CC_MIN = 60.0


@dataclass(frozen=True)
class PressureCriterion:
    """What the test asks, in inches of water (conventional, 249.0889 Pa) and seconds.

    `wording`: "above_floor" fails when the pressure is not above `floor_inh2o`; "loss" fails when more than
    `loss_inh2o` of the start pressure is lost.
    """

    start_inh2o: float = 14.0
    tolerance_inh2o: float = 0.5
    floor_inh2o: float = 8.0
    loss_inh2o: float = 6.0
    ceiling_inh2o: float = 26.0
    hold_s: float = 120.0
    wording: Literal["above_floor", "loss"] = "above_floor"

    def __str__(self) -> str:
        """Say what is asked, in words."""
        within = f"{self.hold_s / 60:g} minutes" if self.hold_s % 60 == 0 else f"{self.hold_s:g} s"
        asked = (
            f"still above {self.floor_inh2o:g} after {within}"
            if self.wording == "above_floor"
            else f"no more than {self.loss_inh2o:g} lost in {within}"
        )
        return f"{self.start_inh2o:g} ± {self.tolerance_inh2o:g} in of water, {asked}"


@dataclass(frozen=True)
class PressureVerdict:
    """`verdict`: pass, fail, invalid (not run as the rule asks) or no_verdict (too short to pass); `reason`: a sentence
    with what was asked and what was read; `start_pa`: the pressure when the source was closed [Pa]."""

    verdict: Literal["pass", "fail", "invalid", "no_verdict"]
    reason: str
    start_pa: float


def judge_pressure_test(
    t_s: np.ndarray, tank_pressure_pa: np.ndarray, criterion: PressureCriterion | None = None
) -> PressureVerdict:
    """Judge one decay recording that begins when the source is closed.

    A fail stands as soon as the limit is crossed; a pass needs the whole time, but for what passes before the first
    sample and after the last one: LEAST_SLACK_S or two intervals between samples, and no more than MOST_SLACK_S.

    Parameters
    ----------
    t_s : shape (n,), [s], ascending
    tank_pressure_pa : shape (n,), [Pa], gauge

    Raises
    ------
    ValueError : no samples, unequal lengths, a missing value, or time that does not increase.

    Source: see the module.
    """
    rule = criterion or PressureCriterion()
    t, p = _checked(t_s, tank_pressure_pa)
    told = partial(PressureVerdict, start_pa=float(p[0]))
    start, tolerance, ceiling = (
        convert(x, "pressure", "inH2O") for x in (rule.start_inh2o, rule.tolerance_inh2o, rule.ceiling_inh2o)
    )
    if p.max() > ceiling + _ROUNDING_PA:
        return told(
            "invalid",
            f"The pressure went up to {_inches(p.max(), rule.ceiling_inh2o)} in of water: the published procedure "
            f"never goes above {rule.ceiling_inh2o:g}, a limit of safety, so its criterion says nothing.",
        )
    if abs(p[0] - start) > tolerance + _ROUNDING_PA:
        edge = rule.start_inh2o + np.copysign(rule.tolerance_inh2o, p[0] - start)
        return told(
            "invalid",
            f"It did not start where the published criterion does ({rule}) but at {_inches(p[0], edge)}, so that says "
            "nothing.",
        )
    by_criterion = f"By the published criterion ({rule}) it"
    within = np.flatnonzero(t - t[0] <= rule.hold_s)
    lost = within[_is_lost(p[within], rule)]
    if len(lost):
        return told(
            "fail",
            f"{by_criterion} fails: {_what_is_left(p, lost[0], rule)} after {t[lost[0]] - t[0]:.0f} s.",
        )
    last = within[-1]
    left = _what_is_left(p, last, rule)
    slack = float(np.clip(2 * np.median(np.diff(t)), LEAST_SLACK_S, MOST_SLACK_S)) if len(t) > 1 else 0.0
    if t[-1] - t[0] < rule.hold_s - slack:
        short = f"{by_criterion} neither passes nor fails: {left} after {t[last] - t[0]:.0f} s, when the hold ended."
        return told("no_verdict", short)
    return told("pass", f"{by_criterion} passes: {left}.")


def _what_is_left(p: np.ndarray, row: int, rule: PressureCriterion) -> str:
    """Say what the wording asks for: what is left, or what is lost, at a row."""
    if rule.wording == "above_floor":
        return f"{_inches(p[row], rule.floor_inh2o)} in were left"
    return f"{_inches(p[0] - p[row], rule.loss_inh2o)} in were lost"


def _inches(pa: float, limit_inh2o: float) -> str:
    """Write a pressure in inches of water: to a tenth, or more closely where that would read as the limit."""
    inches = pa / float(convert(1.0, "pressure", "inH2O"))
    texts = [f"{inches:.{digits}f}" for digits in (1, 2, 3)]
    return next((text for text in texts if float(text) != limit_inh2o), texts[-1])


def _is_lost(p: np.ndarray, rule: PressureCriterion) -> np.ndarray:
    if rule.wording == "above_floor":
        return p <= convert(rule.floor_inh2o, "pressure", "inH2O") + _ROUNDING_PA
    return p[0] - p > convert(rule.loss_inh2o, "pressure", "inH2O") + _ROUNDING_PA


def _checked(t_s: np.ndarray, tank_pressure_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    t, p = np.asarray(t_s, dtype=float), np.asarray(tank_pressure_pa, dtype=float)
    if t.shape != p.shape or t.ndim != 1 or not len(t):
        raise ValueError("Time and pressure must be two equally long, non-empty columns.")
    if not (np.isfinite(t).all() and np.isfinite(p).all()):
        raise ValueError("Time and pressure must not have missing values.")
    if (np.diff(t) <= 0).any():
        raise ValueError("Time must increase from sample to sample.")
    return t, p


def cap_passes(flow_cc_min: np.ndarray | float, limit_cc_min: float = CAP_LIMIT_CC_MIN) -> np.ndarray:
    """Say whether a fuel cap's leak at a sustained 7.5 kPa is within the limit (the limit itself passes).

    Parameters
    ----------
    flow_cc_min : [cm3/min], corrected to standard conditions, >= 0

    Returns
    -------
    boolean array; False where the flow is missing.

    Source: 40 CFR 1066.985(d)(10).
    """
    return np.asarray(flow_cc_min, dtype=float) <= limit_cc_min
