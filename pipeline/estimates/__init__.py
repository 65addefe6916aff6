"""Mart rows -> statistics -> tables: the only bridge between what SQL counts and what is published.

SQL joins and counts, `pipeline.statistics` estimates, and each module here turns one kind of counts into
one table of the contract, as a plain function on frames.
"""

from __future__ import annotations

from threadpoolctl import threadpool_limits

from pipeline.contract.tables import (
    AGAINST_EVIDENCE,
    ALARMS,
    COMPONENT_LIFE,
    COMPONENT_LIFE_CURVE,
    FAILURE_RATE,
    FAILURE_SPLIT,
    FIRST_LOOK,
    FIRST_TIME_FIX,
    LEAK_SIZE,
    LEAK_SIZE_CURVE,
    PROOF_CURVE,
    PROOF_WORTH,
    RECURRENCE,
    REPLACEMENT_UNIT,
)
from pipeline.estimates.after_clear import after_clear
from pipeline.estimates.against_evidence import against_evidence
from pipeline.estimates.alarm_years import with_model_years
from pipeline.estimates.alarms import alarms
from pipeline.estimates.component_life import component_lives
from pipeline.estimates.failure_rate import failure_rates
from pipeline.estimates.failure_split import failure_splits
from pipeline.estimates.first_look import first_looks
from pipeline.estimates.first_time_fix import first_time_fixes
from pipeline.estimates.inspection_part import Frames, Read, ReadParts, estimate_inspections
from pipeline.estimates.inspections import inspection_report, readiness
from pipeline.estimates.leak_size import leak_sizes
from pipeline.estimates.proof_worth import proof_worth
from pipeline.estimates.recurrence import recurrence
from pipeline.estimates.replacement_unit import replacement_units
from pipeline.estimates.stations import inspection_station, station_look
from pipeline.estimates.vehicle_due import vehicles_due
from pipeline.settings import Settings

__all__ = [
    "after_clear",
    "against_evidence",
    "alarms",
    "component_lives",
    "estimate_all",
    "estimate_inspections",
    "failure_rates",
    "failure_splits",
    "first_looks",
    "first_time_fixes",
    "inspection_report",
    "inspection_station",
    "leak_sizes",
    "proof_worth",
    "readiness",
    "recurrence",
    "replacement_units",
    "station_look",
    "vehicles_due",
    "with_model_years",
]


# The matrices are small: threads of the linear algebra would wait for each other longer than they compute.
@threadpool_limits.wrap(limits=1, user_api="blas")
def estimate_all(read: Read, settings: Settings, read_parts: ReadParts | None = None) -> Frames:
    """Estimate every mart that rests on a statistic. Reads only.

    Parameters
    ----------
    read : gives a table made by `sql/` by its full name, such as "tally.failure_count".
    settings : level and follow-up window.
    read_parts : gives such a table in parts; with it, `mart.vehicle_due` comes as an iterator of frames.

    Returns
    -------
    Frames by full name of their table, with the contract's columns. `mart.trace_result` comes from
    `pipeline.traces`; `mart.repair_check`, `mart.comeback`, `mart.repeated_failure` and
    `mart.inspection_disagreement` are whole when `sql/` has run.
    """
    level = settings.level
    stretches = read("tally.unit_life_count")
    window = read("core.setting").row(0, named=True)
    lives = component_lives(
        stretches,
        read("tally.unit_in_service"),
        read("tally.failure_count"),
        level,
        settings.stock_service_level,
    )
    repairs = read("tally.repair_follow_up")
    proof = proof_worth(repairs, read("tally.comeback_cost"), settings.follow_up_days, level)
    leaks = leak_sizes(read("tally.leak_bound"), level)
    charts = alarms(
        stretches,
        lives.lives,
        window["from_on"],
        window["to_on"],
        settings.alarm_chance,
        settings.alarm_ratio,
    )
    return {
        FAILURE_RATE.full_name: failure_rates(read("tally.failure_count"), level),
        FAILURE_SPLIT.full_name: failure_splits(read("tally.age_exposure"), read("tally.age_failure"), level),
        COMPONENT_LIFE.full_name: lives.lives,
        COMPONENT_LIFE_CURVE.full_name: lives.curves,
        REPLACEMENT_UNIT.full_name: replacement_units(stretches, level),
        RECURRENCE.full_name: recurrence(read("core.vehicle_age"), read("core.failure_age"), level),
        ALARMS.full_name: with_model_years(charts, read("tally.failure_day")),
        FIRST_TIME_FIX.full_name: first_time_fixes(repairs, settings.follow_up_days, level),
        AGAINST_EVIDENCE.full_name: against_evidence(read("tally.evidence_count"), level),
        PROOF_WORTH.full_name: proof.worth,
        PROOF_CURVE.full_name: proof.curves,
        LEAK_SIZE.full_name: leaks.sizes,
        LEAK_SIZE_CURVE.full_name: leaks.curves,
        FIRST_LOOK.full_name: first_looks(read("tally.first_look_count"), settings.minutes_to_check, level),
        **estimate_inspections(read, settings, read_parts),
    }
