"""How well recordings are judged whose authors had not read the estimator: verdicts, diameters, intervals.

Of clear recordings: verdicts that are right, wrong, not judged, and wrong though told with 0.9 or more. Of leaks told
as leaks, by band of true diameter: median error, median of the signed error, how often the interval holds the truth,
and how many there are. Authors: `foreign_traces` (two families), `rich_traces`, `plastic_traces`, `saddle_traces`,
`carbon_traces`, `skin_traces`, `layered_traces`, `film_traces`, `blanket_traces`, `dome_traces`, `harbor_traces`,
`blend_traces`, `sag_traces`, `fizz_traces`.

Run by hand: `uv run python -m tests.benchmarks.blind_authors [RECORDINGS] [KEY] [CALM_TICKS]`, by default 1,500 of each
under key 1. CALM_TICKS, 4, is of `plastic_traces`; 1 are its author's own steps, so that `3050 20261126 1` measures the
author's own recordings. Asserts nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import polars as pl

from tests.end_to_end.blanket_traces import blanket_traces
from tests.end_to_end.blend_traces import blend_traces
from tests.end_to_end.carbon_traces import carbon_traces
from tests.end_to_end.dome_traces import dome_traces
from tests.end_to_end.film_traces import film_traces
from tests.end_to_end.fizz_traces import fizz_traces
from tests.end_to_end.foreign_traces import by_family, foreign_traces
from tests.end_to_end.harbor_traces import harbor_traces
from tests.end_to_end.judged_recordings import judge, sized_leaks
from tests.end_to_end.layered_traces import layered_traces
from tests.end_to_end.plastic_traces import plastic_traces
from tests.end_to_end.rich_traces import rich_traces
from tests.end_to_end.saddle_traces import saddle_traces
from tests.end_to_end.sag_traces import sag_traces
from tests.end_to_end.skin_traces import skin_traces

BANDS = ((0.25, 0.5), (0.5, 1.0), (1.0, 9.0))
SURE = 0.9


def main(n: int, key: int, calm_ticks: int) -> None:
    bands = "".join(
        f" | {f'{low:g}-{high:g} mm' if high < 9 else f'{low:g} mm up':>27}" for low, high in BANDS
    )
    print(f"{'% of clear recordings':>56}{bands}")
    print(
        f"{'author':22}{'n':>6}{'right':>7}{'wrong':>7}{'not j.':>7}{'sure':>7}"
        + " |  error  bias  cover     n" * len(BANDS)
    )
    for name, clear, sized in _judged(n, key, calm_ticks):
        print(f"{name:22}{_verdicts(clear)}{''.join(_sizes(sized, *band) for band in BANDS)}", flush=True)


def _judged(n: int, key: int, calm_ticks: int) -> Iterator[tuple[str, pl.DataFrame, pl.DataFrame]]:
    """Yield name, clear recordings and those whose diameter can be asked for."""
    for lake in by_family(*foreign_traces(n, key)):
        clear = judge(*lake).filter(~pl.col("is_ambiguous"))
        yield f"foreign, {clear['family'][0]}", clear, clear
    rich = judge(*rich_traces(n, key)).filter(~pl.col("is_ambiguous"))
    yield "rich", rich, rich
    plastic = judge(*plastic_traces(n, key, calm_ticks))
    clear, sized = plastic.filter(~pl.col("is_ambiguous")), plastic.filter("is_sized")
    # A fill under pressure is fairly left unjudged as well, and so tells nothing of verdicts.
    yield "plastic", clear.filter(pl.col("kind") != "fill"), sized
    yield "plastic, fixed area", clear.head(0), sized.filter(pl.col("shape") != "gives")
    yield from _saddle(n, key)
    yield from _carbon(n, key)
    fleets = {
        "skin": skin_traces,
        "layered": layered_traces,
        "film": film_traces,
        "blanket": blanket_traces,
        "dome": dome_traces,
        "harbor": harbor_traces,
        "blend": blend_traces,
        "sag": sag_traces,
        "fizz": fizz_traces,
    }
    for name, traces in fleets.items():
        clear = judge(*traces(n, key)).filter(~pl.col("is_ambiguous"))
        yield name, clear, clear.filter("is_sized")


def _saddle(n: int, key: int) -> Iterator[tuple[str, pl.DataFrame, pl.DataFrame]]:
    """Yield the fleet, fills under pressure for their sizes only, and of its sizes those of sharp holes alone."""
    saddle = judge(*saddle_traces(n, key))
    clear = saddle.filter(~pl.col("is_ambiguous"))
    yield "saddle", clear.filter(pl.col("kind") != "fill"), saddle.filter("is_sized")
    sharp = saddle.filter(pl.col("is_sized") & (pl.col("shape") == "sharp"))
    yield "saddle, sharp holes", saddle.head(0), sharp


def _carbon(n: int, key: int) -> Iterator[tuple[str, pl.DataFrame, pl.DataFrame]]:
    """Yield the fleet, fills and fed flows too, and of its sizes those of leaks on the tank's side of the carbon."""
    carbon = judge(*carbon_traces(n, key))
    sized = carbon.filter("is_sized")
    yield "carbon", carbon.filter(~pl.col("is_ambiguous")), sized
    yield "carbon, before the bed", carbon.head(0), sized.filter(pl.col("kind") != "vent_seat")


def _verdicts(clear: pl.DataFrame) -> str:
    if clear.is_empty():
        return " " * 34
    is_left = ~clear["is_right"] & (clear["verdict"] == "not_judged")
    is_wrong = ~clear["is_right"] & ~is_left
    shares = (clear["is_right"], is_wrong, is_left, is_wrong & (clear["confidence"] >= SURE))
    return f"{clear.height:6}" + "".join(f"{100 * share.mean():7.1f}" for share in shares)


def _sizes(sized: pl.DataFrame, low: float, high: float) -> str:
    band = sized_leaks(sized, low, high)
    if band.is_empty():
        return f" | {'none':>24}"
    error = band["leak_diameter_mm"] / band["diameter_mm"] - 1
    inside = band["diameter_mm"].is_between(band["leak_diameter_low_mm"], band["leak_diameter_high_mm"])
    return (
        f" | {100 * error.abs().median():6.1f}{100 * error.median():+6.1f}"
        f"{100 * inside.mean():7.1f}{band.height:6}"
    )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [1500, 1, 4][len(given) :]))
