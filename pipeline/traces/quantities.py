"""Pressures and times as a technician reads them."""

from __future__ import annotations

import numpy as np

from pipeline.traces.compiled import Floats
from pipeline.traces.written import Text, fixed, say, where_known

#: Conventional inch of water (NIST SP 811, appendix B.8): technicians read gauges in it.
_INCH_OF_WATER_PA = 249.0889
_PRESSURE = "{} Pa ({} in of water)"
#: From here on pascals and seconds are told whole.
_WHOLE_FROM_PA, _WHOLE_FROM_S = 20, 10


def pressure(pa: float) -> str:
    """Return a pressure in pascals and inches of water."""
    in_pa = f"{pa:.0f}" if abs(pa) >= _WHOLE_FROM_PA else f"{pa:z.1f}"
    return _PRESSURE.format(in_pa, f"{pa / _INCH_OF_WATER_PA:z.1f}")


def pressures(pa: Floats) -> Text:
    """Return each recording's pressure as `pressure` does."""
    return say(_PRESSURE, rounded(pa), fixed(pa / _INCH_OF_WATER_PA, 1))


def rounded(pa: Floats) -> Text:
    """Return pascals without their unit, small ones with a digit behind the point."""
    return fixed(pa, np.where(np.abs(pa) >= _WHOLE_FROM_PA, 0, 1))


def seconds(s: Floats) -> Text:
    """Return times, short ones with a digit behind the point."""
    return say("{} s", fixed(s, np.where(s >= _WHOLE_FROM_S, 0, 1)))


def flow(l_min: Floats) -> Text:
    """Return liters a minute without their unit, small ones with a second digit behind the point."""
    return fixed(l_min, np.where(l_min >= 1, 1, 2))


def within(s: Floats) -> Text:
    """Return in how long something happened, nothing where nobody knows."""
    return where_known(say(" in {}", seconds(s)))


def of_vacuum(pa: Floats) -> Text:
    """Return so much vacuum, or only the word where nobody knows how much."""
    return where_known(say("{} of vacuum", pressures(pa)), "vacuum")
