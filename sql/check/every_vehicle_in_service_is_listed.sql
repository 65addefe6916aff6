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
    cross join core.setting as setting
    where
        vehicles.out_of_service_on is null
        or vehicles.out_of_service_on > greatest(setting.to_on, setting.inspection_to_on)
) as vehicles
full join mart.vehicle_due as listed on listed.vehicle_id = vehicles.vehicle_id
where
    vehicles.vehicle_id is null
    or listed.vehicle_id is null
    or (listed.chance_ready is null) <> (listed.reason is not null)
