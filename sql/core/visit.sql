-- grain: one inspection, placed in its vehicle's test cycles
-- key: inspection_id
-- reads: core.inspections, core.vehicles, core.setting
-- units: dates in UTC
-- leaves out: nothing; verdict is null where nothing was recorded and the record cannot be judged
-- why: a cycle ends with a pass or a waiver, or when cycle_gap_days go by without another inspection (contract,
--   "Test cycle"). The recorded result counts; where there is none, the judged one: the rule in force on the record
--   alone (40 CFR 85.2222 by default), except that a return right after a return is what the rule makes of it
--   (a fail by 85.2222(c)(1)). Visits at the same instant are taken in the order of inspection_id.

with visits as (
    select
        inspections.inspection_id,
        inspections.vehicle_id,
        vehicles.model_year,
        vehicles.vehicle_type,
        inspections.station_id,
        inspections.inspected_at,
        cast(inspections.inspected_at as date) as inspected_on,
        inspections.test_result,
        inspections.judged_base,
        inspections.cap_test_result,
        coalesce(inspections.waived, false) as is_waived,
        inspections.mil_on,
        case
            when inspections.trouble_code_count is not null then inspections.trouble_code_count > 0
            else len(inspections.trouble_codes) > 0
        end as has_codes,
        len(inspections.monitors_not_ready) > 0 as is_not_ready
    from core.inspections as inspections
    join core.vehicles as vehicles using (vehicle_id)
),

compared as (
    select
        visits.*,
        lag(coalesce(test_result, judged_base)) over in_order as previous_result,
        lag(is_waived) over in_order as is_previous_waived,
        inspected_on - lag(inspected_on) over in_order < setting.cycle_gap_days as is_within_gap
    from visits
    cross join core.setting as setting
    window in_order as (partition by vehicle_id order by inspected_at, inspection_id)
),

judged as (
    select
        compared.*,
        case
            when
                judged_base = 'return'
                and previous_result = 'return'
                and not is_previous_waived
                and is_within_gap
                then setting.return_again
            else judged_base
        end as judged_result
    from compared
    cross join core.setting as setting
),

decided as (
    select judged.*, coalesce(test_result, judged_result) as verdict from judged
),

started as (
    select
        decided.*,
        coalesce(
            not is_within_gap or is_previous_waived or lag(verdict) over in_order = 'pass', false
        ) or row_number() over in_order = 1 as is_start
    from decided
    window in_order as (partition by vehicle_id order by inspected_at, inspection_id)
),

numbered as (
    select
        started.*,
        sum(cast(is_start as integer)) over (
            partition by vehicle_id order by inspected_at, inspection_id rows unbounded preceding
        ) as cycle_no
    from started
)

select
    inspection_id,
    vehicle_id,
    model_year,
    vehicle_type,
    station_id,
    inspected_at,
    inspected_on,
    verdict,
    judged_result,
    cap_test_result,
    is_waived,
    mil_on,
    has_codes,
    is_not_ready,
    cast(cycle_no as bigint) as cycle_no,
    row_number() over in_cycle as visit_no,
    verdict in ('pass', 'fail') as has_verdict,
    count(*) filter (verdict in ('pass', 'fail')) over (in_cycle rows unbounded preceding) as verdict_no
from numbered
window in_cycle as (partition by vehicle_id, cycle_no order by inspected_at, inspection_id)
