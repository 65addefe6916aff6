"""What is true of a recording of the blanket lake, and which are ambiguous: written before any was made.

Marks that the lake asks of the estimator, set before first contact. Of clear recordings: right >= 97 %, wrong though
sure (0.9) <= 1 %, not judged of those that can be judged <= 5 %; tight ones below their stated limit >= 95 %. Of
round holes that were told as leaks: median absolute error <= 20, 6 and 3 % in 0.25-0.5, 0.5-1 and from 1 mm, the 95 %
interval holding the truth 90 to 99 % of the time in each band.

Where a leak ends and a gross leak begins: the contract says that a gross leak's vacuum cannot build and is gone at
once. Here gone at once is half of it gone within 1 s of the purge being shut; a leak is what still has half of its
vacuum after 2.5 s and after four readings of the logger. What lies between is ambiguous.
"""

from __future__ import annotations

from dataclasses import dataclass

VERDICT_OF = {
    "tight": "holds",
    "round_hole": "leak",
    "crack": "leak",
    "cap_off": "gross_leak",
    "vent_stuck_open": "gross_leak",
    "purge_stuck_shut": "no_vacuum",
    "purge_passes": "purge_passes_closed",
    "vent_blocked": "vent_restricted",
    "reading_frozen": "sensor_flat",
    "reading_shifted": "sensor_offset",
    "volts_stray": "sensor_disagrees",
    "routine": "not_judged",
    "cut_short": "not_judged",
}

SEEPAGE_MOST_MM = 0.15
LEAK_LEAST_MM = 0.25
GONE_AT_ONCE_S = 1.0
DECAYS_S = 2.5
DECAY_READINGS = 4
HOLD_LEAST_S = 30.0
VACUUM_LEAST_PA = 400.0


@dataclass(frozen=True)
class Seen:
    """What the simulated tank did, without the recorder: everything that the rules below may look at.

    `grain_pa`: larger of noise and step of the recorder; `spacing_s`: its usual time between readings.
    `own_gain_pa`: rise of the hold that no hole made; `leak_gain_pa`: rise that the hole made.
    `shut_pull_pa`: vacuum that grew while vent and purge were shut before the draw; `hold_pull_pa`: during the hold.
    `kept_share`: share of the vacuum that was left 4 s after the vent was told to open (nan: never told).
    """

    cause: str
    diameter_mm: float
    peak_pa: float
    half_s: float
    hold_s: float
    own_gain_pa: float
    leak_gain_pa: float
    shut_pull_pa: float
    hold_pull_pa: float
    kept_share: float
    shift_pa: float
    grain_pa: float
    spacing_s: float


def is_ambiguous(seen: Seen) -> bool:
    """Whether an honest expert who knows the truth would allow more than one verdict."""
    return not _RULES.get(seen.cause, _always)(seen)


def _always(seen: Seen) -> bool:
    """Frozen readings, straying volts, routine and cut recordings: clear as they were made."""
    return True


def _is_held(seen: Seen) -> bool:
    """A hold that can tell something: long enough, from a vacuum that is not lost in the recorder's grain."""
    return seen.hold_s >= HOLD_LEAST_S and seen.peak_pa >= max(VACUUM_LEAST_PA, 20.0 * seen.grain_pa)


def _tight(seen: Seen) -> bool:
    """Nothing that a hole of 0.15 mm would do, and vapor and warmth take less than 35 % of the vacuum."""
    return _is_held(seen) and seen.diameter_mm <= SEEPAGE_MOST_MM and seen.own_gain_pa <= 0.35 * seen.peak_pa


def _leak(seen: Seen) -> bool:
    """A hole from 0.25 mm whose rise stands out of the grain and of half of the tank's own, and still decays."""
    stands_out = seen.leak_gain_pa >= max(60.0, 6.0 * seen.grain_pa, 0.5 * abs(seen.own_gain_pa))
    decays = seen.half_s >= max(DECAYS_S, DECAY_READINGS * seen.spacing_s)
    return _is_held(seen) and seen.diameter_mm >= LEAK_LEAST_MM and stands_out and decays


def _gross(seen: Seen) -> bool:
    """Gone at once, but the draw was to be seen: else it might be a purge that delivers nothing."""
    return seen.half_s <= GONE_AT_ONCE_S and seen.peak_pa >= max(20.0, 5.0 * seen.grain_pa)


def _no_vacuum(seen: Seen) -> bool:
    """Less than the recorder's grain was drawn."""
    return seen.peak_pa <= max(10.0, seen.grain_pa)


def _passes(seen: Seen) -> bool:
    """Vacuum grew, to be seen, while everything was told to be shut: before the draw or after it."""
    return seen.shut_pull_pa >= max(60.0, 8.0 * seen.grain_pa) or seen.hold_pull_pa >= max(
        120.0, 10.0 * seen.grain_pa
    )


def _blocked(seen: Seen) -> bool:
    """Two fifths of a real vacuum are there 4 s after the vent was opened."""
    return _is_held(seen) and seen.kept_share >= 0.4


def _shifted(seen: Seen) -> bool:
    """At least 250 Pa and ten grains at rest."""
    return abs(seen.shift_pa) >= max(250.0, 10.0 * seen.grain_pa)


_RULES = {
    "tight": _tight,
    "round_hole": _leak,
    "crack": _leak,
    "cap_off": _gross,
    "vent_stuck_open": _gross,
    "purge_stuck_shut": _no_vacuum,
    "purge_passes": _passes,
    "vent_blocked": _blocked,
    "reading_shifted": _shifted,
}


def is_sized(seen: Seen, has_level: bool, is_clipped: bool) -> bool:
    """Whether a diameter can be asked for: a clear round hole, a known fuel level, a sensor not at its end."""
    return seen.cause == "round_hole" and has_level and not is_clipped and not is_ambiguous(seen)
