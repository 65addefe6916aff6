"""What the sensors of a model do: volts per pascal over all its recordings, as the norm of each one of them.

A sensor whose line has the wrong sign or gain is straight within its own recording; only its kind gives it away.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.traces.tolerance import SHARP, above
from pipeline.traces.view import MAD_TO_SD
from pipeline.traces.volts import VoltStory

#: So many recordings of a model make a norm, where so large a share of them agree on it (within _OFF_BY of the median):
#: two kinds of sensor under one name have none.
MIN_RECORDINGS = 5
_AGREE = 0.7
#: A slope is worth comparing from so clear a line on (noise in the pressure flattens it by 1 - R2 at the most), over
#: so much pressure [Pa].
_MIN_R2 = 0.9
_MIN_RANGE_PA = 400.0
#: Off by so much of the norm is no matter of tolerance (a few percent) nor of noise (see above); where the model's
#: own recordings scatter, by so many standard deviations.
_OFF_BY = 0.25
_OFF_BY_SPREADS = 5.0

_MODEL = ("make", "model")
_IS_CLEAR = (pl.col("r2") >= _MIN_R2) & (pl.col("pressure_range_pa") >= _MIN_RANGE_PA)
NORM_SCHEMA = {
    "make": pl.String,
    "model": pl.String,
    "volts_per_pa": pl.Float64,
    "spread": pl.Float64,
    "n_recordings": pl.UInt32,
}


def volt_norms(slopes: pl.DataFrame) -> pl.DataFrame:
    """Return the norm of each model that has one.

    Parameters
    ----------
    slopes : one row per recording: make, model, volts_per_pa [V/Pa] (least squares of volts on pressure over the whole
        recording), r2 of that line, pressure_range_pa [Pa] that it spans. Recordings whose pressure was derived from
        the volts must be left out.

    Returns
    -------
    make, model, volts_per_pa [V/Pa] (median), spread (median absolute deviation as the standard deviation of a normal
    law, share of the median), n_recordings, at least MIN_RECORDINGS.
    """
    off = (pl.col("volts_per_pa") / pl.col("volts_per_pa").median() - 1).abs()
    return (
        slopes.filter(_IS_CLEAR & pl.all_horizontal(pl.col(_MODEL).is_not_null()))
        .group_by(_MODEL)
        .agg(
            pl.col("volts_per_pa").median(),
            spread=MAD_TO_SD * off.median(),
            n_recordings=pl.len(),
            agree=(off <= _OFF_BY).mean(),
        )
        .filter((pl.col("n_recordings") >= MIN_RECORDINGS) & (pl.col("agree") >= _AGREE))
        .select(pl.col(name).cast(kind) for name, kind in NORM_SCHEMA.items())
        .sort(_MODEL)
    )


def against_norms(story: VoltStory, headers: pl.DataFrame, norms: pl.DataFrame | None) -> VoltStory:
    """Compare each recording's line with its model's norm.

    Parameters
    ----------
    headers : make and model of each recording; without them nothing is compared.
    norms : as `volt_norms` returns them; None takes those of these very recordings.
    """
    if not set(_MODEL) <= set(headers.columns):
        return story
    slopes = headers.select(pl.col(_MODEL).cast(pl.String)).with_columns(
        volts_per_pa=pl.Series(story.volts_per_pa),
        r2=pl.Series(story.r2).fill_nan(None),
        pressure_range_pa=pl.Series(story.pressure_range).fill_nan(None),
        has_volts=pl.Series(story.has_volts),
    )
    norms = volt_norms(slopes.filter("has_volts")) if norms is None else norms
    known = norms.rename({"volts_per_pa": "norm"}).select(*_MODEL, "norm", "spread", "n_recordings")
    both = slopes.join(known, on=_MODEL, how="left", maintain_order="left")
    limit = pl.max_horizontal(pl.lit(_OFF_BY), _OFF_BY_SPREADS * pl.col("spread"))
    can_tell = pl.col("has_volts") & _IS_CLEAR & pl.col("norm").is_not_null()
    off_by = pl.when(can_tell).then((pl.col("volts_per_pa") / pl.col("norm") - 1).abs() / limit)
    off = both.select(off_by.fill_null(float("nan"))).to_series().to_numpy()
    return replace(
        story,
        is_off_norm=above(off, 1.0, SHARP),
        norm_volts_per_pa=both["norm"].fill_null(float("nan")).to_numpy(),
        norm_n=both["n_recordings"].fill_null(0).cast(pl.Int64).to_numpy(),
    )
