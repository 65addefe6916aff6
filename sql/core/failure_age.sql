-- grain: one failure, at the age of its vehicle
-- key: job_id
-- reads: core.failure, core.vehicles
-- units: days of age since in_service_on
-- leaves out: nothing
-- why: recurrence counts the failures of one component on one vehicle by the vehicle's age, comebacks included.

select
    failure.job_id,
    failure.vehicle_id,
    failure.component,
    failure.opened_on - vehicles.in_service_on as age_days
from core.failure as failure
join core.vehicles as vehicles using (vehicle_id)
order by failure.job_id
