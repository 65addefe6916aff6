"""Diagnostic trouble codes: their form, which of them are EVAP codes, and what family each belongs to.

Source: SAE J2012 / ISO 15031-6, from memory (the standard was not read); the list of EVAP codes is the
project's contract. The hole sizes that people attach to two leak codes are custom, not part of the code's text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

import numpy as np

_FORM = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_FAMILIES: dict[str, tuple[str, ...]] = {
    "general": ("P0440",),
    "purge_flow": ("P0441", "P0496", "P0497"),
    "leak_small": ("P0442",),
    "leak_large": ("P0455",),
    "leak_very_small": ("P0456",),
    "leak_cap": ("P0457",),
    "purge_circuit": ("P0443", "P0444", "P0445", "P0458", "P0459"),
    "vent_circuit": ("P0446", "P0447", "P0448", "P0449", "P0498", "P0499"),
    "vent_function": ("P2421", "P2422"),
    "sensor": ("P0450", "P0451", "P0452", "P0453", "P0454"),
    "purge_flow_sensor": ("P0465", "P0466", "P0467", "P0468", "P0469"),
    "switching_valve": ("P2418", "P2419", "P2420", "P2450", "P2451"),
    "detection_pump": ("P2400", "P2401", "P2402", "P2403", "P2404", "P2405", "P2406", "P2407"),
    "reference_orifice": ("P043E", "P043F"),
}
_FAMILY_OF = {code: name for name, codes in _FAMILIES.items() for code in codes}

#: Diameters [in] between which lies the leak that a code speaks of. 13 CCR 1968.2(e)(4.2.2) asks monitors to find leaks
#: as of orifices of 0.020 and 0.040 in (wording from memory); that P0456 and P0442 name them is custom. P0455 (large),
#: P0457 (cap) and P0440 name no size.
_NOMINAL_IN = {"P0456": (0.020, 0.040), "P0442": (0.040, math.inf)}
_MM_PER_IN = 25.4

#: every EVAP code of the contract; P0494 and P0495 (cooling fan) and P145x (a manufacturer's own) are not.
EVAP_CODES: frozenset[str] = frozenset(_FAMILY_OF)
FAMILIES: tuple[str, ...] = tuple(_FAMILIES)


def normal_code(text: str) -> str:
    """Write a code as the tables hold it: upper case, no blanks around it."""
    return text.strip().upper()


def is_trouble_code(text: str) -> bool:
    """Say whether a text has the form of a code: P, C, B or U, then 0 to 3, then three hexadecimal digits."""
    return _FORM.fullmatch(normal_code(text)) is not None


def is_evap_code(code: str) -> bool:
    """Say whether a code is one of the contract's EVAP codes."""
    return normal_code(code) in EVAP_CODES


def has_evap_code(lists: Iterable[Iterable[str] | None]) -> np.ndarray:
    """Say for each record's list of codes whether it holds an EVAP code; None counts as an empty list."""
    return np.array([any(map(is_evap_code, codes or ())) for codes in lists], dtype=bool)


def family(code: str) -> str | None:
    """Name what an EVAP code speaks of (one of `FAMILIES`); None for every other code."""
    return _FAMILY_OF.get(normal_code(code))


def nominal_size_mm(code: str) -> tuple[float, float] | None:
    """Tell the leak that a code customarily speaks of: at least so large, smaller than so large [mm], or None.

    >>> nominal_size_mm("P0456")
    (0.508, 1.016)
    """
    between = _NOMINAL_IN.get(normal_code(code))
    return None if between is None else (between[0] * _MM_PER_IN, between[1] * _MM_PER_IN)
