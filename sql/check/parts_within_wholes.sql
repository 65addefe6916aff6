-- grain: one row that breaks the check
-- key: table_name, row_name
-- reads: mart.failure_rate, mart.failure_split, mart.replacement_unit, mart.first_time_fix, mart.repeated_failure, mart.against_evidence, mart.leak_size, mart.inspection_report, mart.readiness, mart.station_look, mart.monitor_after_clear
-- units: none
-- leaves out: nothing
-- why: a part is never larger than its whole
-- level: fail
-- judges: select (select count(*) from mart.failure_rate) + (select count(*) from mart.inspection_report) + (select count(*) from mart.first_time_fix)

with parts as (
    select 'mart.failure_rate' as table_name, component as row_name, n_comebacks as part, n_failures as whole
    from mart.failure_rate
    union all
    select 'mart.replacement_unit' as table_name, component as row_name, n_failures_compared as part, n_failures_replacement as whole
    from mart.replacement_unit
    union all
    select 'mart.failure_split' as table_name, component as row_name, n_failures_compared as part, n_failures as whole
    from mart.failure_split
    union all
    select 'mart.failure_rate' as table_name, component as row_name, n_vehicles_km as part, n_vehicles as whole
    from mart.failure_rate
    union all
    select 'mart.failure_rate' as table_name, component as row_name, n_failures_km as part, n_failures as whole
    from mart.failure_rate
    union all
    select 'mart.first_time_fix' as table_name, "group" as row_name, n_comebacks as part, n_repairs as whole
    from mart.first_time_fix
    union all
    select 'mart.first_time_fix' as table_name, "group" as row_name, n_followed as part, n_repairs as whole
    from mart.first_time_fix
    union all
    select 'mart.repeated_failure' as table_name, vehicle_id as row_name, greatest(n_comebacks, n_shops) as part, n_failures as whole
    from mart.repeated_failure
    union all
    select 'mart.against_evidence' as table_name, "group" as row_name, n_against as part, n_told as whole
    from mart.against_evidence
    union all
    select 'mart.leak_size' as table_name, "group" as row_name, n_below_detection + n_too_large as part, n_traces as whole
    from mart.leak_size
    union all
    select 'mart.inspection_report' as table_name, item as row_name, n as part, "of" as whole
    from mart.inspection_report
    union all
    select 'mart.readiness' as table_name, monitor as row_name, n_not_ready as part, n_inspections as whole
    from mart.readiness
    union all
    select 'mart.station_look' as table_name, station_id as row_name, n as part, "of" as whole
    from mart.station_look
    union all
    select 'mart.monitor_after_clear' as table_name, monitor as row_name, greatest(n_not_ready, n_saturated) as part, n_vehicles as whole
    from mart.monitor_after_clear
)

select table_name, row_name, part, whole
from parts
where part > whole
