-- grain: one vehicle that was in service inside the window
-- key: vehicle_id
-- reads: core.vehicles, core.setting
-- units: days of age since in_service_on
-- leaves out: vehicles without a day in service inside the window
-- why: recurrence is followed from the age at which the window found a vehicle to the age at which it lost it.

select
    vehicles.vehicle_id,
    vehicles.make,
    vehicles.model,
    greatest(setting.from_on - vehicles.in_service_on, 0) as entry_days,
    least(vehicles.out_of_service_on, setting.to_on) - vehicles.in_service_on as end_days
from core.vehicles as vehicles
cross join core.setting as setting
where least(vehicles.out_of_service_on, setting.to_on) > greatest(setting.from_on, vehicles.in_service_on)
order by vehicles.vehicle_id
