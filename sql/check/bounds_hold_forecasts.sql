-- grain: one row that breaks the check
-- key: table_name, estimate_name, row_name
-- reads: mart.component_life, mart.component_life_curve, mart.recurrence, mart.proof_worth, mart.proof_curve, mart.monitor_after_clear, mart.vehicle_due
-- units: none
-- leaves out: nothing
-- why: low <= estimate <= high for lives, forecasts and chances too; a bound that crosses its estimate is told and
--   stops no run: every count behind it stands
-- level: warn
-- judges: select (select count(weibull_shape_low) from mart.component_life) + (select count(chance_low) from mart.vehicle_due)

with bounded as (
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
