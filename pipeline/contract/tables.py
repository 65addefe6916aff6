"""What comes out: the marts, column by column, with type, unit and meaning.

DuckDB column comments, axis titles, the reference page and the check that a run kept its promises all
derive from this one dictionary. Types are DuckDB's.
"""

from __future__ import annotations

from pipeline.contract.table_form import Column, Table
from pipeline.contract.tables_audit import (
    AUDIT_FILES,
    AUDIT_RUNS,
    QUARANTINE_RECORDS,
)
from pipeline.contract.tables_comebacks import AGAINST_EVIDENCE, COMEBACK, REPEATED_FAILURE
from pipeline.contract.tables_fleet import (
    ALARMS,
    COMPONENT_LIFE,
    COMPONENT_LIFE_CURVE,
    FAILURE_RATE,
    FAILURE_SPLIT,
    FIRST_LOOK,
    FIRST_TIME_FIX,
    PROOF_CURVE,
    PROOF_WORTH,
    RECURRENCE,
    REPLACEMENT_UNIT,
)
from pipeline.contract.tables_inspection import (
    CYCLE_OUTCOME,
    INSPECTION_DISAGREEMENT,
    INSPECTION_REPORT,
    INSPECTION_STATION,
    MONITOR_AFTER_CLEAR,
    READINESS,
    READINESS_AFTER_CLEAR,
    STATION_LOOK,
    VEHICLE_DUE,
    VEHICLES_TESTED,
)
from pipeline.contract.tables_traces import (
    LEAK_SIZE,
    LEAK_SIZE_CURVE,
    MODEL_NORM,
    REPAIR_CHECK,
    SOURCE_PRESSURE,
    SOURCE_VENT,
    SOURCE_ZERO,
    TRACE_RESULT,
)

__all__ = [
    "AGAINST_EVIDENCE",
    "ALARMS",
    "AUDIT_FILES",
    "AUDIT_RUNS",
    "COMEBACK",
    "COMPONENT_LIFE",
    "COMPONENT_LIFE_CURVE",
    "CYCLE_OUTCOME",
    "FAILURE_RATE",
    "FAILURE_SPLIT",
    "FIRST_LOOK",
    "FIRST_TIME_FIX",
    "INSPECTION_DISAGREEMENT",
    "INSPECTION_REPORT",
    "INSPECTION_STATION",
    "LEAK_SIZE",
    "LEAK_SIZE_CURVE",
    "MARTS",
    "MODEL_NORM",
    "MONITOR_AFTER_CLEAR",
    "PROOF_CURVE",
    "PROOF_WORTH",
    "QUARANTINE_RECORDS",
    "READINESS",
    "READINESS_AFTER_CLEAR",
    "RECURRENCE",
    "REPAIR_CHECK",
    "REPEATED_FAILURE",
    "REPLACEMENT_UNIT",
    "SOURCE_TABLES",
    "STATION_LOOK",
    "TRACE_RESULT",
    "VEHICLES_TESTED",
    "VEHICLE_DUE",
    "Column",
    "Table",
]

#: What is asked of every source, in the order of `traces.sources.Sources`.
SOURCE_TABLES: tuple[Table, ...] = (SOURCE_VENT, SOURCE_PRESSURE, SOURCE_ZERO)
#: The marts that a run fills, in the order in which they are made.
MARTS: tuple[Table, ...] = (
    TRACE_RESULT,
    MODEL_NORM,
    *SOURCE_TABLES,
    REPAIR_CHECK,
    FAILURE_RATE,
    FAILURE_SPLIT,
    COMPONENT_LIFE,
    COMPONENT_LIFE_CURVE,
    REPLACEMENT_UNIT,
    RECURRENCE,
    ALARMS,
    FIRST_TIME_FIX,
    COMEBACK,
    REPEATED_FAILURE,
    AGAINST_EVIDENCE,
    PROOF_WORTH,
    PROOF_CURVE,
    LEAK_SIZE,
    LEAK_SIZE_CURVE,
    FIRST_LOOK,
    INSPECTION_REPORT,
    CYCLE_OUTCOME,
    VEHICLES_TESTED,
    READINESS,
    STATION_LOOK,
    READINESS_AFTER_CLEAR,
    MONITOR_AFTER_CLEAR,
    VEHICLE_DUE,
    INSPECTION_STATION,
    INSPECTION_DISAGREEMENT,
)
