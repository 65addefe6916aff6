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

#: Components that are a place to look at, with the minutes that a look takes: common practice on a warm vehicle in a
#: bay (cap tester, click and hold of a valve, scan against a reference gauge, load on a circuit, smoke for what only
#: smoke finds), no source; the setting `minutes_to_check` replaces them.
MINUTES_TO_CHECK = {
    "fuel_cap": 5.0,
    "filler_neck": 10.0,
    "vapor_line": 30.0,
    "purge_valve": 10.0,
    "vent_valve": 15.0,
    "canister": 20.0,
    "tank_pressure_sensor": 10.0,
    "tank_seal": 30.0,
    "fuel_tank": 45.0,
    "wiring": 20.0,
    "control_module": 40.0,
}

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

#: Stands for make, model or trouble code in the rows of a table that hold all of them together.
POOLED = "*"
#: Days of a vehicle-year.
DAYS_PER_YEAR = 365.25
#: False-discovery rate below which a rate is said to stand out from those that it is compared with.
APART_Q = 0.05
