-- grain: one test cycle of one vehicle
-- key: vehicle_id, cycle_no
-- reads: core.visit, core.setting
-- units: dates in UTC
-- leaves out: nothing; initial_verdict is null where no visit of the cycle has a verdict
-- why: 40 CFR 51.366(a)(2) counts vehicles by how their tests began and ended. The first visit with a verdict is the
--   initial test, the next verdict the first retest. Every cycle that failed initially has one outcome: passed,
--   waived, unknown (the last verdict is a fail and cycle_gap_days have passed since the last visit) or open.
--   Where one visit both passes and is marked waived, the outcome is the pass; is_waived still says so.

with cycles as (
    select
        vehicle_id,
        cycle_no,
        min(inspected_on) as started_on,
        max(inspected_on) as last_on,
        count(*) as n_visits,
        max(verdict_no) as n_verdicts,
        any_value(model_year) as model_year,
        any_value(vehicle_type) as vehicle_type,
        bool_or(is_waived) as is_waived,
        bool_or(verdict = 'pass') as is_passed,
        max(mil_on) filter (visit_no = 1) as is_first_mil_on,
        max(has_codes) filter (visit_no = 1) as is_first_with_codes,
        max(is_not_ready) filter (visit_no = 1) as is_first_not_ready,
        max(inspection_id) filter (has_verdict and verdict_no = 1) as initial_inspection_id,
        max(station_id) filter (has_verdict and verdict_no = 1) as initial_station_id,
        max(verdict) filter (has_verdict and verdict_no = 1) as initial_verdict,
        max(cap_test_result) filter (has_verdict and verdict_no = 1) as initial_cap_result,
        max(verdict) filter (has_verdict and verdict_no = 2) as retest_verdict
    from core.visit
    group by vehicle_id, cycle_no
)

select
    cycles.vehicle_id,
    cycles.cycle_no,
    cycles.model_year,
    cycles.vehicle_type,
    cycles.started_on,
    cycles.last_on,
    cycles.n_visits,
    cycles.n_verdicts,
    cycles.initial_inspection_id,
    cycles.initial_station_id,
    cycles.initial_verdict,
    cycles.initial_cap_result,
    cycles.retest_verdict,
    cycles.is_waived,
    cycles.is_first_mil_on,
    cycles.is_first_with_codes,
    cycles.is_first_not_ready,
    case
        when cycles.initial_verdict is null then 'no_verdict'
        when cycles.initial_verdict = 'pass' then 'passed_initially'
        when cycles.retest_verdict = 'pass' then 'passed_first_retest'
        when cycles.is_passed then 'passed_later_retest'
        when cycles.is_waived then 'waived'
        when setting.inspection_to_on - cycles.last_on >= setting.cycle_gap_days then 'unknown'
        else 'open'
    end as outcome
from cycles
cross join core.setting as setting
