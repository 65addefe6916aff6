"""The closed lists of words that records may use, and that tables speak in."""

from __future__ import annotations

KINDS = ("vehicles", "jobs", "traces", "samples", "inspections")

COMPONENTS = (
    "fuel_cap",
    "filler_neck",
    "vapor_line",
    "purge_valve",
    "vent_valve",
    "canister",
    "tank_pressure_sensor",
    "tank_seal",
    "fuel_tank",
    "wiring",
    "control_module",
    "none_found",
    "other",
)

ACTIONS = ("replaced", "repaired", "cleaned", "none")
STAGES = ("before_repair", "after_repair", "routine")

CHECK_NAMES = (
    "vent_click",
    "purge_click",
    "circuit_load",
    "smoke",
    "cap_seal",
    "visual",
    "sensor_reference",
)
CHECK_RESULTS = ("pass", "fail")

BULB_CHECKS = ("ok", "dark")
CONNECTORS = ("ok", "missing", "tampered", "inoperable")
TEST_RESULTS = ("pass", "fail", "return")
CAP_RESULTS = ("pass", "fail")
IGNITIONS = ("spark", "compression")

#: Monitors of SAE J1979 service 01 PID 01, spark ignition first, then those only compression ignition has.
MONITORS = (
    "misfire",
    "fuel_system",
    "comprehensive",
    "catalyst",
    "heated_catalyst",
    "evap",
    "secondary_air",
    "ac_refrigerant",
    "o2_sensor",
    "o2_heater",
    "egr_vvt",
    "nmhc_catalyst",
    "nox_aftertreatment",
    "boost_pressure",
    "exhaust_gas_sensor",
    "pm_filter",
)

PHASES = ("rest", "closed", "draw", "hold", "release")

VERDICTS = (
    "holds",
    "leak",
    "gross_leak",
    "no_vacuum",
    "purge_passes_closed",
    "vent_restricted",
    "sensor_flat",
    "sensor_offset",
    "sensor_disagrees",
    "not_judged",
)
LEAK_CENSORING = ("none", "left", "right")
VERIFIED = ("proved", "not_proved", "disproved", "no_trace")
EVIDENCE_AGREES = ("yes", "no", "cannot_say")
FUNNEL = ("inside", "above", "below", "beyond_above", "beyond_below")

TRUE_WORDS = ("true", "t", "yes", "y", "1", "on")
FALSE_WORDS = ("false", "f", "no", "n", "0", "off")
