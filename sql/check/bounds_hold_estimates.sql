-- grain: one row that breaks the check
-- key: table_name, estimate_name, row_name
-- reads: mart.failure_rate, mart.component_life, mart.component_life_curve, mart.recurrence, mart.proof_worth, mart.proof_curve, mart.first_time_fix, mart.leak_size, mart.leak_size_curve, mart.inspection_report, mart.readiness, mart.station_look, mart.trace_result, mart.monitor_after_clear, mart.vehicle_due
-- units: none
-- leaves out: nothing
-- why: low <= estimate <= high for every statistic, up to rounding
-- level: fail
-- judges: select (select count(low) from mart.failure_rate) + (select count(low_percent) from mart.inspection_report) + (select count(low) from mart.first_time_fix)

with bounded as (
    select 'mart.failure_rate' as table_name, 'rate_per_1000_vehicle_years' as estimate_name, component as row_name, rate_per_1000_vehicle_years as estimate, low as low, high as high
    from mart.failure_rate
    union all
    select 'mart.failure_rate' as table_name, 'shrunk_rate' as estimate_name, component as row_name, shrunk_rate as estimate, shrunk_low as low, shrunk_high as high
    from mart.failure_rate
    union all
    select 'mart.failure_rate' as table_name, 'rate_per_million_km' as estimate_name, component as row_name, rate_per_million_km as estimate, low_per_million_km as low, high_per_million_km as high
    from mart.failure_rate
    union all
    select 'mart.component_life' as table_name, 'weibull_shape' as estimate_name, component as row_name, weibull_shape as estimate, weibull_shape_low as low, weibull_shape_high as high
    from mart.component_life
    union all
    select 'mart.component_life' as table_name, 'weibull_scale_years' as estimate_name, component as row_name, weibull_scale_years as estimate, weibull_scale_low_years as low, weibull_scale_high_years as high
    from mart.component_life
    union all
    select 'mart.component_life' as table_name, 'b10_years' as estimate_name, component as row_name, b10_years as estimate, b10_low_years as low, b10_high_years as high
    from mart.component_life
    union all
    select 'mart.component_life_curve' as table_name, 'failures_per_unit' as estimate_name, component as row_name, failures_per_unit as estimate, low as low, high as high
    from mart.component_life_curve
    union all
    select 'mart.recurrence' as table_name, 'failures_per_vehicle' as estimate_name, component as row_name, failures_per_vehicle as estimate, low as low, high as high
    from mart.recurrence
    union all
    select 'mart.proof_worth' as table_name, 'hazard_ratio' as estimate_name, comparison as row_name, hazard_ratio as estimate, hazard_ratio_low as low, hazard_ratio_high as high
    from mart.proof_worth
    union all
    select 'mart.proof_curve' as table_name, 'share_without_comeback' as estimate_name, comparison as row_name, share_without_comeback as estimate, low as low, high as high
    from mart.proof_curve
    union all
    select 'mart.first_time_fix' as table_name, 'first_time_fix' as estimate_name, "group" as row_name, first_time_fix as estimate, low as low, high as high
    from mart.first_time_fix
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
    union all
    select 'mart.monitor_after_clear' as table_name, counter as estimate_name, monitor as row_name, reading as estimate, low as low, high as high
    from mart.monitor_after_clear
    union all
    select 'mart.monitor_after_clear' as table_name, counter as estimate_name, monitor as row_name, pooled as estimate, pooled_low as low, pooled_high as high
    from mart.monitor_after_clear
    union all
    select 'mart.vehicle_due' as table_name, 'chance_ready' as estimate_name, vehicle_id as row_name, chance_ready as estimate, chance_low as low, chance_high as high
    from mart.vehicle_due
)

select table_name, estimate_name, row_name, estimate, low, high
from bounded
where low > estimate * (1 + 1e-9) + 1e-12 or estimate > high * (1 + 1e-9) + 1e-12 or low > high
