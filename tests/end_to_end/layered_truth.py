"""What is true of the layered recordings, and the marks that a judge of them has to meet. Written before any existed.

The tank of these recordings holds its vapor in layers: a rich one over the fuel, a leaner one in the dome. Facts of a
recording come from the simulation, never from a judge; this module turns them into the right verdict.

Diameter: "effective diameter of the sharp-edged orifice with the same flow", discharge coefficient 0.61 at high
Reynolds number (the contract). The reference orifice loses pressure twice, by the jet and by creeping through the
edge (Sampson's law; the sum of both is from memory of Dagan, Weinbaum and Pfeffer 1982):

    drop = 24 viscosity Q / d^3  +  density / 2 (Q / (0.61 pi/4 d^2))^2

It is taken at the mean pressure of the longest hold, as long as more than a tenth of its beginning is left, with the
gas that flowed. A crack has by this a diameter that depends on the pressure; its own mean pressure is the one meant.
"""

from __future__ import annotations

import numpy as np
import polars as pl

DISCHARGE = 0.61

#: Marks: issue 3, and the shares of it that a fleet is held to.
LEAST_RIGHT = 0.97
MOST_SURE_AND_WRONG = 0.01
MOST_NOT_JUDGED = 0.05
SURE = 0.9
BANDS_MM = ((0.25, 0.5, 0.20), (0.5, 1.0, 0.06), (1.0, 99.0, 0.03))
COVERAGE = (0.90, 0.99)
LEAST_BELOW_LIMIT = 0.95

#: A system of a smaller hole than this is tight: no shop finds it, and every seal has one.
TIGHT_MM = 0.10
SMALLEST_LEAK_MM = 0.25
#: "A system that reaches only an inch or two leaks grossly" (common practice of the trade, no source).
TWO_INCHES_PA = 500.0


def reference_flow_m3_s(
    diameter_mm: np.ndarray, drop_pa: np.ndarray, density: np.ndarray, viscosity: np.ndarray
) -> np.ndarray:
    """Return the flow [m3/s] of the reference orifice at a pressure drop [Pa], gas [kg/m3], [Pa s]."""
    d = np.asarray(diameter_mm) * 1e-3
    creep = 24 * viscosity / d**3
    jet = density / 2 / (DISCHARGE * np.pi / 4 * d**2) ** 2
    return (np.sqrt(creep**2 + 4 * jet * drop_pa) - creep) / (2 * jet)


def effective_diameter_mm(
    flow_m3_s: np.ndarray, drop_pa: np.ndarray, density: np.ndarray, viscosity: np.ndarray
) -> np.ndarray:
    """Return the diameter [mm] of the reference orifice that passes `flow_m3_s` at `drop_pa`, to 1e-9 of itself."""
    flow, drop = np.broadcast_arrays(np.asarray(flow_m3_s, float), np.asarray(drop_pa, float))
    low, high = np.full(flow.shape, 1e-4), np.full(flow.shape, 1e3)
    for _ in range(80):
        middle = np.sqrt(low * high)
        is_wide = reference_flow_m3_s(middle, drop, density, viscosity) > flow
        low, high = np.where(is_wide, low, middle), np.where(is_wide, middle, high)
    return np.sqrt(low * high)


def _either(*conditions: pl.Expr) -> pl.Expr:
    return pl.any_horizontal(*conditions)


def with_truth(facts: pl.DataFrame) -> pl.DataFrame:
    """Add `verdict`, `also_fair`, `is_ambiguous` and `is_sized` to the facts of recordings.

    Facts [unit]: `cause` (tight, hole, vent_open, purge_blocked, purge_passing, vent_clogged, sensor_stuck,
    sensor_shifted, sensor_two_stories, no_test, cut); `test` (draw, fill, flow, none); `diameter_mm`; `target_pa`;
    `peak_pa` at the end of draw or fill; `half_s`, `gone_s` until half and a fifth of it are left; `n_decay` readings
    in `gone_s`; `hold_s`; `leak_pa`, `own_pa` what the hole and all else brought toward ambient in the hold;
    `late_leak_pa`, `late_own_pa` the same without the first 20 s, in which the gas warms again (of a short hold the
    second half); `small_hole_pa` what a hole of 0.25 mm would have brought in that later part; `scatter_pa` of one
    reading; `closed_pa` change in the closed phase; `creep_pa` rise from shutting the vent to the end of the draw;
    `kept_share` of the vacuum 4 s after the vent's release (null where none was recorded); `release_pa` before it;
    `offset_pa`; `is_substitute` (the pressure column is a default value); `steady_l_min`, `meter_l_min` flow through
    the hole and the meter's step.

    Rules. *Gross*: by the contract's words vacuum cannot build (less than half of what was asked for) and is gone at
    once (a fifth left within 1.5 s or two readings). *Leak*: a decay that can be followed: half in no less than 2.5 s,
    six readings until a fifth. Between them, and where more than two inches of water were built and are gone at once
    (since first contact: no reader knows the aim of which it is less than half), a recording is ambiguous and both are
    fair; so is a hole so wide that nothing of it is seen against the scatter, for which a purge line that brings
    nothing looks the same.
    A *leak* is clear if the hole brought at least as much as vapor, warmth and walls together did (in the hold, or in
    its later part), and 60 Pa and five times the scatter; a *tight* tank is, if what it brought of its own in the later
    part is less than a hole of 0.25 mm would have brought in it. *No vacuum* is clear if the shut tank crept up
    by three times the scatter and 15 Pa (of many readings): a gross hole would not let it. *Purge passing*: if the
    closed tank fell by six times the scatter and 60 Pa. *Vent restricted*: if of 300 Pa and more above half was left
    4 s after the recorded release. *Offset*: from 350 Pa up; below 120 Pa it is a sensor's ordinary tolerance, and
    without a recorded release a vent that was never open would look the same (since first contact). A substituted
    pressure may as well be called flat. A fill that did not reach half its target and is not gone at once is ambiguous,
    and one that never showed an inch of water (since first contact: no column tells that gas was fed); so is a flow
    that is not ten steps of its meter, or one that builds no 300 Pa or not half of what its regulator gives.
    """
    f = pl.col
    sigma = f("scatter_pa")
    is_hole = f("cause").is_in(["hole", "vent_open"])
    is_flow = f("test") == "flow"
    is_little = f("peak_pa") < TWO_INCHES_PA
    is_gone = (f("gone_s") <= 1.5) | (f("n_decay") <= 2)
    is_built = f("peak_pa") >= 0.5 * f("target_pa")
    is_gross = is_hole & ~is_built & is_gone & ~is_flow
    is_untold = (f("test") == "fill") & (f("peak_pa") < TWO_INCHES_PA / 2)
    is_followed = (f("half_s") >= 2.5) & (f("n_decay") >= 6)
    is_seen = f("peak_pa") >= pl.max_horizontal(pl.lit(30.0), 4 * sigma)
    brings = (f("leak_pa") >= f("own_pa").abs()) & (
        f("leak_pa") >= pl.max_horizontal(pl.lit(60.0), 5 * sigma)
    )
    hole = pl.when(is_gross).then(pl.lit("gross_leak")).otherwise(pl.lit("leak"))
    words = {
        "tight": "holds",
        "purge_blocked": "no_vacuum",
        "purge_passing": "purge_passes_closed",
        "vent_clogged": "vent_restricted",
        "sensor_stuck": "sensor_flat",
        "sensor_shifted": "sensor_offset",
        "sensor_two_stories": "sensor_disagrees",
        "no_test": "not_judged",
        "cut": "not_judged",
    }
    unclear_leak = (
        pl.when(is_flow)
        .then(
            (f("steady_l_min") < 10 * f("meter_l_min"))
            | (f("peak_pa") < 300)
            | (f("hold_s") < 40)
            | ~is_built
        )
        .otherwise(
            _either(~is_followed, ~brings, f("hold_s") < 20, (f("test") == "fill") & ~is_built)
            | (f("diameter_mm") < SMALLEST_LEAK_MM)
        )
    )
    unclear_tight = (
        pl.when(is_flow)
        .then(f("hold_s") < 40)
        .otherwise((f("late_own_pa").abs() > f("small_hole_pa")) | (f("hold_s") < 20) | ~is_built)
    )
    unclear = (
        pl.when(is_gross)
        .then(~is_seen | ~is_little | is_untold)
        .when(is_hole)
        .then(unclear_leak)
        .when(f("cause") == "tight")
        .then(unclear_tight)
        .when(f("cause") == "purge_blocked")
        .then(f("creep_pa") < pl.max_horizontal(pl.lit(15.0), 3 * sigma))
        .when(f("cause") == "purge_passing")
        .then(f("closed_pa") > -pl.max_horizontal(pl.lit(60.0), 6 * sigma))
        .when(f("cause") == "vent_clogged")
        .then(((f("kept_share") < 0.5) | (f("release_pa") < 300)).fill_null(True))
        .when(f("cause") == "sensor_shifted")
        .then((f("offset_pa").abs() < 350) | f("kept_share").is_null())
        .when(f("cause") == "sensor_stuck")
        .then(~is_built)
        .otherwise(pl.lit(False))
    )
    also = (
        pl.when(is_gross & is_untold)
        .then(pl.lit("not_judged"))
        .when(is_gross & ~is_little)
        .then(pl.lit("leak"))
        .when(is_gross & ~is_seen)
        .then(pl.lit("no_vacuum"))
        .when(
            is_hole & ~is_gross & ~is_flow & is_followed & (~brings | (f("diameter_mm") < SMALLEST_LEAK_MM))
        )
        .then(pl.lit("holds"))
        .when(is_hole & ~is_gross & unclear_leak)
        .then(pl.lit("gross_leak"))
        .when((f("cause") == "purge_blocked") & unclear)
        .then(pl.lit("gross_leak"))
        .when((f("cause") == "tight") & unclear_tight)
        .then(pl.lit("leak"))
        .when((f("cause") == "sensor_shifted") & (f("offset_pa").abs() >= 350) & unclear)
        .then(pl.lit("vent_restricted"))
        .when(f("cause").is_in(["purge_passing", "vent_clogged", "sensor_shifted"]) & unclear)
        .then(pl.lit("holds"))
        .when(f("is_substitute") > 0)
        .then(pl.lit("sensor_flat"))
        .otherwise(pl.lit(None, pl.String))
    )
    judged = facts.with_columns(
        verdict=pl.when(is_hole).then(hole).otherwise(f("cause").replace_strict(words, default=None)),
        is_ambiguous=unclear.fill_null(True),
        also_fair=also,
    )
    return judged.with_columns(
        is_sized=(f("verdict") == "leak")
        & ~f("is_ambiguous")
        & (f("diameter_mm") >= SMALLEST_LEAK_MM)
        & f("fuel_tank_l").is_not_null()
        & f("fuel_level_pct").is_not_null()
    )
