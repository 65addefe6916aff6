-- grain: one row that breaks the check
-- key: table_name, estimate_name, row_name
-- reads: mart.failure_rate, mart.failure_split, mart.replacement_unit, mart.first_look, mart.first_time_fix, mart.against_evidence, mart.leak_size, mart.leak_size_curve, mart.inspection_report, mart.readiness, mart.station_look, mart.trace_result
-- units: none
-- leaves out: nothing
-- why: low <= estimate <= high for every statistic, up to rounding
-- level: fail
-- judges: select (select count(low) from mart.failure_rate) + (select count(low_percent) from mart.inspection_report) + (select count(low) from mart.first_time_fix)

with bounded as (
    select 'mart.failure_rate' as table_name, 'rate_per_1000_vehicle_years' as estimate_name, component as row_name, rate_per_1000_vehicle_years as estimate, low as low, high as high
    from mart.failure_rate
    union all
    select 'mart.replacement_unit' as table_name, 'rate_ratio' as estimate_name, component as row_name, rate_ratio as estimate, rate_ratio_low as low, rate_ratio_high as high
    from mart.replacement_unit
    union all
    select 'mart.failure_split' as table_name, 'rate_ratio' as estimate_name, component as row_name, rate_ratio as estimate, rate_ratio_low as low, rate_ratio_high as high
    from mart.failure_split
    union all
    select 'mart.failure_rate' as table_name, 'shrunk_rate' as estimate_name, component as row_name, shrunk_rate as estimate, shrunk_low as low, shrunk_high as high
    from mart.failure_rate
    union all
    select 'mart.failure_rate' as table_name, 'rate_per_million_km' as estimate_name, component as row_name, rate_per_million_km as estimate, low_per_million_km as low, high_per_million_km as high
    from mart.failure_rate
    union all
    select 'mart.first_look' as table_name, 'probability' as estimate_name, component as row_name, probability as estimate, low as low, high as high
    from mart.first_look
    union all
    select 'mart.first_time_fix' as table_name, 'first_time_fix' as estimate_name, "group" as row_name, first_time_fix as estimate, low as low, high as high
    from mart.first_time_fix
    union all
    select 'mart.against_evidence' as table_name, 'share_against' as estimate_name, "group" as row_name, share_against as estimate, low as low, high as high
    from mart.against_evidence
    union all
    select 'mart.leak_size' as table_name, 'median_mm' as estimate_name, "group" as row_name, median_mm as estimate, median_low_mm as low, median_high_mm as high
    from mart.leak_size
    union all
    select 'mart.leak_size' as table_name, 'share_over_0_5_mm' as estimate_name, "group" as row_name, share_over_0_5_mm as estimate, share_over_0_5_low as low, share_over_0_5_high as high
    from mart.leak_size
    union all
    select 'mart.leak_size' as table_name, 'share_over_1_0_mm' as estimate_name, "group" as row_name, share_over_1_0_mm as estimate, share_over_1_0_low as low, share_over_1_0_high as high
    from mart.leak_size
    union all
    select 'mart.leak_size' as table_name, 'share_over_nominal' as estimate_name, "group" as row_name, share_over_nominal as estimate, share_over_nominal_low as low, share_over_nominal_high as high
    from mart.leak_size
    union all
    select 'mart.leak_size_curve' as table_name, 'share_at_most' as estimate_name, "group" as row_name, share_at_most as estimate, low as low, high as high
    from mart.leak_size_curve
    union all
    select 'mart.inspection_report' as table_name, 'percent' as estimate_name, item as row_name, percent as estimate, low_percent as low, high_percent as high
    from mart.inspection_report
    union all
    select 'mart.readiness' as table_name, 'not_ready_rate' as estimate_name, monitor as row_name, not_ready_rate as estimate, low as low, high as high
    from mart.readiness
    union all
    select 'mart.station_look' as table_name, 'share' as estimate_name, station_id as row_name, share as estimate, low as low, high as high
    from mart.station_look
    union all
    select 'mart.trace_result' as table_name, 'leak_diameter_mm' as estimate_name, trace_id as row_name, leak_diameter_mm as estimate, leak_diameter_low_mm as low, leak_diameter_high_mm as high
    from mart.trace_result
)

select table_name, estimate_name, row_name, estimate, low, high
from bounded
where low > estimate * (1 + 1e-9) + 1e-12 or estimate > high * (1 + 1e-9) + 1e-12 or low > high
