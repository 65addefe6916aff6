"""What is true of a recording of the harbor fleet, and when truth itself is too thin to ask for a verdict.

Written before any recording was made. Every rule looks at truth alone (sizes, true pressures, the operator's acts),
never at what a logger wrote or an estimator said.

Marks, set beforehand: right >= 97 %, wrong though sure (0.9) <= 1 %, not judged of good <= 5 %, tight below their
limit >= 95 %, median absolute error 20/6/3 % in 0.25-0.5, 0.5-1 and from 1 mm, coverage 90..99 % in each band.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Below the first a system is tight, from the second on it leaks; between them it is neither.
TIGHT_BELOW_MM, LEAK_FROM_MM = 0.15, 0.25
#: Gross is what lets no vacuum build: a draw that never gets past this many pascals.
GROSS_PEAK_PA = 350.0
#: A hole is a leak to be sized where the hold began at least this far from the atmosphere: a factor of 2 beside gross.
LEAK_START_PA = 700.0
#: A sealed system that was drawn less than this tells nothing of tightness.
LEAST_START_PA = 400.0
#: A hold shorter than this tells of tightness nothing, of a leak only if it lost so large a share.
LEAST_HOLD_S, LEAST_LOST = 20.0, 0.4
#: A passing purge valve must deepen the vacuum at least so fast, by flow over volume, to be told from cooling.
LEAST_PASSING_PA_S = 8.0
#: A blocked release must be watched so long, from so deep, and must leave such a share of the vacuum.
LEAST_RELEASE_S, LEAST_BLOCKED_PA, LEAST_LEFT = 8.0, 1000.0, 0.5


@dataclass(frozen=True)
class Event:
    """What truly happened: pressures as distances from the atmosphere in Pa, times in s."""

    verdict: str
    diameter_mm: float  #: effective, at half of the start; 0 where nothing but seepage is not asked for
    peak_pa: float  #: deepest true vacuum (or highest pressure) before the first hold ended
    start_pa: float  #: true distance from the atmosphere as the last hold began; 0 without a hold
    end_pa: float  #: the same as it ended
    hold_s: float
    release_s: float
    left_pa: float  #: vacuum left when the recording ended
    passing_pa_s: float  #: how fast a passing purge valve alone would deepen the vacuum


def is_ambiguous(event: Event) -> bool:
    """Say whether truth itself is too thin for the verdict that the cause would have."""
    lost = 1 - event.end_pa / event.start_pa if event.start_pa > 0 else 0.0
    if event.verdict == "holds":
        return (
            event.diameter_mm >= TIGHT_BELOW_MM
            or event.start_pa < LEAST_START_PA
            or event.hold_s < LEAST_HOLD_S
        )
    if event.verdict == "leak":
        return (
            event.diameter_mm < LEAK_FROM_MM
            or event.start_pa < LEAK_START_PA
            or (event.hold_s < LEAST_HOLD_S and lost < LEAST_LOST)
        )
    if event.verdict == "gross_leak":
        return event.peak_pa > GROSS_PEAK_PA
    if event.verdict == "purge_passes_closed":
        return event.passing_pa_s < LEAST_PASSING_PA_S or event.hold_s < LEAST_HOLD_S
    if event.verdict == "vent_restricted":
        return (
            event.release_s < LEAST_RELEASE_S
            or event.peak_pa < LEAST_BLOCKED_PA
            or event.left_pa < LEAST_LEFT * event.start_pa
        )
    return False


#: A system shut for a minute that moves by less than this, or by less than its logger's step, shows nothing at all.
NOTHING_PA = 15.0


def may_be_left(event: Event, most_pa: float, step_pa: float) -> bool:
    """Say whether it is fair as well to judge nothing (seen after both lakes): no vacuum came, and nothing crept.

    A purge that brings nothing to a tank without creep and one that draws on an open system look alike.
    """
    return event.verdict in ("no_vacuum", "gross_leak") and most_pa < max(NOTHING_PA, step_pa)
