-- grain: one distinct pair of bounds in one group of traces that judge a leak
-- key: by, group, low_mm, high_mm
-- reads: mart.trace_result, core.jobs, core.vehicles, core.model_label, core.evap_code_of_job
-- units: mm; high_mm is infinite where the leak was too large to tell, low_mm 0 where it was too small
-- leaves out: traces with another verdict, or without the bound that their censoring needs, or whose bounds hold any size
-- why: the diameter is known to lie in (low, high]. Bounds are rounded outward to 0.01 mm, a fiftieth of the smallest
--   size of interest: an interval then still holds the diameter, and a million traces have few distinct pairs.
--   Groups by all and stage take every stage; groups by model, component and trouble_code ask what was found, and
--   take before_repair traces alone. A trace counts under each EVAP trouble code of its job.

with bounded as (
    select
        trace_id,
        job_id,
        vehicle_id,
        stage,
        case leak_censoring when 'left' then 0.0 else floor(round(leak_diameter_low_mm * 100, 6)) / 100 end as low_mm,
        case leak_censoring
            when 'right' then cast('infinity' as double)
            else ceil(round(leak_diameter_high_mm * 100, 6)) / 100
        end as high_mm
    from mart.trace_result
    where verdict in ('holds', 'leak', 'gross_leak')
),

told as (
    select trace_id, job_id, vehicle_id, stage, greatest(least(low_mm, high_mm - 0.01), 0.0) as low_mm, high_mm
    from bounded
    where low_mm is not null and high_mm > 0 and low_mm <= high_mm and not (low_mm = 0 and isinf(high_mm))
),

before as (
    select told.*, jobs.component
    from told
    left join core.jobs as jobs using (job_id)
    where told.stage = 'before_repair'
),

coded as (
    select before.trace_id, evap_code_of_job.trouble_code, before.low_mm, before.high_mm
    from before
    join core.evap_code_of_job as evap_code_of_job using (job_id)
),

grouped as (
    select 'all' as "by", 'all' as "group", low_mm, high_mm from told
    union all
    select 'stage' as "by", stage as "group", low_mm, high_mm from told
    union all
    select 'model' as "by", model_label.label as "group", before.low_mm, before.high_mm
    from before
    join core.vehicles as vehicles using (vehicle_id)
    join core.model_label as model_label
        on model_label.make = vehicles.make and model_label.model = vehicles.model
    union all
    select 'component' as "by", component as "group", low_mm, high_mm from before
    union all
    select 'trouble_code' as "by", trouble_code as "group", low_mm, high_mm from coded
)

select
    "by",
    "group",
    low_mm,
    high_mm,
    count(*) as n_traces
from grouped
where "group" is not null
group by "by", "group", low_mm, high_mm
order by "by", "group", low_mm, high_mm
