"""Units: what a source may declare, and how it becomes ours (Pa, °C, km, l, kg, s, V, %, l/min).

Pressure factors: NIST SP 811, appendix B.8 (as transcribed in public tables citing it). `inH2O` is the
conventional inch of water, 249.0889 Pa; the inch at 4 °C and the one at 60 °F have names of their own.
Other factors are exact by definition (international mile, foot and pound; US and imperial gallon).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.errors import WrongUsage

_GAUGE_PA = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1000.0,
    "mbar": 100.0,
    "bar": 1e5,
    "inH2O": 249.0889,
    "inH2O_4C": 249.082,
    "inH2O_60F": 248.84,
    "mmH2O": 9.80665,
    "mmHg": 133.3224,
    "inHg": 3386.389,
    "psi": 6894.757,
}
_PLAIN = {unit: (factor, 0.0) for unit, factor in _GAUGE_PA.items()}
_ABSOLUTE = {f"{unit}_abs": (factor, 0.0) for unit, factor in _GAUGE_PA.items()}

#: quantity -> unit -> (factor, offset): ours = value * factor + offset
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "pressure": _PLAIN | _ABSOLUTE,
    "temperature": {"C": (1.0, 0.0), "K": (1.0, -273.15), "F": (5 / 9, -160 / 9)},
    "distance": {"km": (1.0, 0.0), "m": (0.001, 0.0), "mi": (1.609344, 0.0), "ft": (0.0003048, 0.0)},
    "volume": {
        "l": (1.0, 0.0),
        "ml": (0.001, 0.0),
        "m3": (1000.0, 0.0),
        "gal": (3.785411784, 0.0),
        "gal_imp": (4.54609, 0.0),
    },
    "mass": {"kg": (1.0, 0.0), "g": (0.001, 0.0), "t": (1000.0, 0.0), "lb": (0.45359237, 0.0)},
    "time": {
        "s": (1.0, 0.0),
        "ms": (1e-3, 0.0),
        "us": (1e-6, 0.0),
        "min": (60.0, 0.0),
        "h": (3600.0, 0.0),
        "d": (86400.0, 0.0),
    },
    "voltage": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
    "flow": {
        "l/min": (1.0, 0.0),
        "ml/min": (1e-3, 0.0),
        "l/h": (1 / 60, 0.0),
        "l/s": (60.0, 0.0),
        "m3/h": (1000 / 60, 0.0),
        "m3/s": (60_000.0, 0.0),
        "ft3/min": (28.316846592, 0.0),
        "ft3/h": (28.316846592 / 60, 0.0),
    },
    "duty": {"%": (1.0, 0.0), "fraction": (100.0, 0.0), "byte": (100 / 255, 0.0)},
}

#: the unit that each quantity is kept in
OUR_UNIT = {
    "pressure": "Pa",
    "temperature": "°C",
    "distance": "km",
    "volume": "l",
    "mass": "kg",
    "time": "s",
    "voltage": "V",
    "flow": "l/min",
    "duty": "%",
}

_SPELLINGS: dict[str, dict[str, str]] = {
    "pressure": {
        "in.h2o": "inH2O", "inchh2o": "inH2O", "inwc": "inH2O", "inwg": "inH2O", "inaq": "inH2O",
        "inh2o(4c)": "inH2O_4C", "inh2o@4c": "inH2O_4C", "inh2o(60f)": "inH2O_60F", "inh2o@60f": "inH2O_60F",
        "in.hg": "inHg", "inchhg": "inHg", "millibar": "mbar", "pascal": "Pa", "lbf/in2": "psi",
        "psig": "psi", "psia": "psi_abs", "kpaa": "kPa_abs", "absolutekpa": "kPa_abs",
        "kpaabsolute": "kPa_abs", "mbara": "mbar_abs", "bara": "bar_abs",
    },
    "temperature": {"celsius": "C", "kelvin": "K", "fahrenheit": "F"},
    "distance": {"mile": "mi", "miles": "mi", "kilometers": "km", "meters": "m", "feet": "ft"},
    "volume": {
        "liter": "l", "liters": "l", "cm3": "ml", "gal_us": "gal", "usgal": "gal", "gallon": "gal",
        "gallons": "gal", "impgal": "gal_imp",
    },
    "mass": {"lbs": "lb", "pound": "lb", "pounds": "lb", "tonne": "t"},
    "time": {
        "sec": "s", "second": "s", "seconds": "s", "msec": "ms", "milliseconds": "ms", "µs": "us", "μs": "us",
        "minutes": "min", "hr": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
    },
    "voltage": {"volt": "V", "volts": "V", "millivolt": "mV", "millivolts": "mV"},
    "flow": {
        "lpm": "l/min", "slpm": "l/min", "sl/min": "l/min", "stdl/min": "l/min", "liters/min": "l/min",
        "cc/min": "ml/min", "cm3/min": "ml/min", "ccm": "ml/min", "sccm": "ml/min", "scc/min": "ml/min",
        "cfm": "ft3/min", "scfm": "ft3/min", "cfh": "ft3/h", "scfh": "ft3/h",
    },
    "duty": {"pct": "%", "percent": "%", "ratio": "fraction", "0-1": "fraction", "0-255": "byte"},
}  # fmt: skip


def _plain(unit: str) -> str:
    """Reduce a spelling to what tells units apart: lower case, no spaces, no degree sign, ASCII digits."""
    text = unit.strip().lower().replace("₂", "2").replace("³", "3").replace("°", "").replace(" ", "")
    return text.replace("deg", "").replace("-abs", "_abs").replace("(abs)", "_abs")


def canonical_unit(quantity: str, unit: str | None) -> str:
    """Find the name that `UNITS` gives a unit, whatever its case and usual spelling.

    Raises
    ------
    WrongUsage : the quantity or unit is unknown, or no unit is given; the text names the choices.
    """
    if quantity not in UNITS:
        raise WrongUsage(f"There is no quantity {quantity!r}.", "units", f"Use one of: {', '.join(UNITS)}.")
    wanted = _plain(unit or "")
    known = {_plain(u): u for u in UNITS[quantity]} | _SPELLINGS[quantity]
    if quantity == "pressure" and wanted.endswith("abs") and wanted not in known:
        wanted = wanted.removesuffix("abs").rstrip("_") + "_abs"
    if wanted not in known:
        what = f"{unit!r} is not a {quantity} unit that is known." if wanted else f"A {quantity} has no unit."
        raise WrongUsage(what, f"units of {quantity}", f"Declare one of: {', '.join(UNITS[quantity])}.")
    return known[wanted]


def factor_and_offset(quantity: str, unit: str | None) -> tuple[float, float]:
    """Look up (factor, offset) of a unit in any usual spelling: ours = value * factor + offset.

    Raises
    ------
    WrongUsage : the quantity or unit is unknown.
    """
    return UNITS[quantity][canonical_unit(quantity, unit)]


def is_absolute(unit: str) -> bool:
    """Say whether a pressure unit counts from vacuum; gauge = absolute - barometric.

    Raises
    ------
    WrongUsage : the unit is not a known pressure unit.
    """
    return canonical_unit("pressure", unit).endswith("_abs")


def convert(values: Any, quantity: str, unit: str | None) -> Any:
    """Turn values of a declared unit into ours: value * factor + offset.

    Parameters
    ----------
    values : a number, an array, a list, or anything that multiplies and adds (a column, an expression)
    quantity : a key of `UNITS`
    unit : a unit of that quantity in any usual spelling

    Returns
    -------
    The same shape in our unit (`OUR_UNIT`). An absolute pressure stays absolute: subtract the barometric one.

    Raises
    ------
    WrongUsage : the quantity or unit is unknown.

    Source: NIST SP 811, appendix B.8.

    >>> round(convert(14.0, "pressure", "inH2O"), 2)
    3487.24
    """
    factor, offset = factor_and_offset(quantity, unit)
    if isinstance(values, list | tuple):
        values = np.asarray(values, dtype=float)
    return values * factor + offset
