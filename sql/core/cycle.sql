-- grain: one test cycle of one vehicle
-- key: vehicle_no, cycle_no
-- reads: core.visit, core.cycle_of_several, core.setting
-- kept as: view
-- units: dates in UTC
-- leaves out: nothing; initial_verdict is null where no visit of the cycle has a verdict
-- why: 40 CFR 51.366(a)(2) counts vehicles by how their tests began and ended. The first visit with a verdict is the
--   initial test, the next verdict the first retest. Every cycle that failed initially has one outcome: passed,
--   waived, unknown (the last verdict is a fail and cycle_gap_days have passed since the last visit) or open.
--   Where one visit both passes and is marked waived, the outcome is the pass; is_waived still says so. A pass ends a
--   cycle, so every verdict but the last is a fail. Most cycles are one visit, and only the others are
--   grouped. To write as many rows again as there are visits costs more than to read them so.

with alone as (
    select
        vehicle_no,
        cycle_no,
        inspected_on as started_on,
        inspected_on as last_on,
        cast(1 as bigint) as n_visits,
        cast(coalesce(verdict in ('pass', 'fail'), false) as bigint) as n_verdicts,
        model_year,
        vehicle_type,
        is_waived,
        verdict = 'pass' as is_passed,
        mil_on as is_first_mil_on,
        has_codes as is_first_with_codes,
        n_not_ready > 0 as is_first_not_ready,
        case when verdict in ('pass', 'fail') then inspection_id end as initial_inspection_id,
        case when verdict in ('pass', 'fail') then station_no end as initial_station_no,
        case when verdict in ('pass', 'fail') then cap_test_result end as initial_cap_result
    from core.visit
    where is_alone
),

cycles as (
    from alone
    union all by name
    from core.cycle_of_several
),

told as (
    select
        cycles.*,
        case
            when n_verdicts = 1 and is_passed then 'pass'
            when n_verdicts >= 1 then 'fail'
        end as initial_verdict,
        case
            when n_verdicts = 2 and is_passed then 'pass'
            when n_verdicts >= 2 then 'fail'
        end as retest_verdict
    from cycles
)

select
    told.vehicle_no,
    told.cycle_no,
    told.model_year,
    told.vehicle_type,
    told.started_on,
    told.last_on,
    told.n_visits,
    told.n_verdicts,
    told.initial_inspection_id,
    told.initial_station_no,
    told.initial_verdict,
    told.initial_cap_result,
    told.retest_verdict,
    told.is_waived,
    told.is_first_mil_on,
    told.is_first_with_codes,
    told.is_first_not_ready,
    case
        when told.initial_verdict is null then 'no_verdict'
        when told.initial_verdict = 'pass' then 'passed_initially'
        when told.retest_verdict = 'pass' then 'passed_first_retest'
        when told.is_passed then 'passed_later_retest'
        when told.is_waived then 'waived'
        when setting.inspection_to_on - told.last_on >= setting.cycle_gap_days then 'unknown'
        else 'open'
    end as outcome
from told
cross join core.setting as setting
