-- grain: one row that breaks the check
-- key: vehicle_id
-- reads: core.vehicles, core.setting, mart.vehicle_due
-- units: none
-- leaves out: nothing
-- why: the manager's list has every vehicle in service and no other, and a missing chance has its reason
-- level: fail
-- judges: select count(*) from mart.vehicle_due

select coalesce(vehicles.vehicle_id, listed.vehicle_id) as vehicle_id, listed.chance_ready, listed.reason
from (
    select vehicles.vehicle_id
    from core.vehicles as vehicles
    cross join (select greatest(to_on, inspection_to_on) as as_of from core.setting) as today
    where
        vehicles.in_service_on <= today.as_of
        and (vehicles.out_of_service_on is null or vehicles.out_of_service_on > today.as_of)
) as vehicles
full join mart.vehicle_due as listed on listed.vehicle_id = vehicles.vehicle_id
where
    vehicles.vehicle_id is null
    or listed.vehicle_id is null
    or (listed.chance_ready is null) <> (listed.reason is not null)
