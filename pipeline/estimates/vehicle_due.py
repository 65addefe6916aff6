"""Which vehicle will not be ready at its next inspection, and what helps most?"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import VEHICLE_DUE
from pipeline.estimates.after_clear import HALF_A_STEP, AfterClear, EvapCurve
from pipeline.estimates.table_shape import as_table, floats
from pipeline.statistics.intervals import Estimate

#: A monitor still not complete where this share of its model has it complete wants a look, not more driving.
STUCK_SHARE = 0.99
#: With at least this chance nothing more is asked of a vehicle.
ENOUGH = 0.9

#: Nobody drives farther in a day beside the usual, to complete a monitor [km] (judgement).
MOST_KM_A_DAY = 250
#: A chance and its bounds.
ENDS = ("ready", "low", "high")

NO_DUE = "no due date in the register"
NO_CURVE = "too little is known of how far such vehicles must be driven"
NO_DISTANCE = "the distance since the clear or the usual distance per day is not known"
NO_ARRIVALS = "no inspection of the model tells the state of its EVAP monitor"


def vehicles_due(
    states: pl.DataFrame, arrivals: pl.DataFrame, after: AfterClear, level: float
) -> pl.DataFrame:
    """Estimate each vehicle's chance of having its EVAP monitor complete when it is due, and advise.

    Parameters
    ----------
    states : rows of `tally.due_state`, all or a part.
    arrivals : `mart.readiness`: what share of a model arrives with the EVAP monitor not complete.
    after : curves and tables of the distance to ready.
    level : level of the bounds, 0..1.

    Returns
    -------
    `mart.vehicle_due` in the order of `states`, its `rank` null: the warehouse ranks all parts as it writes them
    (`pipeline.steps.model`). The chance rests on one of: `cleared` (share ready at the distance driven since a repair,
    but no more than arrive complete of its model: what clears codes unrecorded does so here too), `driven_on` (seen not
    complete at a known distance: 1 - (1 - F(then)) / (1 - F(seen))), `arrivals` (nothing known against it: the share of
    its model that arrives complete, which holds clears that no record shows). An overdue vehicle is judged as of today.
    """
    frame = _distances(states)
    frame = _by_arrivals(frame, arrivals)
    frame = _by_curve(frame, after.curve, level)
    km_90 = after.evap.select("make", "model", km_to_ready="pooled_km_90")
    frame = frame.join(km_90, on=["make", "model"], how="left", maintain_order="left")
    told = frame.with_columns(advice=_advice(), reason=_reason(), rank=pl.lit(None))
    return as_table(told, VEHICLE_DUE, ())


def _distances(states: pl.DataFrame) -> pl.DataFrame:
    """Say what the chance rests on, and how far the vehicle will have been driven then."""
    then = pl.max_horizontal("due_on", "as_of")
    basis = (
        pl.when(pl.col("cleared_on").is_not_null())
        .then(pl.lit("cleared"))
        .when(pl.col("evap_state") == "not_complete")
        .then(pl.lit("driven_on"))
        .otherwise(pl.lit("arrivals"))
    )
    start = pl.when(pl.col("cleared_on").is_not_null()).then(pl.lit(0.0)).otherwise("last_km_since_clear")
    since = then - pl.coalesce("cleared_on", "last_inspected_on")
    return states.with_columns(
        basis=basis,
        then=then,
        start_km=start.cast(pl.Float64),
        days_to_due=(pl.col("due_on") - pl.col("as_of")).dt.total_days(),
        km_at_due=pl.when(pl.col("due_on").is_not_null()).then(
            start + pl.col("km_per_day") * since.dt.total_days()
        ),
    )


def _by_arrivals(frame: pl.DataFrame, arrivals: pl.DataFrame) -> pl.DataFrame:
    evap = arrivals.filter(pl.col("monitor") == "evap").select(
        "make",
        "model",
        arrived_ready=1 - pl.col("not_ready_rate"),
        arrived_low=1 - pl.col("high"),
        arrived_high=1 - pl.col("low"),
        n_arrived="n_inspections",
    )
    joined = frame.join(evap, on=["make", "model"], how="left", maintain_order="left")
    rests = (pl.col("basis") == "arrivals") & pl.col("due_on").is_not_null()
    return joined.with_columns(
        **{f"chance_{end}": pl.when(rests).then(f"arrived_{end}") for end in ENDS},
        n_behind=pl.when(rests).then("n_arrived"),
    )


def _by_curve(frame: pl.DataFrame, curve: EvapCurve | None, level: float) -> pl.DataFrame:
    """Replace the chance of vehicles that were cleared or seen not complete by that of their model's curve."""
    if curve is None or curve.curves.reason or frame.is_empty():
        return frame.with_columns(share_seen=pl.lit(None, dtype=pl.Float64))
    models = curve.models.with_columns(n_curve=pl.Series(curve.curves.n, dtype=pl.Float64).cast(pl.Int64))
    frame = frame.join(models, on=["make", "model"], how="left", maintain_order="left")
    place = frame["place"].cast(pl.Int64).fill_null(-1).to_numpy()
    seen, then = (
        curve.curves.share(place, floats(frame[c]) + HALF_A_STEP, level) for c in ("start_km", "km_at_due")
    )
    chance = _given_not_yet(seen, then)
    by_curve = pl.col("basis") != "arrivals"
    told = {f"curve_{end}": pl.Series(v).fill_nan(None) for end, v in zip(ENDS, chance, strict=True)}
    frame = frame.with_columns(**told)
    is_cleared = (pl.col("basis") == "cleared") & pl.col("curve_ready").is_not_null()
    by_arrivals = is_cleared & (pl.col("arrived_ready") < pl.col("curve_ready"))
    return frame.with_columns(
        *(
            pl.when(by_arrivals)
            .then(pl.min_horizontal(f"arrived_{end}", f"curve_{end}"))
            .when(by_curve)
            .then(f"curve_{end}")
            .otherwise(f"chance_{end}")
            .alias(f"chance_{end}")
            for end in ENDS
        ),
        n_behind=pl.when(by_arrivals).then("n_arrived").when(by_curve).then("n_curve").otherwise("n_behind"),
        share_seen=pl.when(by_curve).then(pl.Series("seen", seen.value).fill_nan(None)),
    )


def _given_not_yet(seen: Estimate, then: Estimate) -> Estimate:
    """Chance to be ready then, given not ready when seen: 1 - (1 - F(then)) / (1 - F(seen)).

    The chance rises with F(then) and falls with F(seen), so the lower bound takes the low end of the one and the
    high end of the other: wider than need be, since both ends move together, but never crossed.
    """
    pairs = ((seen.value, then.value), (seen.high, then.low), (seen.low, then.high))
    with np.errstate(invalid="ignore", divide="ignore"):
        chances = [1 - (1 - t) / (1 - s) for s, t in pairs]
    return Estimate(*(np.clip(np.where(np.isneginf(c), 0.0, c), 0.0, 1.0) for c in chances))


def _reason() -> pl.Expr:
    return (
        pl.when(pl.col("chance_ready").is_not_null())
        .then(pl.lit(None, dtype=pl.String))
        .when(pl.col("due_on").is_null())
        .then(pl.lit(NO_DUE))
        .when(pl.col("basis") == "arrivals")
        .then(pl.lit(NO_ARRIVALS))
        .when(pl.col("km_at_due").is_null())
        .then(pl.lit(NO_DISTANCE))
        .otherwise(pl.lit(NO_CURVE))
    )


def _advice() -> pl.Expr:
    """One line, what helps most first: faults, a monitor that does not run, distance, the date itself."""
    is_late = pl.col("days_to_due") < 0
    late = pl.when(is_late).then(pl.lit("Overdue. ")).otherwise(pl.lit(""))
    before = pl.when(is_late).then(pl.lit("before you go")).otherwise(pl.lit("before the date"))
    why = (
        pl.when(pl.col("basis") == "cleared")
        .then(pl.lit("a repair cleared the codes, and the EVAP monitor may not have run since"))
        .otherwise(pl.lit("it was not complete when last seen"))
    )
    more = pl.col("km_to_ready") - pl.col("km_at_due")
    rounded = (more / 10).ceil().cast(pl.Int64, strict=False) * 10
    is_too_far = ~is_late & (more > MOST_KM_A_DAY * pl.max_horizontal("days_to_due", 1))
    return pl.concat_str(
        late,
        pl.when(pl.col("open_faults").list.len() > 0)
        .then(pl.format("Repair first: {}.", pl.col("open_faults").list.join("; ")))
        .when("is_lamp_on")
        .then(
            pl.lit("Repair first: the lamp was on at the last inspection, and no job has been closed since.")
        )
        .when(pl.col("due_on").is_null())
        .then(pl.lit("Enter the due date: the register has none."))
        .when((pl.col("basis") == "driven_on") & (pl.col("share_seen") >= STUCK_SHARE))
        .then(
            pl.format(
                "Find out why the EVAP monitor does not run: not complete {} km after a clear, where 99 % of its"
                " model have it complete.",
                pl.col("start_km").round().cast(pl.Int64, strict=False),
            )
        )
        .when((pl.col("basis") != "arrivals") & (pl.col("chance_ready") < ENOUGH) & is_too_far)
        .then(
            pl.format(
                "Read the monitors {}, or ask for a later date: about {} km more than usual would be needed.",
                before,
                rounded,
            )
        )
        .when((pl.col("basis") != "arrivals") & (pl.col("chance_ready") < ENOUGH) & (more > 0))
        .then(
            pl.format(
                "Drive about {} km more than usual {}, with cold starts and the tank not above 85 %.",
                rounded,
                before,
            )
        )
        .when((pl.col("basis") != "arrivals") & (pl.col("chance_ready") < ENOUGH))
        .then(pl.format("Read the monitors {}: {}.", before, why))
        .when(pl.col("chance_ready").is_null())
        .then(pl.format("Read the monitors {}: too little is known.", before))
        .otherwise(pl.lit("Nothing is known against it.")),
    )
