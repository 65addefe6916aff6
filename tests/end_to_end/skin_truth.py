"""What is true of a recording of the skin fleet, what no expert could tell from it, and the marks; set before any.

The fleet's special physics: evaporation is limited by the fuel's own skin (which cools and loses its light ends), the
gas is heavy with vapor (so it cools less and flows out slower), and the commands are polled beside the pressure, not
with it.

Effective leak diameter (contract, "Leak size"): the sharp-edged orifice with the same flow. Its discharge coefficient
is 0.61 at high Reynolds number (the contract's default) and falls at a low one by the creeping resistance of a hole in
a thin wall, which adds to the inertial one: dp = rho / 2 (Q / (0.61 A))^2 + 24 mu Q / d^3 (Sampson 1891 for the second
term; the sum is common in the literature of pores; both from memory). The gas is the one that flows: ambient air into
a vacuum, the tank's own out of a pressure. "The same flow" is the same volume over the longest hold (over the steady
part of a steady flow), so a hole that is not sharp has a diameter too. Expansion by Buckingham's factor
1 - 0.41 dp / (kappa p_up) at a vanishing diameter ratio (from memory).

Verdicts follow the contract's words:

- tight: no hole larger than the certified cap may have, 60 cm3/min at 7.5 kPa (40 CFR 1066.985(d)(10)), which is an
  effective 0.12 mm; a leak is 0.25 mm or more. None lies between.
- a leak is told from a tight tank's own vapor and warmth where it brings two fifths of the hold's rise or more (its own
  share is then two thirds of theirs, which tanks alike differ in by about a third), and six times a reading's scatter.
- gross: the draw does not reach half the vacuum it was after, and nine tenths of what there was are gone within 2 s; or
  the vent path is open. A leak: nine tenths take at least 5 s and five readings. What lies between is ambiguous.
- purge passing: with purge and vent shut the tank is drawn on; clear when the true fall in the closed phase or over the
  hold is at least eight times one reading's scatter and 30 Pa.
- release blocked: clear when more than half the vacuum is there 4 s after the vent's release and at the end of the
  recording within those 4 s; a sound vent has let go nine tenths by then.
- nothing arrives: the true pressure never falls; it is told from an open path only by its creep, which has to be four
  times the scatter (of a mean of ten readings: 0.32) and 6 Pa; an open path only by the vacuum it does make, alike.
- flat: clear where the reading stands more than 150 Pa from zero, or is quite still where the model's readings scatter.
- offset: clear from 200 Pa at the vented rest; ordinary sensors lie within 80 Pa. None lies between.
- volts and pressure disagreeing: clear where their stories part by a quarter of the vacuum.
- under pressure the same words hold: a fill that does not reach half the pressure it was after has a hole too large for
  a decay, or nearly so: leak and gross are both fair.
- no test in the recording, or one broken off in the draw or within 5 s after it: not judged.
"""

from __future__ import annotations

import numpy as np
import polars as pl

DISCHARGE_HIGH = 0.61
AIR_MOLAR_KG, GAS_R = 0.028965, 8.314462
TIGHT_MM, LEAST_LEAK_MM = 0.12, 0.25
ORDINARY_OFFSET_PA, FAULTY_OFFSET_PA = 80.0, 200.0

LEAST_RIGHT, MOST_SURE_WRONG, MOST_NOT_JUDGED, LEAST_TIGHT_BELOW = 0.97, 0.01, 0.05, 0.95
SURE = 0.9
COVERAGE = (0.90, 0.99)
#: Bands of true diameter [mm] and the greatest median of the absolute error (a share).
BANDS = ((0.25, 0.5, 0.20), (0.5, 1.0, 0.06), (1.0, 9.0, 0.03))


def air_viscosity_pa_s(temperature_k: np.ndarray | float) -> np.ndarray | float:
    """Viscosity of air by Sutherland's law, constants of the US standard atmosphere 1976 (from memory)."""
    return 1.458e-6 * np.asarray(temperature_k) ** 1.5 / (np.asarray(temperature_k) + 110.4)


def sharp_flow_m3_s(
    diameter_m: np.ndarray | float,
    difference_pa: np.ndarray | float,
    density_kg_m3: np.ndarray | float,
    viscosity_pa_s: np.ndarray | float,
    upstream_pa: np.ndarray | float,
) -> np.ndarray:
    """Volume flow [m3/s] at the upstream state through a sharp-edged hole in a thin wall; shapes broadcast."""
    d, dp = np.asarray(diameter_m, float), np.abs(np.asarray(difference_pa, float))
    a = density_kg_m3 / (2 * (DISCHARGE_HIGH * np.pi / 4 * d**2) ** 2)
    b = 24 * viscosity_pa_s / d**3
    expansion = 1 - 0.41 * dp / (1.35 * upstream_pa)
    return expansion * 2 * dp / (b + np.sqrt(b * b + 4 * a * dp))


def same_flow_diameter_m(
    flow_m3: np.ndarray,
    difference_pa: np.ndarray,
    density_kg_m3: np.ndarray | float,
    viscosity_pa_s: np.ndarray | float,
    upstream_pa: np.ndarray | float,
) -> float:
    """Diameter [m] of the sharp hole that passes the same volume; both flow and differences per equal time steps."""
    total = float(np.abs(flow_m3).sum())
    if total <= 0:
        return 0.0
    d = 1e-3
    for _ in range(20):
        by_it = float(sharp_flow_m3_s(d, difference_pa, density_kg_m3, viscosity_pa_s, upstream_pa).sum())
        d = float(np.clip(d * (total / max(by_it, 1e-30)) ** 0.5, 1e-6, 0.2))
    return d


def verdicts(facts: pl.DataFrame) -> pl.DataFrame:
    """Add `verdict`, `also_fair`, `is_ambiguous` and `is_sized` to the facts of recordings.

    Columns of `facts` used: kind (draw, fill, steady, routine), cause, diameter_mm, scatter_pa (of one reading),
    gone_90_s, reading_s (mean period), peak_pa (true, positive), target_pa, hold_s, closed_change_pa, hold_change_pa,
    lowest_pa (true, gauge), creep_pa (true, from the vent's shutting to the draw's end), leak_rise_pa and other_rise_pa
    (over the hold, at most until nine tenths are gone: by the hole, and by vapor, warmth and shell), kept_share (of the
    vacuum, 4 s after release or at the recording's end), top_pa (true), feed_until_pa, has_release, flat_at_pa,
    is_still, usual_scatter_pa, parted_share, has_tank_size.
    """
    cause, kind = pl.col("cause"), pl.col("kind")
    told_by_ten = pl.col("scatter_pa") * 4 * 0.32
    is_short = pl.col("hold_s") < 5
    is_gross = (pl.col("peak_pa") < 0.5 * pl.col("target_pa")) & (pl.col("gone_90_s") <= 2)
    is_weak_fill = (kind == "fill") & (pl.col("top_pa") < 0.5 * pl.col("feed_until_pa"))
    is_leak = (pl.col("gone_90_s") >= 5) & (pl.col("gone_90_s") >= 5 * pl.col("reading_s"))
    is_hole = cause == "leak"
    is_draw = kind == "draw"
    verdict = (
        pl.when((kind == "routine") | (cause == "broken_off"))
        .then(pl.lit("not_judged"))
        .when(is_hole & is_draw & ~is_leak & (is_gross | (pl.col("gone_90_s") < 2.8)))
        .then(pl.lit("gross_leak"))
        .when(is_hole)
        .then(pl.lit("leak"))
        .when(cause.is_in(["large_hole", "vent_open"]))
        .then(pl.lit("gross_leak"))
        .when(cause == "tight")
        .then(pl.lit("holds"))
        .otherwise(cause)
    )
    small = pl.min_horizontal("closed_change_pa", "hold_change_pa") > -pl.max_horizontal(
        8 * pl.col("scatter_pa"), pl.lit(30.0)
    )
    is_ambiguous = (
        pl.when(kind == "routine")
        .then(False)
        .when(is_hole & is_draw)
        .then(
            ~(is_leak | is_gross)
            | (pl.col("leak_rise_pa") < 0.4 * (pl.col("leak_rise_pa") + pl.col("other_rise_pa").clip(0)))
            | (pl.col("leak_rise_pa") < 6 * pl.col("scatter_pa"))
        )
        .when(is_weak_fill)
        .then(True)
        .when((cause == "tight") & is_draw)
        .then(pl.col("other_rise_pa") > 0.5 * pl.col("peak_pa"))
        .when(cause.is_in(["large_hole", "vent_open"]))
        .then((-pl.col("lowest_pa") < pl.max_horizontal(told_by_ten, pl.lit(6.0))) | ~is_gross)
        .when(cause == "no_vacuum")
        .then(pl.col("creep_pa") < pl.max_horizontal(told_by_ten, pl.lit(6.0)))
        .when(cause == "purge_passes_closed")
        .then(small)
        .when(cause == "vent_restricted")
        .then(~pl.col("has_release") | (pl.col("kept_share") < 0.5))
        .when(cause == "sensor_flat")
        .then(
            (pl.col("flat_at_pa").abs() <= 150) & ~(pl.col("is_still") & (pl.col("usual_scatter_pa") > 1.0))
        )
        .when(cause == "sensor_disagrees")
        .then(pl.col("parted_share") < 0.25)
        .otherwise(False)
    )
    is_spoiled = is_short & is_draw & cause.is_in(["leak", "tight", "purge_passes_closed", "vent_restricted"])
    is_ambiguous = is_ambiguous | (is_spoiled & (verdict != "gross_leak"))
    return (
        facts.with_columns(verdict=verdict, is_ambiguous=is_ambiguous)
        .with_columns(
            also_fair=pl.when(is_weak_fill)
            .then(pl.lit("gross_leak"))
            .when(is_hole & is_draw & ~(is_leak | is_gross))
            .then(pl.when(pl.col("verdict") == "leak").then(pl.lit("gross_leak")).otherwise(pl.lit("leak")))
        )
        .with_columns(
            is_sized=(pl.col("verdict") == "leak")
            & ~pl.col("is_ambiguous")
            & (pl.col("has_tank_size") | (kind == "steady"))
            & ((pl.col("hold_s") >= 15) | (pl.col("gone_90_s") < 15))
        )
    )
