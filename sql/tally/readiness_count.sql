-- grain: one monitor of one model
-- key: make, model, monitor
-- reads: core.visit, core.inspection_pattern, core.vehicles
-- units: inspections
-- leaves out: inspections without readiness; monitors that no record of the model shows
-- why: the status bytes say which monitors apply. A record that only lists what is not ready says nothing of the
--   monitors that are ready, so it counts for every monitor that some record of the same model shows.

with of_model as (
    select
        vehicles.make,
        vehicles.model,
        visits.pattern_no,
        count(*) as n_inspections
    from core.visit as visits
    join core.vehicles as vehicles on vehicles.rowid = visits.vehicle_no
    where visits.n_not_ready is not null
    group by vehicles.make, vehicles.model, visits.pattern_no
),

patterns as (
    select
        of_model.make,
        of_model.model,
        told.monitors_supported,
        told.monitors_not_ready,
        of_model.n_inspections
    from of_model
    join core.inspection_pattern as told using (pattern_no)
),

shown as (
    select distinct
        make,
        model,
        unnest(list_concat(coalesce(monitors_supported, []), monitors_not_ready)) as monitor
    from patterns
)

select
    patterns.make,
    patterns.model,
    shown.monitor,
    cast(sum(patterns.n_inspections) as bigint) as n_inspections,
    cast(
        coalesce(
            sum(patterns.n_inspections) filter (list_contains(patterns.monitors_not_ready, shown.monitor)), 0
        ) as bigint
    ) as n_not_ready
from patterns
join shown on shown.make = patterns.make and shown.model = patterns.model
where patterns.monitors_supported is null or list_contains(patterns.monitors_supported, shown.monitor)
group by patterns.make, patterns.model, shown.monitor
order by patterns.make, patterns.model, shown.monitor
