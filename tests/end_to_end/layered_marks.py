"""The numbers that a judge of the layered recordings is measured by: one row for all, one for each kind of test."""

from __future__ import annotations

from typing import Any

import polars as pl

from tests.end_to_end.judged_recordings import sized_leaks
from tests.end_to_end.layered_truth import BANDS_MM, SURE


def pressed_at_canister() -> pl.Expr:
    """Say which recordings put a tank with a hole at the canister under pressure: its vapor stays on the carbon."""
    return pl.col("test").is_in(["fill", "flow"]) & (pl.col("is_hole_at_canister") > 0)


def measured(judged: pl.DataFrame) -> dict[str, Any]:
    """Return shares of the clear recordings, errors and coverage of the sized leaks, and the tight ones below limit."""
    f = pl.col
    clear = judged.filter(~f("is_ambiguous"))
    good = clear.filter(f("truth") != "not_judged")
    tight = judged.filter(
        (pl.all_horizontal(f("truth", "verdict") == "holds")) & f("leak_diameter_high_mm").is_not_null()
    )
    sized = judged.filter(f("is_sized"))
    out: dict[str, Any] = {
        "n": len(judged),
        "n_clear": len(clear),
        "right": clear["is_right"].mean(),
        "sure_wrong": (~clear["is_right"] & (clear["confidence"].fill_null(0) >= SURE)).mean(),
        "not_judged": (good["verdict"] == "not_judged").mean(),
        "n_tight": len(tight),
        "below_limit": (tight["diameter_mm"] <= tight["leak_diameter_high_mm"]).mean(),
    }
    for low, high, most in BANDS_MM:
        band = sized_leaks(sized, low, high)
        ratio = band["leak_diameter_mm"] / band["diameter_mm"]
        covered = (band["leak_diameter_low_mm"] <= band["diameter_mm"]) & (
            band["diameter_mm"] <= band["leak_diameter_high_mm"]
        )
        n_sized = len(sized.filter(f("diameter_mm").is_between(low, high, closed="left")))
        out[f"{low}"] = {
            "n": len(band),
            "of": n_sized,
            "median_error": (ratio - 1).abs().median(),
            "at_most": most,
            "bias": (ratio - 1).median(),
            "coverage": covered.mean(),
            "below_low": (band["diameter_mm"] < band["leak_diameter_low_mm"]).mean(),
            "above_high": (band["diameter_mm"] > band["leak_diameter_high_mm"]).mean(),
            "median_width": (
                (band["leak_diameter_high_mm"] - band["leak_diameter_low_mm"]) / band["diameter_mm"]
            ).median(),
        }
    return out
