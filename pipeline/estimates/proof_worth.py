"""What is proof worth? Repairs proved by a recording against those not, with its evidence against the rest."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl
from scipy import sparse

from pipeline.contract.tables import PROOF_CURVE, PROOF_WORTH
from pipeline.estimates.table_shape import as_table, empty_table, floats
from pipeline.statistics.grouping import Floats
from pipeline.statistics.hazard_ratio import cox_regression
from pipeline.statistics.intervals import Bounds
from pipeline.statistics.survival import bounds_at_the_ends, kaplan_meier, survival_curve

#: Comparison: column, its values on the side "with", its values on the side "without".
COMPARISONS = {
    "proved_or_not": ("verified", ("proved",), ("not_proved", "disproved", "no_trace")),
    "proved_or_no_recording": ("verified", ("proved",), ("no_trace",)),
    "with_or_against_evidence": ("evidence", ("yes",), ("no",)),
}
SIDES = ("without", "with")
ONE_SIDE = "no comeback on one of the two sides"
NO_COMPARISON = "repairs of one side only"
#: Comebacks for each coefficient that a ratio needs: with fewer the adjustment itself makes differences. Measured by
#: shuffling who is proved within shops, so that nothing is to be found: p fell below 0.05 in 17 % of 150 shuffles at
#: 1.7 comebacks a coefficient (400 simulated vehicles, seed 4711), below 0.01 in 2.8 % of 143 at 2.4; in 6 % and 0.7 %
#: of 150 at 3.6 and in 4 % and none of 150 at 5.3 (parts of the sample lake's repairs).
LEAST_COMEBACKS = 3


_NUMBERS = (
    "hazard_ratio",
    "hazard_ratio_low",
    "hazard_ratio_high",
    "p_value",
    "n_used",
    "n_comebacks_used",
    "comebacks_avoided",
    "comebacks_avoided_low",
    "comebacks_avoided_high",
)


class ProofWorth(NamedTuple):
    """The two marts on proof: one row per comparison, and the share without a comeback day by day."""

    worth: pl.DataFrame
    curves: pl.DataFrame


def proof_worth(repairs: pl.DataFrame, costs: pl.DataFrame, follow_up_days: int, level: float) -> ProofWorth:
    """Compare comebacks of repairs with and without proof, adjusted for component and model, within shops.

    Parameters
    ----------
    repairs : rows of `tally.repair_follow_up`: job_id, shop, model, component, verified, evidence, time_days
        [days], is_comeback, is_followed.
    costs : rows of `tally.comeback_cost`: job_id, labor_h [h], parts_cost, currency.
    follow_up_days : end of the follow-up window [days].
    level : level of the bounds, 0..1.

    Returns
    -------
    ProofWorth : `mart.proof_worth` (a missing number has its reason) and `mart.proof_curve`. A hazard ratio below
        1: repairs on the side "with" come back less. It is an association: shops record, and parts are tested,
        where the work is done with care.
    """
    if repairs.is_empty():
        return ProofWorth(empty_table(PROOF_WORTH), empty_table(PROOF_CURVE))
    rows, curves = [], []
    for name, (column, with_, without) in COMPARISONS.items():
        compared = repairs.filter(pl.col(column).is_in([*with_, *without])).with_columns(
            is_with=pl.col(column).is_in(with_)
        )
        own = costs.join(compared.filter("is_comeback"), on="job_id", how="semi", maintain_order="left")
        price = _price_of_a_comeback(own)
        rows.append({"comparison": name} | _compare(compared, follow_up_days, level) | price)
        curves.append(_curve(compared, level).with_columns(comparison=pl.lit(name)))
    frame = pl.DataFrame(rows, infer_schema_length=None)
    frame = frame.with_columns(
        pl.Series(f"{what}_avoided{end}", floats(frame[f"comebacks_avoided{end}"]) * floats(frame[each]))
        for what, each in (("hours", "labor_h_per_comeback"), ("parts_cost", "parts_cost_per_comeback"))
        for end in ("", "_low", "_high")
    )
    return ProofWorth(as_table(frame, PROOF_WORTH), as_table(pl.concat(curves), PROOF_CURVE))


def _compare(compared: pl.DataFrame, follow_up_days: int, level: float) -> dict[str, object]:
    row: dict[str, object] = {}
    for is_with, side in enumerate(SIDES):
        own = compared.filter(pl.col("is_with") == bool(is_with))
        fit = kaplan_meier(
            own["time_days"].to_numpy(), own["is_comeback"].to_numpy(), at=follow_up_days, level=level
        )
        n_followed = int(own["is_followed"].sum())
        low, high = bounds_at_the_ends(fit.survival, Bounds(fit.low, fit.high), n_followed, level)
        row |= {
            f"n_repairs_{side}": own.height,
            f"n_comebacks_{side}": int(own["is_comeback"].sum()),
            f"n_followed_{side}": n_followed,
            f"first_time_fix_{side}": _first(fit.survival) if own.height else None,
            f"first_time_fix_{side}_low": _first(low) if own.height else None,
            f"first_time_fix_{side}_high": _first(high) if own.height else None,
        }
    return row | _ratio(compared, row, level)


def _ratio(compared: pl.DataFrame, row: dict[str, object], level: float) -> dict[str, object]:
    nothing: dict[str, object] = dict.fromkeys(_NUMBERS)
    if not (row["n_repairs_with"] and row["n_repairs_without"]):
        return nothing | {"reason": NO_COMPARISON}
    if not (row["n_comebacks_with"] and row["n_comebacks_without"]):
        return nothing | {"reason": ONE_SIDE}
    used = _with_comebacks(compared)
    covariates, n_comebacks = _covariates(used), int(used["is_comeback"].sum())
    least = LEAST_COMEBACKS * covariates.shape[1]
    if n_comebacks < least:
        return nothing | {
            "reason": f"{n_comebacks} comebacks are too few to tell proof from part and model: that wants {least}"
        }
    fit = cox_regression(
        used["time_days"].to_numpy(),
        used["is_comeback"].to_numpy(),
        covariates,
        used["shop"].to_numpy(),
        level,
    )
    if fit.reason:
        return nothing | {"reason": fit.reason}
    value, low, high = (float(v[0]) for v in fit.hazard_ratio)
    n = row["n_comebacks_without"]
    avoided = (n * (1 - r) for r in (value, high, low))  # type: ignore[operator]
    numbers = (value, low, high, float(fit.p_value[0]), fit.n, fit.n_events, *avoided)
    return dict(zip(nothing, numbers, strict=True)) | {"reason": None}


def _with_comebacks(compared: pl.DataFrame) -> pl.DataFrame:
    """Leave out models, components and shops without a comeback: they say nothing of the ratio.

    Their own hazard is best fitted as 0, so that they leave every risk set.
    """
    height = -1
    while compared.height != height:
        height = compared.height
        for column in ("model", "component", "shop"):
            compared = compared.filter(pl.col("is_comeback").any().over(column))
    return compared


def _covariates(used: pl.DataFrame) -> sparse.csr_array:
    """The side, then a column for every component and model but the first of each."""
    columns = [used["is_with"].cast(pl.Float64).to_numpy()[:, None]]
    for name in ("component", "model"):
        levels = used[name].unique().sort()
        code = used[name].replace_strict(levels, pl.int_range(len(levels), eager=True)).to_numpy()
        rows = np.flatnonzero(code > 0)
        ones = (np.ones(len(rows)), (rows, code[rows] - 1))
        columns.append(sparse.coo_array(ones, (used.height, len(levels) - 1)))
    return sparse.csr_array(sparse.hstack([sparse.csr_array(columns[0]), *columns[1:]]))


def _price_of_a_comeback(costs: pl.DataFrame) -> dict[str, object]:
    """Mean hours and parts of the jobs that repairs came back as, where known; money in the commonest currency."""
    hours = costs["labor_h"].drop_nulls()
    priced = costs.drop_nulls(["parts_cost", "currency"])
    ranked = priced.group_by("currency").len().sort(["len", "currency"], descending=[True, False])
    currency = ranked["currency"][0] if ranked.height else None
    money = (
        priced.filter(pl.col("currency") == currency)["parts_cost"]
        if currency
        else pl.Series([], dtype=pl.Float64)
    )
    return {
        "n_labor_known": len(hours),
        "labor_h_per_comeback": hours.mean(),
        "n_cost_known": len(money),
        "parts_cost_per_comeback": money.mean(),
        "currency": currency,
    }


def _curve(compared: pl.DataFrame, level: float) -> pl.DataFrame:
    side = np.array(SIDES)[compared["is_with"].cast(pl.Int64).to_numpy()]
    curve = survival_curve(
        compared["time_days"].to_numpy(), compared["is_comeback"].to_numpy(), side, level=level
    )
    steps = pl.DataFrame(
        {
            "side": pl.Series(curve.group.tolist(), dtype=pl.String),
            "day": curve.time,
            "n_at_risk": curve.n_at_risk,
            "share_without_comeback": curve.survival,
            "low": curve.low,
            "high": curve.high,
        }
    )
    points = pl.concat([_starts(side, steps), steps], how="diagonal")
    followed = compared.group_by(side=pl.Series("side", side)).agg(n_followed=pl.col("is_followed").sum())
    return _with_ends(points.join(followed, on="side", how="left", maintain_order="left"), level)


def _with_ends(points: pl.DataFrame, level: float) -> pl.DataFrame:
    """Bound shares of 1 by those at risk, none of whom has come back, and shares of 0 by those followed to the end."""
    share = floats(points["share_without_comeback"])
    watched = np.where(share == 1, floats(points["n_at_risk"]), floats(points["n_followed"]))
    greenwood = Bounds(floats(points["low"]), floats(points["high"]))
    low, high = bounds_at_the_ends(share, greenwood, watched, level)
    return points.with_columns(low=low, high=high)


def _starts(side: np.ndarray, steps: pl.DataFrame) -> pl.DataFrame:
    """Day 0 of each side, where none of its repairs ended on it: all are followed, none has come back."""
    n = pl.DataFrame({"side": pl.Series(side.tolist(), dtype=pl.String)}).group_by("side").len("n_at_risk")
    began = steps.filter(pl.col("day") == 0)
    return n.join(began, on="side", how="anti").select(
        "side",
        pl.col("n_at_risk").cast(pl.Float64),
        day=pl.lit(0.0),
        share_without_comeback=pl.lit(1.0),
    )


def _first(values: Floats) -> float | None:
    return float(values[0]) if len(values) and np.isfinite(values[0]) else None
