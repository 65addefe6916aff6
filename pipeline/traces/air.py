"""The air about each recording."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.traces.compiled import Flags, Floats


@dataclass(frozen=True)
class Air:
    """Ambient pressure [Pa] and temperature [°C] of each recording, the standard ones where no one recorded them."""

    pressure_pa: Floats
    temperature_c: Floats
    is_known: Flags
    is_temperature_known: Flags
