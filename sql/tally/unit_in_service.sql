-- grain: all units of one component of one model with the same age at the window's end
-- key: make, model, component, age_days
-- reads: core.vehicles, core.repair, core.failure, core.setting
-- units: days
-- leaves out: vehicles out of service by the window's end or not yet in service then
-- why: what will fail next depends on how old the units now in service are. A unit is as old as its vehicle, or as the
--   repair that last replaced it; one that is being replaced at the window's end counts as new.

with components as (
    select distinct component from core.failure
),

replaced as (
    select
        repair.vehicle_id,
        repair.component,
        max(least(repair.closed_on, setting.to_on)) as replaced_on,
        bool_or(repair.closed_on is null) as is_open
    from core.repair as repair
    cross join core.setting as setting
    where repair.action = 'replaced' and repair.opened_on <= setting.to_on
    group by repair.vehicle_id, repair.component
)

select
    vehicles.make,
    vehicles.model,
    components.component,
    case
        when coalesce(replaced.is_open, false) then 0
        else setting.to_on - greatest(vehicles.in_service_on, replaced.replaced_on)
    end as age_days,
    count(*) as n_units
from core.vehicles as vehicles
cross join components
cross join core.setting as setting
left join replaced
    on replaced.vehicle_id = vehicles.vehicle_id
    and replaced.component = components.component
where vehicles.in_service_on <= setting.to_on
    and (vehicles.out_of_service_on is null or vehicles.out_of_service_on > setting.to_on)
group by all
order by all
