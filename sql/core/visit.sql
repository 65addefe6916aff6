-- grain: one inspection, placed in its vehicle's test cycles
-- key: inspection_id
-- reads: core.inspections, core.vehicles, core.setting
-- units: dates in UTC
-- leaves out: nothing; verdict is null where nothing was recorded and the record cannot be judged
-- why: a cycle ends with a pass or a waiver, or when cycle_gap_days go by without another inspection (contract,
--   "Test cycle"). The recorded result counts; where there is none, the judged one: the rule in force on the record
--   alone (40 CFR 85.2222 by default), except that a return right after a return is what the rule makes of it
--   (a fail by 85.2222(c)(1)). Visits at the same instant are taken in the order of inspection_id. A rule never makes
--   a pass of a return, so the visit before, taken by itself, tells whether a new cycle starts.

with visits as (
    select
        inspection_id,
        vehicle_id,
        station_id,
        inspected_at,
        cast(inspected_at as date) as inspected_on,
        test_result,
        judged_base,
        cap_test_result,
        coalesce(waived, false) as is_waived,
        mil_on,
        case
            when trouble_code_count is not null then trouble_code_count > 0
            else len(trouble_codes) > 0
        end as has_codes,
        len(monitors_not_ready) as n_not_ready,
        distance_since_clear_km,
        warmups_since_clear
    from core.inspections
),

compared as (
    select
        visits.*,
        row_number() over in_order as place,
        lag(coalesce(test_result, judged_base)) over in_order as previous_result,
        lag(is_waived) over in_order as is_previous_waived,
        inspected_on - lag(inspected_on) over in_order < setting.cycle_gap_days as is_within_gap,
        lag(inspected_at) over in_order as previous_at,
        lag(n_not_ready) over in_order as previous_n_not_ready
    from visits
    cross join core.setting as setting
    window in_order as (partition by vehicle_id order by inspected_at, inspection_id)
),

judged as (
    select
        compared.*,
        place = 1 or not is_within_gap or is_previous_waived or coalesce(previous_result = 'pass', false) as is_start,
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

numbered as (
    select
        judged.*,
        sum(cast(is_start as integer)) over in_order as cycle_no,
        max(case when is_start then place end) over in_order as start_place,
        is_start and coalesce(lead(is_start) over in_order, true) as is_alone
    from judged
    window in_order as (
        partition by vehicle_id order by inspected_at, inspection_id rows unbounded preceding
    )
)

select
    numbered.inspection_id,
    numbered.vehicle_id,
    vehicles.model_year,
    vehicles.vehicle_type,
    numbered.station_id,
    numbered.inspected_at,
    numbered.inspected_on,
    coalesce(numbered.test_result, numbered.judged_result) as verdict,
    numbered.judged_result,
    numbered.cap_test_result,
    numbered.is_waived,
    numbered.mil_on,
    numbered.has_codes,
    numbered.n_not_ready,
    numbered.distance_since_clear_km,
    numbered.warmups_since_clear,
    cast(numbered.cycle_no as bigint) as cycle_no,
    numbered.place - numbered.start_place + 1 as visit_no,
    numbered.is_alone,
    case when not numbered.is_start then numbered.previous_at end as previous_at,
    case when not numbered.is_start then numbered.previous_n_not_ready end as previous_n_not_ready
from numbered
join core.vehicles as vehicles using (vehicle_id)
