"""What anyone must know before acting on a number: shown at the foot of every page."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Fuel vapor is explosive: no ignition source, good ventilation, a fire extinguisher at hand.",
    "Never pressurize a tank beyond the limit of the procedure in force; use an inert gas or the equipment"
    " made for it.",
    "A lifted vehicle stands on rated stands. Exhaust is hot, and a running engine needs exhaust extraction.",
    "The manufacturer's service information, local code and a licensed technician decide.",
    "An inspection result comes from the authorized station alone; nothing here replaces it.",
    "A rate or a share describes many vehicles; it does not diagnose one.",
)
