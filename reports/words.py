"""How numbers and closed-list words are written: one spelling for sentences, tables, axes and tooltips."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from pipeline.contract.tables import Column, Table

MISSING = "–"

LABELS: dict[str, str] = {
    "evap": "EVAP system",
    "o2_sensor": "oxygen sensor",
    "o2_heater": "oxygen sensor heater",
    "egr_vvt": "EGR or VVT",
    "ac_refrigerant": "A/C refrigerant",
    "nmhc_catalyst": "NMHC catalyst",
    "nox_aftertreatment": "NOx aftertreatment",
    "pm_filter": "PM filter",
    "comprehensive": "comprehensive components",
    "no_trace": "no recording",
    "no_vacuum": "no vacuum arrives",
    "sensor_disagrees": "sensor volts and pressure disagree",
    "not_judged": "not judged",
    "gross_leak": "gross leak",
    "purge_passes_closed": "purge passes when shut",
    "inside": "inside the limits",
    "above": "above the 95% limit",
    "below": "below the 95% limit",
    "beyond_above": "above the 99.8% limit",
    "beyond_below": "below the 99.8% limit",
    "initial_failure": "failed the initial test",
    "not_ready": "a monitor not complete",
    "repeated_record": "monitor bytes that repeat another record's",
    "repeated_distance": "distance and warm-ups that repeat another vehicle's",
    "soon_after_clear": "less than 80 km after a clear",
    "close_tests": "begun less than 3 minutes after another vehicle's",
    "quick_retest": "passed within an hour, monitors completed meanwhile",
    "distance_km": "distance",
    "yes": "part among the suspects",
    "no": "part not among the suspects",
    "cannot_say": "recording cannot say",
    "early": "early failures",
    "random": "chance, at any age",
    "wear_out": "wear",
    "unclear": "unclear",
}

#: Axis titles shorter than the contract's meaning; the unit always comes from the contract.
SHORT: dict[str, str] = {
    "first_time_fix": "repairs without a comeback",
    "not_ready_rate": "share of inspections with the monitor not complete",
    "leak_diameter_mm": "effective leak diameter",
    "diameter_mm": "effective leak diameter",
    "median_mm": "median effective leak diameter",
    "share_at_most": "share of recordings with a leak at most so large",
    "percent": "share of test cycles",
    "rate_per_million_km": "failures per million km",
    "observed": "failures in the month",
    "share_without_comeback": "repairs without a comeback",
    "age_years": "age of the unit",
    "failures_per_unit": "failures per unit up to that age",
    "n_repairs": "repairs closed inside the window",
    "chance_ready": "chance of a complete EVAP monitor then",
    "vehicle_years": "exposure inside the window",
}


def drawable(text: str, longest: int = 80) -> str:
    """Write text of the data for a drawing: no control or direction mark (XML cannot hold them), and not endless."""
    seen = "".join(
        c if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Cn", "Co") else "\ufffd" for c in text
    )
    return seen if len(seen) <= longest else f"{seen[: longest - 1]}…"


def label(word: str | None) -> str:
    """Write a closed-list word for people: `purge_valve` as "purge valve"."""
    if word is None:
        return "not recorded"
    return LABELS.get(word, word.replace("_", " "))


def column(table: Table, name: str) -> Column:
    """Find a column of the contract by name."""
    return next(c for c in table.columns if c.name == name)


def axis_title(table: Table, name: str) -> str:
    """Title an axis from the contract: short name or meaning, then the unit in brackets."""
    found = column(table, name)
    text = SHORT.get(name, found.meaning)
    return f"{text} [{found.unit}]" if found.unit and found.unit not in text else text


def is_missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and not math.isfinite(value))


def count(value: int | None) -> str:
    """Write a count with separators: 12,345."""
    return MISSING if is_missing(value) else f"{int(value):,}"  # type: ignore[arg-type]


def number(value: float | None, digits: int = 3) -> str:
    """Write a number to so many significant digits, never in powers of ten."""
    if is_missing(value):
        return MISSING
    x = float(value)  # type: ignore[arg-type]
    if x == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(x))))
    return f"{x:,.{min(decimals, 6)}f}"


def two_digits(value: float | None) -> str:
    return number(value, 2)


def millimeters(value: float | None) -> str:
    """Write a diameter to hundredths, as the sentence of its recording does."""
    return MISSING if is_missing(value) else f"{value:.2f}"


def share(value: float | None) -> str:
    """Write a share as percent with one decimal: 0.9342 as "93.4%"."""
    return MISSING if is_missing(value) else f"{100 * float(value):.1f}%"  # type: ignore[arg-type]


def percent(value: float | None) -> str:
    """Write a number that already is a percentage: 93.42 as "93.4%"."""
    return MISSING if is_missing(value) else f"{float(value):.1f}%"  # type: ignore[arg-type]


def tenths(value: float | None) -> str:
    """Write a percentage's bound with one decimal and no sign, where the sign stands beside it."""
    return MISSING if is_missing(value) else f"{float(value):.1f}"  # type: ignore[arg-type]


def chance(value: float | None) -> str:
    """Write a p- or q-value; below 0.0001 as a bound."""
    if is_missing(value):
        return MISSING
    return "< 0.0001" if float(value) < 1e-4 else number(value, 2)  # type: ignore[arg-type]


def interval(low: float | None, high: float | None, write: Any = number) -> str:
    """Write bounds as "low to high"; "no interval" where either is missing."""
    if is_missing(low) and is_missing(high):
        return "no interval"
    if is_missing(low) or is_missing(high):
        return f"at most {write(high)}" if is_missing(low) else f"at least {write(low)}"
    return f"{write(low)} to {write(high)}"


def bounded_share(value: float | None, low: float | None, high: float | None) -> str:
    """Write a share with its bounds: "31.0% (24.0% to 38.0%)"; by its bounds alone where only these are known."""
    bounds = interval(low, high, share)
    return bounds if is_missing(value) and bounds != "no interval" else f"{share(value)} ({bounds})"


def plural(n: int | None, one: str, many: str = "") -> str:
    """Write a count with its noun: "1 failure", "12 failures"."""
    return f"{count(n)} {one if n == 1 else many or one + 's'}"


def listed(items: Iterable[str]) -> str:
    """Join words as a person would: "a, b and c"."""
    words = list(items)
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def day(value: date | datetime | None) -> str:
    return MISSING if value is None else value.strftime("%Y-%m-%d")


def moment(value: datetime | None) -> str:
    return MISSING if value is None else value.strftime("%Y-%m-%d %H:%M UTC")


def of_model(row: dict[str, Any]) -> str:
    """Name a model with its make."""
    return f"{row['make']} {row['model']}"


def vehicle_type(row: dict[str, Any]) -> str:
    return label(row["vehicle_type"]) if row["vehicle_type"] else "type not recorded"
