"""Which fields are measured in a unit, what they are called without it, and how a declared unit becomes ours."""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipeline.standards import units


@dataclass(frozen=True)
class Measure:
    """A field's name without its unit, its quantity, and how many of the quantity's own unit make the field's."""

    bare: str
    quantity: str
    per_field_unit: float = 1.0


MEASURES: dict[str, Measure] = {
    "tank_pressure_pa": Measure("tank_pressure", "pressure"),
    "barometric_kpa": Measure("barometric", "pressure", 1000.0),
    "t_s": Measure("t", "time"),
    "labor_h": Measure("labor", "time", 3600.0),
    "sensor_v": Measure("sensor", "voltage"),
    "purge_duty_pct": Measure("purge_duty", "duty"),
    "fuel_level_pct": Measure("fuel_level", "duty"),
    "ambient_c": Measure("ambient", "temperature"),
    "odometer_km": Measure("odometer", "distance"),
    "distance_since_clear_km": Measure("distance_since_clear", "distance"),
    "fuel_tank_l": Measure("fuel_tank", "volume"),
    "test_flow_std_l_min": Measure("test_flow", "flow"),
    "gross_vehicle_weight_kg": Measure("gross_vehicle_weight", "mass"),
}
FIELD_OF_BARE: dict[str, str] = {measure.bare: field for field, measure in MEASURES.items()}

#: What samples declare for `t` in place of a unit, where it holds times of day: see `times.seconds_of_day`.
CLOCK = "clock"
_BRACKET = re.compile(r"^(?P<name>.*?)\s*[(\[](?P<unit>[^()\[\]]+)[)\]]\s*$")


def split_bracket(header: str) -> tuple[str, str | None]:
    """Split a header such as `FTP (inH2O)` or `FTP [inH2O]` into its name and its unit, None without one."""
    found = _BRACKET.match(header)
    return (found["name"].strip(), found["unit"].strip()) if found else (header.strip(), None)


def choices(field: str) -> str:
    """List the units that a field may be declared in."""
    clock = [CLOCK] if field == "t_s" else []
    return ", ".join([*units.UNITS[MEASURES[field].quantity], *clock])


def to_field_unit(values: pl.Series, field: str, unit: str | None) -> pl.Series:
    """Turn values of a declared unit into the field's own; an absolute pressure stays absolute.

    Parameters
    ----------
    values : numbers in `unit`
    field : a key of `MEASURES`, or any field when no unit is declared
    unit : None where the values are in the field's own unit already

    Raises
    ------
    WrongUsage : the unit is unknown.
    """
    if unit is None:
        return values
    measure = MEASURES[field]
    factor, offset = units.factor_and_offset(measure.quantity, unit)
    scale = factor / measure.per_field_unit
    scaled = values if scale == 1.0 else values * scale
    return scaled if offset == 0.0 else scaled + offset / measure.per_field_unit
