"""How is a recording judged into which gas was fed at a steady flow?"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.settings import Settings
from pipeline.traces.chance_of_leak import WIDEST_MM
from pipeline.traces.quantities import pressure
from pipeline.traces.steady_flow import SteadyFlow
from pipeline.traces.suspects import name_suspects
from pipeline.traces.verdict import HOLDS_MM

#: Verdicts that stand against it: of a sensor that is off nothing can be read.
_ABOUT_SENSORS = ("sensor_flat", "sensor_offset", "sensor_disagrees")
COLUMNS = (
    "steady_flow_std_l_min",
    "steady_pressure_pa",
    "certification_diameter_mm",
    "certification_diameter_low_mm",
    "certification_diameter_high_mm",
)
#: What was read from a decay, which does not hold of a steady flow.
_OF_DECAYS = (
    "second_verdict",
    "second_confidence",
    "equilibrium_diameter_mm",
    "equilibrium_diameter_low_mm",
    "equilibrium_diameter_high_mm",
    "leak_area_per_volume_mm2_m3",
    "leak_area_per_volume_low_mm2_m3",
    "leak_area_per_volume_high_mm2_m3",
    "pressure_test",
)


def with_steady_flows(
    frame: pl.DataFrame, steady: SteadyFlow | None, headers: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Return the rows of a batch with those judged anew that a steady flow tells more of: it hardly needs the volume.

    Parameters
    ----------
    frame : numbers, verdict, evidence and suspects by the pressure alone, one row per header.
    steady : None where no recording was fed.
    headers : trouble_codes and checks of each, where there are any.
    """
    if steady is None:
        return frame.with_columns(pl.lit(None, pl.Float64).alias(name) for name in COLUMNS)
    numbers = (steady.flow, steady.gauge, steady.certified, steady.certified_low, steady.certified_high)
    frame = frame.with_columns(
        pl.Series(name, values, dtype=pl.Float64).fill_nan(None)
        for name, values in zip(COLUMNS, numbers, strict=True)
    )
    rows = frame.to_dicts()
    for k, row in enumerate(rows):
        if is_judged_by_flow(steady, k, row["verdict"]):
            row |= _judged(steady, k, headers, settings)
    return pl.DataFrame(rows, schema=frame.schema)


def is_judged_by_flow(steady: SteadyFlow | None, k: int, verdict: str) -> bool:
    """Say whether recording k is judged by its steady flow, which a verdict about the sensor stands against."""
    return steady is not None and bool(steady.is_told[k]) and verdict not in _ABOUT_SENSORS


def _judged(steady: SteadyFlow, k: int, headers: pl.DataFrame, settings: Settings) -> dict[str, object]:
    verdict, confidence = _verdict(steady, k, settings.least_confidence)
    is_leak, holds, is_open = (verdict == word for word in ("leak", "holds", "gross_leak"))
    codes, checks = (_words(headers, name, k) for name in ("trouble_codes", "checks"))
    return {
        **dict.fromkeys(_OF_DECAYS),
        "verdict": verdict,
        "confidence": None if verdict == "not_judged" else confidence,
        "leak_diameter_mm": float(steady.diameter[k]) if is_leak else None,
        "leak_diameter_low_mm": 0.0 if holds else float(steady.low[k]) if is_leak or is_open else None,
        "leak_diameter_high_mm": float(steady.high[k]) if is_leak or holds else None,
        "leak_censoring": {"leak": "none", "holds": "left", "gross_leak": "right"}.get(verdict),
        "discharge_at_hold": float(steady.discharge[k])
        if is_leak and np.isfinite(steady.discharge[k])
        else None,
        "evidence": _sentence(steady, k, verdict, settings),
        "suspects": name_suspects(((verdict, 1.0),) if verdict != "not_judged" else (), checks, codes),
    }


def _verdict(steady: SteadyFlow, k: int, least: float) -> tuple[str, float]:
    if steady.is_open[k] or steady.low[k] > WIDEST_MM:
        return "gross_leak", 1.0
    chance = float(steady.chance_of_leak[k])
    if chance >= least:
        return "leak", chance
    if 1 - chance >= least and steady.high[k] < HOLDS_MM:
        return "holds", 1 - chance
    return "not_judged", max(chance, 1 - chance)


def _words(headers: pl.DataFrame, name: str, k: int) -> tuple[str, ...]:
    return tuple(headers.select(name).row(k)[0] or ()) if name in headers.columns else ()


def _sentence(s: SteadyFlow, k: int, verdict: str, settings: Settings) -> str:
    fed = f"Gas was fed into the shut system: {s.flow[k]:.2f} l/min of it (as of 20 °C and 101.325 kPa) flowed out"
    by = f"discharge coefficient {settings.discharge_coefficient:.2f}"
    if verdict == "gross_leak":
        size = f"the hole is larger than {np.floor(10 * s.low[k]) / 10:.1f} mm ({by})"
        built = "no pressure" if s.is_open[k] else pressure(float(s.gauge[k]))
        return f"{fed} and {built} built: {size}, or the vent path is open."
    held = f"{fed} at {pressure(float(s.gauge[k]))} for {s.seconds[k]:.0f} s"
    if verdict == "holds":
        return (
            f"{held}: it holds, more would have flowed out of a hole larger than {s.high[k]:.2f} mm ({by})."
        )
    if verdict == "not_judged" and s.high[k] >= HOLDS_MM:
        return (
            f"{held}: a hole of up to {s.high[k]:.2f} mm is possible ({by}). What was fed, and what vapor the fuel"
            " may give off beside it, neither shows a leak nor rules one out."
        )
    size = (
        f"a hole of about {s.diameter[k]:.2f} mm ({s.low[k]:.2f} to {s.high[k]:.2f} mm at {settings.level:.0%}, from"
        f" one behind carbon that keeps the fuel vapor to gas full of it; {by}), {s.certified[k]:.2f} mm by 40 CFR"
        " 1066.985, which knows of no vapor; the tank's size hardly matters here"
    )
    tail = (
        ": too close to the smallest hole that counts as a leak to say which"
        if verdict == "not_judged"
        else ""
    )
    return f"{held}: {size}{tail}."
