"""What the recordings of a model have in common, as the reference for each one of them.

A sensor whose line has the wrong sign or gain is straight within its own recording, and one whose zero has drifted is
steady: only its kind gives it away. How fast the tight systems of a model draw down tells its purge flow, which turns
the vacuum that a gross leak settles at into a size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.physics.volume import CANISTER_AND_LINES_L
from pipeline.traces.agreement import Reach, agreed_by_model, voiced
from pipeline.traces.compiled import Floats
from pipeline.traces.extra_volume import MODEL, extra_volumes, flow_share
from pipeline.traces.fleet_vapor import VaporLaw, law_of_tanks
from pipeline.traces.generations import YEARS, generations, in_generation, nearest_generation
from pipeline.traces.ranges import MAD_TO_SD

#: So many recordings of a model make a norm; of volts so many vehicles that agree, see `agreement`.
MIN_RECORDINGS = 4
#: A slope is worth comparing from so clear a line on (noise in the pressure flattens it by 1 - R2 at the most), over
#: so much pressure [Pa].
_MIN_R2 = 0.9
_MIN_RANGE_PA = 400.0
#: Slopes of one kind lie within a few percent of each other [share], noise see above; vented volts [V] within a few
#: percent of the range of a 5 V sensor.
_REACH = {"volts_per_pa": Reach(0.03, 0.3, is_relative=True), "rest_v": Reach(0.1, 0.3, is_relative=False)}

READ = ("volts_per_pa", "rest_v", "rest_pa", "noise_pa", "vapor_rise_pa_s", "purge_flow_l_min")
#: Told by the recordings of all models together: the heat of a tank's gas beside what was believed of it; and the vapor
#: that tight tanks give back after a draw.
OF_ALL = ("heat_share_ratio", "heat_time_log_ratio")
VAPOR_RETURN = "vapor_return_ratio"
MIN_OF_ALL = 8
#: One vehicle's hole, tested again and again, looks like vapor: of fewer vehicles so many recordings tell of it.
MIN_OF_FEW_VEHICLES = 20
NUMBERS = (*READ, "extra_volume_l", "purge_opens_pct", *OF_ALL, VAPOR_RETURN)
#: Recordings share norms within a model, and of one whose sensors changed within the model years of one kind.
GENERATION = (*MODEL, *YEARS)
NORM_SCHEMA: dict[str, type[pl.DataType]] = (
    dict.fromkeys(MODEL, pl.String)
    | dict.fromkeys(YEARS, pl.Int64)
    | {
        name + end: kind
        for name in NUMBERS
        for end, kind in (("", pl.Float64), ("_spread", pl.Float64), ("_n", pl.Int64))
    }
)


@dataclass(frozen=True)
class Norms:
    """Norm, spread (standard deviation of one recording) and number of recordings behind it (of volts: of vehicles that
    agree), by name of NUMBERS; one element per recording asked for, nan and 0 where its model has none."""

    norm: dict[str, Floats]
    spread: dict[str, Floats]
    n: dict[str, np.ndarray]


def is_clear_line(r2: Floats, pressure_range_pa: Floats) -> np.ndarray:
    """Say which lines of volts on pressure are clear enough to be compared."""
    with np.errstate(invalid="ignore"):
        return (r2 >= _MIN_R2) & (pressure_range_pa >= _MIN_RANGE_PA)


def model_norms(readings: pl.DataFrame) -> pl.DataFrame:
    """Return the norms of each model; null where fewer than MIN_RECORDINGS tell, or, of volts, where none prevails. A
    model whose sensors changed has a row for each of its YEARS, see `generations`; of any other these are null.

    Parameters
    ----------
    readings : one row per recording: vehicle_id, make, model, model_year, READ, OF_ALL, tank_l, ullage_l, duty_pct,
        duty_gain_pct and is_timed, nan or null where it does not tell: volts_per_pa [V/Pa] (of clear lines only, never
        of pressures that were derived from the volts), rest_v [V] and rest_pa [Pa] with the vent open, noise_pa [Pa] of
        one reading, vapor_rise_pa_s [Pa/s] shut before the draw, purge_flow_l_min [l/min] at full duty (of systems that
        hold or leak a little), as proportional to duty_pct [%] and with CANISTER_AND_LINES_L beside the ullage_l [l] of
        a tank of tank_l [l] (duty_gain_pct, is_timed: see `drawn.Draw` and `purge_flow`); heat_share_ratio,
        heat_time_log_ratio, see `fleet_gas`; vapor_return_ratio, vapor_return_sd, see `fleet_vapor`.

    Returns
    -------
    NORM_SCHEMA: of each of READ the median, the median absolute deviation as the standard deviation of a normal law
    (`_spread`) and the number of recordings (`_n`); of volts those of the recordings that agree, and of how many
    vehicles they are, see `agreement.Agreed`. Purge flow by the model's own extra volume and the duty at which
    its valve opens; and those, see `extra_volume`. Numbers of OF_ALL and VAPOR_RETURN are one and the same for every
    model.
    """
    readings = readings.with_columns(pl.col(*READ, *OF_ALL, "tank_l", "ullage_l", "duty_pct").fill_nan(None))
    said = readings.filter(pl.all_horizontal(pl.col(MODEL).is_not_null()))
    extra = extra_volumes(said)
    said = voiced(said)
    said = in_generation(said, generations(said, _REACH))
    said = _flow_by_extra_volume(said.join(extra, on=MODEL, how="left"))
    found = said.group_by(GENERATION).agg(
        *(pl.col(name).median() for name in READ),
        *(_spread(name).alias(f"{name}_spread") for name in READ),
        *(pl.col(name).count().cast(pl.Int64).alias(f"{name}_n") for name in READ),
    )
    found = found.with_columns(
        pl.when(pl.col(f"{name}_n") >= MIN_RECORDINGS).then(column).alias(column)
        for name in READ
        for column in (name, f"{name}_spread")
    )
    for name, reach in _REACH.items():
        agreed = agreed_by_model(said, GENERATION, name, reach)
        found = found.drop(agreed.columns[len(GENERATION) :])
        found = found.join(agreed, on=GENERATION, how="left", nulls_equal=True)
    found = found.join(extra, on=MODEL, how="left").join(_of_all(readings), how="cross")
    return found.select(pl.col(name).cast(kind) for name, kind in NORM_SCHEMA.items()).sort(GENERATION)


def _flow_by_extra_volume(said: pl.DataFrame) -> pl.DataFrame:
    """Turn flows that were read with the usual volume and proportional to duty into those of the model's own."""
    ullage, extra = pl.col("ullage_l"), pl.col("extra_volume_l").fill_null(CANISTER_AND_LINES_L)
    duty, opens = said["duty_pct"].to_numpy(), said["purge_opens_pct"].fill_null(0.0).to_numpy()
    with np.errstate(invalid="ignore"):
        by_duty = pl.Series(duty / 100 / flow_share(duty, opens)).fill_nan(None)
    by_volume = (ullage + extra) / (ullage + CANISTER_AND_LINES_L)
    return said.with_columns(pl.col("purge_flow_l_min") * by_volume * by_duty)


def _of_all(readings: pl.DataFrame) -> pl.DataFrame:
    """Return one row: median, spread and number of OF_ALL, the first two null where fewer than MIN_OF_ALL tell; and the
    law of VAPOR_RETURN, null where none is told."""
    told = {name: pl.col(name).count() >= MIN_OF_ALL for name in OF_ALL}
    vapor = _vapor_of_all(readings)
    return readings.select(
        *(pl.when(told[name]).then(pl.col(name).median()).alias(name) for name in OF_ALL),
        *(pl.when(told[name]).then(_spread(name)).alias(f"{name}_spread") for name in OF_ALL),
        *(pl.col(name).count().cast(pl.Int64).alias(f"{name}_n") for name in OF_ALL),
        pl.lit(vapor.mean).fill_nan(None).alias(VAPOR_RETURN),
        pl.lit(vapor.spread).fill_nan(None).alias(f"{VAPOR_RETURN}_spread"),
        pl.lit(round(vapor.n)).alias(f"{VAPOR_RETURN}_n"),
    )


def _vapor_of_all(readings: pl.DataFrame) -> VaporLaw:
    ratio, sd = (readings[name].cast(pl.Float64).to_numpy() for name in (VAPOR_RETURN, "vapor_return_sd"))
    vehicles = readings["vehicle_id"].filter(np.isfinite(ratio) & np.isfinite(sd)).n_unique()
    return law_of_tanks(ratio, sd, MIN_OF_ALL if vehicles >= MIN_OF_ALL else MIN_OF_FEW_VEHICLES)


def _spread(name: str) -> pl.Expr:
    return MAD_TO_SD * (pl.col(name) - pl.col(name).median()).abs().median()


def models_of(headers: pl.DataFrame) -> pl.DataFrame:
    """Return make, model and model_year of each header, null where the headers do not say."""
    schema = dict.fromkeys(MODEL, pl.String) | {"model_year": pl.Int64}
    missing = [pl.lit(None).alias(name) for name in schema if name not in headers.columns]
    return headers.with_columns(missing).select(pl.col(name).cast(kind) for name, kind in schema.items())


def norms_for(headers: pl.DataFrame, norms: pl.DataFrame, volts_per_pa: Floats, rest_v: Floats) -> Norms:
    """Return the norms of each header's model, in the order of the headers.

    Parameters
    ----------
    volts_per_pa, rest_v : of each recording, nan where it does not tell: see `generations.nearest_generation`.
    """
    at = norms.select(GENERATION).with_row_index("at")
    own = pl.DataFrame({"volts_per_pa": volts_per_pa, "rest_v": rest_v}).fill_nan(None)
    mine = nearest_generation(models_of(headers).hstack(own), norms)
    mine = mine.join(at, on=GENERATION, how="left", maintain_order="left", nulls_equal=True)
    # One row more than there are models: of those that have no norms.
    row = mine["at"].fill_null(norms.height).to_numpy()

    def numbers(ends: tuple[str, ...], kind: type[pl.DataType], missing: float) -> list[dict[str, Any]]:
        names = [name + end for end in ends for name in NUMBERS]
        table = norms.select(pl.col(names).cast(kind).fill_null(missing)).to_numpy()
        every = np.vstack([table, np.full_like(table, missing, shape=(1, len(names)))]).T[:, row]
        return [dict(zip(NUMBERS, some, strict=True)) for some in np.split(every, len(ends))]

    (norm, spread), (n,) = numbers(("", "_spread"), pl.Float64, np.nan), numbers(("_n",), pl.Int64, 0)
    return Norms(norm, spread, n)
