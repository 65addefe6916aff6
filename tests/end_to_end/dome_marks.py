"""What is true of a recording of the dome fleet, which recordings nobody could judge, and what a tool must reach.

Written before any recording was made. Everything here rests on the truth alone: the cause, the size of the hole, the
noise-free vacuum or pressure in the tank and the commands, never on what a logger wrote or a tool said.

Rules of truth:
- Effective diameter: of the sharp-edged hole that passes what the real path passes (hole, and carbon where the hole
  lies behind it) when the tank stands at half the vacuum or pressure of the hold's begin; for a steady flow at the
  pressure at the end of the feed.
- Tight: seepage of at most 0.1 mm. Leak: 0.25 mm to 3 mm. Between 0.1 and 0.25 mm nobody must tell which: ambiguous.
- A hole is a leak when the tank reached 700 Pa and needed 2 s or more to lose half of it, an opening of 6 mm or more
  is gross when the tank stayed below 400 Pa, or lost half of what it had within 1.5 s; all between is ambiguous.
  In a steady flow a hole is a leak when 700 Pa stood at the end, gross when less than 400 Pa stood.
- A hold (first opening of the vent by a hasty operator, end of the recording) below 30 s is ambiguous where the hole
  is below 0.5 mm or there is none, below 6 s always, unless the recording was cut before any hold: then nothing
  can be judged, and what is true of the vehicle is fair as well.
- A purge valve that passes does so clearly when it alone would draw 400 Pa within the hold.
- An offset is clear from 350 Pa; honest sensors stand within 60 Pa.
- Sizes are asked of sharp, thick and drilled holes, never of cracks, which have no diameter that stands still.
"""

from __future__ import annotations

TIGHT_MM = 0.1
LEAST_LEAK_MM = 0.25
LEAST_BUILT_PA = 700.0
LEAST_HALVING_S = 2.0
GROSS_BUILT_PA = 400.0
GROSS_HALVING_S = 1.5
SHORT_HOLD_S = 30.0
NO_HOLD_S = 6.0
SHORT_HOLD_LEAST_MM = 0.5
PASSING_PA = 400.0

#: Marks of issue 3, in per cent, for the clear recordings of the fleet.
LEAST_RIGHT, MOST_SURE_AND_WRONG, MOST_NOT_JUDGED, LEAST_BELOW_LIMIT = 97.0, 1.0, 5.0, 95.0
#: Band of true diameter [mm]: largest median error [%].
MEDIAN_ERROR = {(0.25, 0.5): 20.0, (0.5, 1.0): 6.0, (1.0, 9.0): 3.0}
COVERAGE = (90.0, 99.0)
SURE = 0.9


def is_ambiguous(
    cause: str,
    kind: str,
    diameter_mm: float,
    built_pa: float,
    halving_s: float,
    hold_s: float,
    drawn_pa: float,
) -> bool:
    """Tell whether nobody could fairly be asked for a verdict.

    `built_pa`: largest vacuum or pressure in the tank, in a steady flow that of its end; `halving_s`: how long half
    of it lasted (infinite when never lost); `drawn_pa`: what a passing purge valve would draw within the hold.
    """
    if kind == "routine" or cause == "cut_short":
        return False
    if kind != "flow" and hold_s < SHORT_HOLD_S and (hold_s < NO_HOLD_S or diameter_mm < SHORT_HOLD_LEAST_MM):
        return True
    if cause in ("hole", "crack"):
        is_small = diameter_mm < LEAST_LEAK_MM
        return is_small or built_pa < LEAST_BUILT_PA or (kind != "flow" and halving_s < LEAST_HALVING_S)
    if cause == "gross":
        is_gone = kind != "flow" and halving_s < GROSS_HALVING_S
        return not (built_pa < GROSS_BUILT_PA or is_gone)
    if cause == "purge_passes":
        return drawn_pa < PASSING_PA
    return diameter_mm > TIGHT_MM
