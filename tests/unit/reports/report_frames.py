"""Made-up marts with every column of the contract: realistic, empty, and hostile.

Makes, models, shops and people are invented. Intervals come from SciPy so that they are the right size; the
tests compare pages with these tables and never with a formula.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl

from pipeline.contract.tables import MARTS
from tests.unit.reports.audit_frames import audit_files, audit_runs, quarantine
from tests.unit.reports.first_look_frames import first_look
from tests.unit.reports.frame_of_table import HOSTILE, TABLES, framed
from tests.unit.reports.inspection_frames import (
    cycle_outcome,
    inspection_disagreement,
    inspection_report,
    inspection_station,
    monitor_after_clear,
    readiness,
    readiness_after_clear,
    station_look,
    vehicle_due,
    vehicles_tested,
)
from tests.unit.reports.life_frames import (
    alarms,
    component_life,
    component_life_curve,
    recurrence,
    replacement_unit,
)
from tests.unit.reports.repair_frames import (
    against_evidence,
    comeback,
    failure_rate,
    failure_split,
    first_time_fix,
    proof_curve,
    proof_worth,
    repair_check,
    repeated_failure,
)
from tests.unit.reports.trace_frames import (
    leak_size,
    leak_size_curve,
    source_pressure,
    source_vent,
    source_zero,
    trace_result,
)


def empty_tables() -> dict[str, pl.DataFrame]:
    """Every table with its columns and no row."""
    return {name: framed(table, []) for name, table in TABLES.items()}


def blank_tables() -> dict[str, pl.DataFrame]:
    """Every mart with rows that have their key and nothing else."""
    keys = {
        "make": "Halden",
        "model": "Orrin",
        "component": "purge_valve",
        "by": "shop",
        "group": "shop-01",
        "monitor": "evap",
        "item": "(a)(2)(i)",
        "measure": "not_ready",
        "station_id": "S1",
        "verdict": "not_judged",
        "stage": "routine",
        "trace_id": "t1",
        "job_id": "j1",
        "shop_id": "shop-01",
        "vehicle_id": "v1",
        "inspection_id": "i1",
        "counter": "distance_km",
    }
    tables = empty_tables()
    for table in MARTS:
        tables[table.full_name] = framed(table, [{c: keys[c] for c in table.column_names if c in keys}])
    return tables


def full_tables(hostile: bool = False) -> dict[str, pl.DataFrame]:
    """Every table as a middling fleet would fill it; with `hostile`, free text holds markup."""
    rng = np.random.default_rng(5)
    tables = {
        "mart.failure_rate": failure_rate(rng),
        "mart.failure_split": failure_split(),
        "mart.component_life": component_life(),
        "mart.component_life_curve": component_life_curve(),
        "mart.replacement_unit": replacement_unit(),
        "mart.recurrence": recurrence(),
        "mart.alarms": alarms(),
        "mart.first_time_fix": first_time_fix(rng),
        "mart.repair_check": repair_check(rng),
        "mart.comeback": comeback(),
        "mart.against_evidence": against_evidence(),
        "mart.repeated_failure": repeated_failure(),
        "mart.proof_worth": proof_worth(),
        "mart.proof_curve": proof_curve(),
        "mart.leak_size": leak_size(rng),
        "mart.leak_size_curve": leak_size_curve(),
        "mart.trace_result": trace_result(rng, hostile),
        "mart.source_vent": source_vent(hostile),
        "mart.source_pressure": source_pressure(hostile),
        "mart.source_zero": source_zero(hostile),
        "mart.first_look": first_look(),
        "mart.inspection_report": inspection_report(rng),
        "mart.readiness": readiness(rng),
        "mart.station_look": station_look(rng),
        "mart.readiness_after_clear": readiness_after_clear(),
        "mart.monitor_after_clear": monitor_after_clear(),
        "mart.vehicle_due": vehicle_due(),
        "mart.inspection_station": inspection_station(),
        "mart.vehicles_tested": vehicles_tested(),
        "mart.cycle_outcome": cycle_outcome(),
        "mart.inspection_disagreement": inspection_disagreement(),
        "quarantine.records": quarantine(hostile),
        "audit.files": audit_files(),
        "audit.runs": audit_runs(),
    }
    if hostile:
        renamed = (
            pl.when(pl.col("model") == "Orrin")
            .then(pl.lit(HOSTILE))
            .otherwise(pl.col("model"))
            .alias("model")
        )
        for name in (
            "mart.failure_rate",
            "mart.failure_split",
            "mart.component_life",
            "mart.component_life_curve",
            "mart.replacement_unit",
            "mart.recurrence",
            "mart.alarms",
            "mart.comeback",
            "mart.first_look",
            "mart.readiness",
            "mart.monitor_after_clear",
        ):
            tables[name] = tables[name].with_columns(renamed)
        shop = (
            pl.when(pl.col("group") == "shop-03")
            .then(pl.lit(HOSTILE))
            .otherwise(pl.col("group"))
            .alias("group")
        )
        tables["mart.first_time_fix"] = tables["mart.first_time_fix"].with_columns(shop)
    return tables


def reader(tables: dict[str, pl.DataFrame]) -> Callable[[str], pl.DataFrame]:
    return tables.__getitem__
