"""How likely there is a hole at all: a leak fitted to a hold, against what is fitted to tanks without any."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.physics.vapor import VAPOR_SHARE_SD
from pipeline.traces.beliefs import USUAL_RATE_PA_S, USUAL_RATE_SD_PA_S
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.hold_fit import HoldFit
from pipeline.traces.readings import Shown
from pipeline.traces.shows import Closed

#: Holes are weighed from this size on [mm], half of the smallest that a monitor must find (0.020 in), to the widest
#: that leaves a hold to fit; of twice the size there are half as many (judgement: caps and seals seep more often than
#: lines break). No system is so tight that it does not seep as through a hole of _SEEPS_MM.
LEAST_MM, WIDEST_MM = 0.25, 4.0
_SEEPS_MM = 0.09
_N_SIZES = 32
#: What is fitted to a hole is off by this share of it, beside its standard deviation: volume, walls, carbon.
_OFF_SHARE = 0.18


class _Tight(NamedTuple):
    """What is fitted to tanks without a hole, in standard deviations of the fit: mean and standard deviation of most of
    them; a `wild_share` scatters _WILD_TIMES as widely."""

    mean: float
    sd: float
    wild_share: float


#: Under vacuum and under pressure: by these tight tanks are told best from leaks among 23,000 and 2,700 recordings of
#: 15 other authors of which an expert could tell (each author counting as much; they lie on a plateau). The tight
#: tanks' own middle lies at -0.3 and 0.6, two thirds within 0.9 and 0.5 of it; leaks that come to little more no author
#: calls clear. Vapor that comes back fast under vacuum makes the wild ones; under pressure walls that give and vapor
#: that is taken back move all alike.
_DRAWN, _FILLED = _Tight(0.3, 0.7, 0.12), _Tight(0.7, 0.4, 0.1)
_WILD_TIMES = 3.0
#: Gas that the draw cooled gives back about this share of the vacuum by warming, give or take another (judgement; of
#: dry air that is drawn down at once it would be 0.29).
_WARMED_SHARE, _WARMED_SHARE_SD = 0.1, 0.05


def chance_of_leak(
    fit: HoldFit, shown: Shown, vapor_share: Floats, per_mm2: Floats, is_at_end: Flags
) -> Floats:
    """Return how likely the fitted leak is one of LEAST_MM to WIDEST_MM rather than none, both as likely before.

    Parameters
    ----------
    vapor_share : of fuel vapor in the tank's gas. per_mm2 : Cd A / V [1/m] of a hole of 1 mm.
    is_at_end : the sensor stands at its end, and tells nothing. A vacuum that was gone before it could be fitted went
        through a hole.
    """
    sizes = np.geomspace(LEAST_MM, WIDEST_MM, _N_SIZES)
    is_filled = shown.hold.start_above > 0
    mean, sd, wild = (
        np.where(is_filled, filled, drawn) for filled, drawn in zip(_FILLED, _DRAWN, strict=True)
    )
    with np.errstate(all="ignore"):
        # A leak that is fitted below what tight tanks come to speaks for none no more than that does.
        off = np.maximum(fit.leak_mean - mean * fit.leak_sd, 0)
        seeps = per_mm2 * _SEEPS_MM**2
        usual, wide = np.hypot(sd * fit.leak_sd, seeps), np.hypot(_WILD_TIMES * sd * fit.leak_sd, seeps)
        hole = per_mm2[:, None] * sizes**2
        variance = (_OFF_SHARE * hole) ** 2 + fit.leak_sd[:, None] ** 2
        off2 = (hole - fit.leak_mean[:, None]) ** 2 / variance
        least = np.minimum((off / wide) ** 2, off2.min(axis=1))
        density = np.exp(-0.5 * (off2 - least[:, None])) / np.sqrt(variance)
        for_leak = density @ (1 / sizes / np.sum(1 / sizes))
        for_none = (1 - wild) * np.exp(-0.5 * ((off / usual) ** 2 - least)) / usual
        for_none += wild * np.exp(-0.5 * ((off / wide) ** 2 - least)) / wide
        for_none *= np.exp(-0.5 * _beyond_vapor(shown, vapor_share) ** 2)
        chance = for_leak / (for_leak + for_none)
        return np.where(np.isfinite(fit.leak), chance, np.where(is_at_end, 0.5, 1.0))


def _beyond_vapor(shown: Shown, share: Floats) -> Floats:
    """Return by how many standard deviations a vacuum, or a pressure, lost more than it can without a hole; 0 where
    less.

    Fuel gives back the vapor that the draw took out, and no more: its share of the vacuum (Dalton), however fast it
    comes. Nor does it take back more where gas was put in: tight fillings of six authors lost 17 % at the most. Beside
    it goes on what the tank did in the closed phase, and gas comes to its walls' warmth.
    """
    side = np.where(shown.hold.start_above > 0, -1.0, 1.0)
    whole, seconds = np.abs(shown.hold.start_above), shown.hold.seconds
    rate, rate_sd = _rate_before(shown.closed)
    most = (share + _WARMED_SHARE) * whole + np.maximum(side * rate, 0) * seconds
    sd = np.sqrt(
        ((VAPOR_SHARE_SD * share) ** 2 + _WARMED_SHARE_SD**2) * whole**2
        + (rate_sd * seconds) ** 2
        + shown.sensor.sd**2
    )
    with np.errstate(all="ignore"):
        return np.nan_to_num(np.maximum((side * shown.hold.change - most) / sd, 0))


def _rate_before(closed: Closed) -> tuple[Floats, Floats]:
    """Return what the shut tank's pressure did before the hold, and how far that is known [Pa/s].

    A closed phase of a second or two tells less than what is usual, and none tells nothing: both are weighed.
    """
    is_short = ~(closed.rate_sd <= USUAL_RATE_SD_PA_S) | ~np.isfinite(closed.rate)
    seen = USUAL_RATE_SD_PA_S**2 / (USUAL_RATE_SD_PA_S**2 + closed.rate_sd**2)
    seen = np.where(np.isfinite(closed.rate), np.nan_to_num(seen), 0.0)
    weighed = seen * np.nan_to_num(closed.rate) + (1 - seen) * USUAL_RATE_PA_S
    return (
        np.where(is_short, weighed, closed.rate),
        np.where(is_short, USUAL_RATE_SD_PA_S * np.sqrt(1 - seen), closed.rate_sd),
    )
