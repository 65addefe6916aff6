-- grain: one row that breaks the check
-- key: table_name, row_name
-- reads: mart.failure_rate, mart.first_time_fix, mart.leak_size, mart.inspection_report, mart.readiness, mart.station_look, mart.monitor_after_clear
-- units: none
-- leaves out: nothing
-- why: no rate stands without its count, and no count and no rate is below zero
-- level: fail
-- judges: select (select count(*) from mart.failure_rate) + (select count(*) from mart.inspection_report) + (select count(*) from mart.first_time_fix)

with rates as (
    select 'mart.failure_rate' as table_name, component as row_name, rate_per_1000_vehicle_years as rate, n_failures as n_counted, vehicle_years as counted_of
    from mart.failure_rate
    union all
    select 'mart.first_time_fix' as table_name, "group" as row_name, first_time_fix as rate, n_repairs as n_counted, n_repairs as counted_of
    from mart.first_time_fix
    union all
    select 'mart.leak_size' as table_name, "group" as row_name, share_over_0_5_mm as rate, n_traces as n_counted, n_traces as counted_of
    from mart.leak_size
    union all
    select 'mart.inspection_report' as table_name, item as row_name, percent as rate, n as n_counted, "of" as counted_of
    from mart.inspection_report
    union all
    select 'mart.readiness' as table_name, monitor as row_name, not_ready_rate as rate, n_not_ready as n_counted, n_inspections as counted_of
    from mart.readiness
    union all
    select 'mart.station_look' as table_name, station_id as row_name, share as rate, n as n_counted, "of" as counted_of
    from mart.station_look
    union all
    select 'mart.monitor_after_clear' as table_name, monitor as row_name, reading as rate, n_not_ready as n_counted, n_vehicles as counted_of
    from mart.monitor_after_clear
)

select table_name, row_name, rate, n_counted, counted_of
from rates
where n_counted is null or n_counted < 0 or (rate is not null and coalesce(counted_of, 0) <= 0) or rate < 0
