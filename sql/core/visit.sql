-- grain: one inspection, placed in its vehicle's test cycles
-- key: inspection_id
-- reads: core.inspections, core.vehicles, core.station, core.setting
-- units: dates in UTC
-- leaves out: nothing; verdict is null where nothing was recorded and the record cannot be judged
-- why: a cycle ends with a pass or a waiver, or when cycle_gap_days go by without another inspection (contract,
--   "Test cycle"). The recorded result counts; where there is none, the judged one: the rule in force on the record
--   alone (40 CFR 85.2222 by default), except that a return right after a return is what the rule makes of it
--   (a fail by 85.2222(c)(1)). Visits at the same instant are taken in the order of inspection_id. A rule never makes
--   a pass of a return, so the visit before, taken by itself, tells whether a new cycle starts. Visits are sorted as
--   short as they can be written, and stay so: vehicle_no is the vehicle's rowid in core.vehicles, station_no the key of
--   core.station, pattern_no the key of core.inspection_pattern. All of them must pass through memory, and the marts
--   read them many times. A day is told from the instant in UTC by arithmetic, for the calendar takes ten times as long.

with visits as (
    select
        inspections.vehicle_no,
        cast(vehicles.model_year as smallint) as model_year,
        vehicles.vehicle_type,
        inspections.inspection_id,
        stations.station_no,
        inspections.pattern_no,
        inspections.inspected_at,
        cast(make_timestamp(epoch_us(inspections.inspected_at)) as date) as inspected_on,
        cast(inspections.test_result as enum('pass', 'fail', 'return')) as test_result,
        cast(inspections.judged_base as enum('pass', 'fail', 'return')) as judged_base,
        cast(inspections.cap_test_result as enum('pass', 'fail')) as cap_test_result,
        coalesce(inspections.waived, false) as is_waived,
        inspections.mil_on,
        case
            when inspections.trouble_code_count is not null then inspections.trouble_code_count > 0
            else len(inspections.trouble_codes) > 0
        end as has_codes,
        cast(len(inspections.monitors_not_ready) as smallint) as n_not_ready,
        inspections.distance_since_clear_km,
        cast(inspections.warmups_since_clear as smallint) as warmups_since_clear
    from core.inspections as inspections
    join core.vehicles as vehicles on vehicles.rowid = inspections.vehicle_no
    join core.station as stations using (station_id)
),

compared as (
    select
        visits.*,
        cast(row_number() over in_order as integer) as place,
        lag(coalesce(test_result, judged_base)) over in_order as previous_result,
        lag(is_waived) over in_order as is_previous_waived,
        lag(inspected_at) over in_order as previous_at,
        lag(inspected_on) over in_order as previous_on,
        lag(n_not_ready) over in_order as previous_n_not_ready,
        lead(is_waived) over in_order is null as is_last
    from visits
    window in_order as (partition by vehicle_no order by inspected_at, inspection_id)
),

near as (
    select
        compared.*,
        inspected_on - previous_on < setting.cycle_gap_days as is_within_gap,
        setting.return_again
    from compared
    cross join core.setting as setting
),

judged as (
    select
        near.* exclude (return_again, is_within_gap, is_previous_waived, previous_result, previous_on),
        place = 1 or not is_within_gap or is_previous_waived or coalesce(previous_result = 'pass', false) as is_start,
        case
            when
                judged_base = 'return'
                and previous_result = 'return'
                and not is_previous_waived
                and is_within_gap
                then cast(return_again as enum('pass', 'fail', 'return'))
            else judged_base
        end as judged_result
    from near
),

numbered as (
    select
        judged.*,
        sum(cast(is_start as integer)) over in_order as cycle_no,
        max(case when is_start then place end) over in_order as start_place,
        is_start and coalesce(lead(is_start) over in_order, true) as is_alone
    from judged
    window in_order as (partition by vehicle_no order by place rows unbounded preceding)
)

select
    inspection_id,
    vehicle_no,
    model_year,
    vehicle_type,
    station_no,
    pattern_no,
    inspected_at,
    inspected_on,
    coalesce(test_result, judged_result) as verdict,
    judged_result,
    cap_test_result,
    is_waived,
    mil_on,
    has_codes,
    n_not_ready,
    distance_since_clear_km,
    warmups_since_clear,
    place,
    cast(cycle_no as integer) as cycle_no,
    place - start_place + 1 as visit_no,
    is_alone,
    is_last,
    coalesce(judged_result <> test_result, false) as is_disputed,
    case when not is_start then previous_at end as previous_at,
    case when not is_start then previous_n_not_ready end as previous_n_not_ready
from numbered
